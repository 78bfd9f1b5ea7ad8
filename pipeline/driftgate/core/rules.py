"""The stable codes of findings: what each means and what to do about it."""

from __future__ import annotations

from typing import Final

from driftgate.core.rule import Rule
from driftgate.core.rules_freeze import FREEZE
from driftgate.core.rules_logs import LOGS
from driftgate.core.rules_nights import HISTORY

_LOAD: Final = (
    Rule(
        "DG101",
        "file cannot be read",
        "The file is missing, is not a regular file, lies outside the repository, is larger than 1 MiB "
        "(a log: 16 MiB), has a line of more than 2000 characters, is not UTF-8, or holds control characters."
        " Check the path and save the file as plain UTF-8 text.",
    ),
    Rule(
        "DG102",
        "not valid YAML",
        "The file breaks the syntax of YAML at or just before the place shown. Usual causes: a tab in "
        "the indentation, a missing closing quote or bracket, or a text that holds ': ' and is not "
        "quoted.",
    ),
    Rule(
        "DG103",
        "key given twice",
        "A mapping holds the same key twice; most readers would silently keep the last one. Delete one "
        "of them.",
    ),
    Rule(
        "DG104",
        "YAML feature not used here",
        "Anchors, aliases, tags, merge keys, directives, several documents in one file and keys that are "
        "not plain words are refused, so that a file means what it shows. Write the value out.",
    ),
    Rule(
        "DG105",
        "spelling that readers of YAML disagree on",
        "YAML 1.1 reads 1:30 as ninety, 012 as ten, 1_000 as a thousand and no as false; YAML 1.2 does "
        "not. Put quotes around it if a text is meant, write true or false for a yes or no, and a plain "
        "decimal number for a number.",
    ),
    Rule(
        "DG106",
        "file too deep or too long",
        "The file nests deeper than 40 levels or holds more than 100 000 values. No real routine needs this.",
    ),
    Rule(
        "DG107",
        "kind or format of the document unknown",
        "Every file starts with 'kind' (routine, field map, robot, tape sheet or waivers) and 'format: 1'. "
        "A later format needs a later driftgate.",
    ),
    Rule(
        "DG108",
        "unknown key",
        "The key means nothing at this place, so what it says would be ignored. Correct its spelling or "
        "delete it.",
    ),
    Rule("DG109", "missing key", "A key that has no default is not there. Add it."),
    Rule(
        "DG110",
        "wrong type of value",
        "The value is, say, a text where a list belongs. The message says what belongs there.",
    ),
    Rule(
        "DG111",
        "unit missing or wrong",
        "Every quantity is written with its unit, such as 24 in, 0.6 m, 90 deg, 1.4 m/s, 95 %. A bare "
        "number is refused, so that inches are never taken for metres.",
    ),
    Rule(
        "DG112",
        "value out of range",
        "The number is not finite, or outside what a small robot on a small field can have: often a slip "
        "of the unit. For a list or a text: too short or too long.",
    ),
    Rule(
        "DG113",
        "unknown word",
        "Only certain words are allowed here, or the name is not made of lower-case words joined by '-'.",
    ),
    Rule(
        "DG114", "more findings left out", "A file shows at most 100 findings. Correct those and run again."
    ),
    Rule(
        "DG120",
        "reference leaves the repository",
        "Robot and field map are named by a path relative to the routine's own folder, with forward "
        "slashes, and must lie in the repository, also after following symbolic links: a check must not "
        "depend on the machine it runs on.",
    ),
    Rule(
        "DG121", "referenced file missing", "There is no such file. Paths start at the routine's own folder."
    ),
    Rule(
        "DG122",
        "referenced file is of another kind",
        "A routine's 'robot' must name a robot file, 'field' and 'also_on' field map files.",
    ),
    Rule("DG130", "name used twice", "Names must be unique, or a reference to one would be ambiguous."),
    Rule("DG131", "reference to nothing", "The name refers to something that does not exist."),
    Rule(
        "DG132",
        "outline is no simple polygon",
        "The corners must go round once, either way, without two equal corners, crossings, spikes or "
        "zero area.",
    ),
    Rule(
        "DG133",
        "keys that do not go together",
        "Of these keys exactly one, or only certain combinations, may be given.",
    ),
    Rule("DG134", "empty range", "The lower end must be below the upper end, the beginning before the end."),
    Rule(
        "DG135",
        "thing outside the walls",
        "A structure or element reaches more than 1 mm beyond the walls. Touching a wall is fine.",
    ),
    Rule(
        "DG136",
        "start pose not possible",
        "The robot's outline at the start pose reaches more than 1 mm beyond the walls or into a structure.",
    ),
    Rule(
        "DG137",
        "checkpoint order",
        "'after' may only name checkpoints that come earlier in the same routine.",
    ),
    Rule(
        "DG138",
        "tolerance without meaning",
        "A tolerance needs at least one axis; a lopsided one at least one side, with low <= 0 <= high.",
    ),
    Rule(
        "DG139",
        "too many steps",
        "With all repetitions written out a routine may have at most 2000 steps.",
    ),
    Rule(
        "DG140",
        "no mirror image",
        "A routine with 'mirror: true' needs a field map that says how its two sides correspond, and what "
        "the routine refers to must have its counterpart where the mirror puts it.",
    ),
    Rule(
        "DG141",
        "field maps do not match",
        "A further field map stands for the same field as built elsewhere: it must have the same walls, "
        "structures (with as many corners) and elements, under the same names.",
    ),
    Rule(
        "DG142",
        "target cannot be reached",
        "A step drives to a point outside the walls or inside a structure. Usually a slip of the unit or the "
        "sign.",
    ),
    Rule(
        "DG143",
        "range sensor without noise",
        "Nothing tells the filter how far to trust a reading of this sensor, so it would trust it "
        "completely. Give the sensor a noise, or the filter a range_at_zero.",
    ),
    Rule(
        "DG144",
        "sensors that make no pair",
        "The two sensors of a pair look the same way (within 1 deg), sit at least 20 mm apart across the "
        "beam and read at the same instants: only then does the difference of their readings tell the "
        "heading.",
    ),
    Rule(
        "DG145",
        "fixes without effect",
        "'fixes' says which sensors may correct the pose in a step. It means nothing where no reading is "
        "used anyway: on a robot without range sensors, in a checkpoint, in a square-up. For a "
        "repetition, write it in the steps that are repeated.",
    ),
    Rule(
        "DG146",
        "heading beyond a full turn",
        "A turn to a heading goes the short way round, so 900 deg is 180 deg. To turn round more than once "
        "use rotate, which turns by an amount. A sensor's mount has no more than one turn, either.",
    ),
    Rule(
        "DG147",
        "too many checkpoints",
        "With all repetitions written out a routine may have at most 200 checkpoints: of each, every trial "
        "is kept.",
    ),
    Rule(
        "DG148",
        "map too detailed",
        "The walls, structures and elements of a field map may have at most 2000 corners in all, a disc "
        "counting as one. Draw round things as circles.",
    ),
    Rule(
        "DG149",
        "too many files",
        "At most 5000 YAML files are read in one run. Name the folders that are meant.",
    ),
    Rule(
        "DG150",
        "readings are old, and nothing takes that out",
        "A sensor has a latency, and 'correction' has no 'compensate_latency: true', so a reading is "
        "compared with where the robot has got to since. Where the robot's code keeps its last poses and "
        "takes the one at the echo, write that line; where it does not, change it, or accept what it costs. "
        "It is said where the robot, at its fastest, drives more than half the sensor's noise in that time.",
        usual="warning",
    ),
    Rule(
        "DG151",
        "sensor that can hardly be meant",
        "The sensor sits outside the robot's outline by more than half its longer side, its readings arrive "
        "more than a second late or begin after more than one interval, the range in which readings are "
        "tried or a false return lies beyond its reach, it rounds by more than a tenth of its reach, or it "
        "looks over or under every wall and structure that the robot corrects by. Or a test hardly lets a "
        "reading pass: a corridor or an edge margin of more than a quarter of the reach, a persistence of "
        "more than two seconds. Usually a slip of the unit.",
        usual="warning",
    ),
    Rule(
        "DG152",
        "size that no field has",
        "A wall is said to be built off by more than a quarter of the hall or turned by more than 15 deg, or "
        "an element strays only outside the walls, or a rough zone lies there. Usually a slip of the unit.",
        usual="warning",
    ),
    Rule(
        "DG153",
        "setting that does nothing",
        "What is written works together with something that is not there, so that nothing comes of it: a way "
        "back without a gate to come back from, rough zones under a robot of which no 'bump' is known. "
        "Persistence is meant to count readings that pass the gate; without a gate, or before it in 'order', "
        "it holds back the first readings of each surface and lets every false one through that comes later. "
        "Add what is missing, or delete what is of no use.",
        usual="warning",
    ),
)

_PLAN: Final = (
    Rule(
        "DG201",
        "speed not reachable",
        "The motor, gearing and wheel do not reach the speed asked for. Ask for less or change the drive.",
        acceptable=True,
    ),
    Rule(
        "DG202",
        "time limit exceeded",
        "The nominal routine takes longer than its time limit. Shorten it or drive faster.",
        acceptable=True,
        usual="warning",
    ),
    Rule(
        "DG203",
        "curve too tight",
        "The curve bends more than the drive can follow at any useful speed, or folds back on itself. "
        "Move its points apart.",
    ),
    Rule(
        "DG204",
        "nominal footprint touches something",
        "Even without any error the robot's outline meets a wall, a structure or an element on its way. "
        "Move the path, or list the thing under 'may_touch' if touching is meant.",
        acceptable=True,
        usual="warning",
    ),
    Rule(
        "DG205",
        "step does not fit the drive",
        "The drive cannot do this step: a differential drive, for example, cannot move sideways.",
    ),
    Rule(
        "DG206",
        "robot does not face its target",
        "A differential drive only drives straight to a point that it faces, or faces away from when "
        "backing. Put a 'face' step before it.",
    ),
    Rule(
        "DG207",
        "square-up misses its wall",
        "The robot does not face the wall that it should square up against, or would not reach it.",
    ),
    Rule(
        "DG208",
        "traction limits the acceleration",
        "The wheels would slip at the acceleration asked for; the plan uses what friction allows. Ask "
        "for less.",
        acceptable=True,
        usual="warning",
    ),
    Rule(
        "DG209",
        "plan too long",
        "The routine unrolls to more steps, or its sensors and ticks to more instants, than driftgate "
        "looks at. Repeat less, or use a longer tick or slower sensors.",
    ),
    Rule(
        "DG210",
        "plan and map too large together",
        "The number of readings and of poses on the way, times the number of surfaces on the map, is more "
        "than driftgate looks at: no field for a small robot needs it. Draw curved things with fewer corners "
        "or as circles, let sensors read less often, or split the routine.",
    ),
)

_SIGHT: Final = (
    Rule(
        "DG301",
        "dark interval",
        "For this long no sensor can give a fix on the coordinate named, so drift in it grows unchecked. "
        "Turn the robot, slow it down, or add a look where a wall is in sight. A reading counts as no fix "
        "where the robot's own tests refuse it, where something on the map stands in the sight line "
        "(obstructed), and where the sensor's mean pitch takes the beam over or under the surface, or to the "
        "floor first.",
        usual="note",
    ),
    Rule(
        "DG302",
        "look without a fix",
        "The robot stands still to look, but no sensor can give a fix from there; the message names why.",
        acceptable=True,
        usual="warning",
    ),
    Rule(
        "DG303",
        "sensor without a fix",
        "Of the readings asked of this sensor less than 1 % become a fix, and less than one in ten trials, "
        "or less than 5 % of those that come to the gate: the correction rests on the others. A warning says "
        "that of all sensors together less than 1 %, or 5 %, do: then it does nothing. The message says what "
        "becomes of the readings instead, its place and hint which setting that goes back to: the last test "
        "if it has much to refuse, otherwise the commonest reason. 'driftgate explain' shows it by step. A "
        "sensor that has nothing to do in this routine can be left out by 'fixes'.",
        usual="note",
    ),
)

_JUDGE: Final = (
    Rule(
        "DG401",
        "tolerance breaks",
        "At the stated confidence the true pose is inside the tolerance less often than required. The "
        "message names the error source with the largest share.",
    ),
    Rule(
        "DG402",
        "undecided",
        "The trials do not settle whether the requirement is met: the true probability lies close to it. "
        "Run more trials, or give the routine more margin. Undecided does not pass.",
    ),
    Rule(
        "DG403",
        "unintended contact",
        "The robot touches something it should not, more often than allowed.",
    ),
    Rule(
        "DG404",
        "time limit missed in trials",
        "With step timing drawn, too many trials end too late: most of those that fail do, and no more than "
        "half of them lie outside of the limits as well.",
    ),
    Rule(
        "DG405",
        "engines disagree",
        "Covariance and trials differ by more than chance and by more than 3 % of the tolerance. The "
        "message says which one to believe and why.",
        usual="note",
    ),
    Rule(
        "DG406",
        "guessed numbers dominate",
        "Most of the predicted variance rests on numbers marked as guesses. Measure the source named first.",
        usual="note",
    ),
    Rule(
        "DG407",
        "lost against the baseline",
        "A tolerance is shown to have lost more than --allowed-loss, a demand was loosened, or something "
        "that was judged is gone. Take the change back, or accept it by keeping a new baseline.",
        usual="warning",
    ),
    Rule(
        "DG408",
        "robot says that it is lost",
        "In more than 1 % of the trials the robot raises its lost flag: the gate has refused so many "
        "readings in a row that its way back gave up ('way_back.lost_after'). The trials go on and are "
        "judged as if nothing had been said, but a robot that stops then, as it should, ends none of these "
        "runs. Look for what the gate refuses (driftgate explain), and whether the filter believes its start "
        "better known than it is; or let the way back go on for longer.",
        usual="warning",
    ),
)

_EXCEPTIONS: Final = (
    Rule(
        "DG901",
        "accepted exception has expired",
        "The last day of an entry under 'accepted' has passed, so what it accepted counts again. Correct "
        "the routine and delete the entry, or look at it again and give it a later day.",
        usual="warning",
    ),
    Rule(
        "DG902",
        "accepted exception is not used",
        "No finding of the routine is what an entry under 'accepted' describes: it is gone, has moved to "
        "another step, or has grown from a warning into an error. Delete the entry, or correct it.",
        usual="warning",
    ),
)

RULES: Final[dict[str, Rule]] = {
    rule.code: rule for rule in (*_LOAD, *_PLAN, *_SIGHT, *_JUDGE, *LOGS, *FREEZE, *HISTORY, *_EXCEPTIONS)
}
"""Every code that a finding may carry."""
