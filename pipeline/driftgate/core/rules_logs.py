"""The codes of findings about measured runs: logs, and sheets of a tape measure."""

from __future__ import annotations

from typing import Final

from driftgate.core.rule import Rule

LOGS: Final = (
    Rule(
        "DG601",
        "not a log of a known format",
        "The first line of a log is '# driftgate log: 1', that of a list of beacons '# driftgate beacons: "
        "1'. A later format needs a later driftgate.",
    ),
    Rule(
        "DG602",
        "preamble of a log not understood",
        "Lines '# key: value' come before the header row. A key is unknown, stands there twice, is missing "
        "('origin' is required: measured or simulated), or its value is not what it should be.",
    ),
    Rule(
        "DG603",
        "column of a log unknown, missing or there twice",
        "Columns may come in any order, and a log needs 'time [s]'. One that is like a known column that the "
        "log lacks ('forwrad [mm]') is refused, since its numbers would be lost: correct its spelling. "
        "Others, of a team's own, are ignored, and a warning names them.",
    ),
    Rule(
        "DG604",
        "unit of a column missing or wrong",
        "The header says the unit of every number in square brackets, such as 'forward [m]', so that "
        "inches are never taken for metres.",
    ),
    Rule(
        "DG605",
        "columns of a log that do not go together",
        "A column needs another one: 'fix NAME' the readings 'range NAME', 'reference x' also 'reference y' "
        "and 'reference by', 'believed x' all three of the pose.",
    ),
    Rule(
        "DG606",
        "row does not fit the header",
        "The row has more or fewer cells than the header row, its quotes do not match, or there is no row "
        "at all. Cells are separated by commas, numbers have a decimal point.",
    ),
    Rule(
        "DG607",
        "cell not understood",
        "A number, a word of the list, or nothing belongs there. Numbers are plain and finite; a reading "
        "that found nothing is written 'none'.",
    ),
    Rule(
        "DG608",
        "time does not run forward",
        "Every row is later than the one before. A row written twice, two runs in one file, or a clock that "
        "was set during the run break this.",
    ),
    Rule(
        "DG609",
        "gap in a log",
        "For a while no odometry was written. Where the row after the gap holds what was rolled since the "
        "last row written, what was driven is known in sum, though its path is not: a warning. Where it has "
        "no more than any other row, and the robot drove before and after, that distance is lost: an error "
        "from 50 mm on. It is one, too, where many rows are missing, and with them what was rolled: the "
        "clock jumps by whole multiples of its step, and the rows after that have no more than others. Write "
        "what was rolled since the last row that was written; no factor mends it.",
    ),
    Rule(
        "DG610",
        "numbers that only make sense in another unit",
        "No small robot is that fast, turns that fast, reads that far, or gets anywhere with so little "
        "odometry. Usually the header names another unit than the robot wrote. Or one number stands for "
        "ranges that were not measured: it lies outside the sensor's reach, or stays the same while the "
        "robot drives and turns. That nothing came back is written 'none'; a blank cell says that nothing "
        "was read.",
    ),
    Rule(
        "DG611",
        "heading jumps",
        "The heading changes by more than a robot can turn in that time, and not by a whole turn. Usually "
        "the gyro was set back during the run: log it without that, or write the log of one run only.",
    ),
    Rule(
        "DG612",
        "cells of one row contradict each other",
        "A fix is named where no reading was taken, or a pose is given in part only.",
    ),
    Rule(
        "DG613",
        "files of one run do not fit together",
        "Files of one run share a clock and say the same of the run in their preambles, and each column is "
        "in one of them only.",
    ),
    Rule(
        "DG614",
        "log too large",
        "A run has at most 200 000 rows and 64 columns, in at most 16 files, and a preamble 200 lines.",
    ),
    Rule(
        "DG615",
        "log of another robot, or of none that it names",
        "The numbers of one robot say nothing of another. A log names the robot that drove it ('# robot: "
        "routines/robots/wren.yaml'); a warning says where that is not the one being calibrated or judged, a "
        "note where the log does not say. Two files count as one robot if they differ in nothing but error "
        "sources and correction.",
    ),
    Rule(
        "DG616",
        "range column of no sensor",
        "A column 'range NAME' is named after no sensor of the robot, so that its readings are not used: a "
        "warning (one to a beacon is fine, and of use to 'backtest --beacons'). It is an error where the "
        "name is like that of a sensor which has no column in the log.",
    ),
    Rule(
        "DG617",
        "log that is too little to calibrate on",
        "To calibrate takes what the wheels rolled, the gyro's heading, and in some run where the robot "
        "really was, at two places or more. 'calibrate' refuses logs without; 'validate' warns, since a file "
        "that is joined with others by '+', or only looked at, need not have all.",
    ),
    Rule(
        "DG618",
        "columns of a log contradict each other",
        "Between two measured poses the robot drove, by its odometry, far more or less than it came, turned "
        "by another angle, or went another way. A unit, a sign or an axis is wrong, or the robot's code has "
        "a wrong wheel size, gear or count per turn; where one change makes them agree, it is named. Or the "
        "measured poses are what the robot believed. Or what a range sensor read near measured poses has "
        "nothing to do with the walls that it should see from where it sits: its column is exchanged with "
        "another's, in another unit, or its mount in the robot file is wrong. Correct that first: no error "
        "model is that wide.",
    ),
    Rule(
        "DG619",
        "one run under two names",
        "Two logs have the same odometry, row by row, which no two runs have; in whatever units, by whatever "
        "clock, and if one lacks rows of the other. Where odometry is so coarse that rows agree by chance, "
        "the same readings of range sensors tell. Counted twice, a run would make what is found look better "
        "known than it is. Or two measured runs have the same reference poses at the same times: one was "
        "given those of the other. 'calibrate' and 'backtest' refuse both, too.",
    ),
    Rule(
        "DG620",
        "step that the log's routine has not",
        "A log names a step that is not in the routine which it names. Usually its name is misspelt, or "
        "the log is of another routine. Its timing is not used by 'calibrate', and checkpoints after it may "
        "not be found by 'backtest'.",
    ),
    Rule(
        "DG621",
        "ranges to a beacon that do not fit where it stands",
        "Held against the measured poses, the readings of a beacon would be too long or too short by more "
        "than a quarter, or fit the place of another beacon. Two beacons are exchanged, in their list or in "
        "the titles of the ranges, a place is wrong, or a unit. A warning where only the noise is several "
        "times that of the other beacons: something stands in the way, or its place is wrong.",
    ),
    Rule(
        "DG622",
        "log that begins elsewhere than its routine",
        "The first pose of a log, measured or believed, is 100 mm or 10 deg and more from where the routine "
        "that it names begins: at 0, 0, or elsewhere while other logs of the routine begin where it does. "
        "Usually its poses are counted from where the robot was put down. Poses of a log are in the axes of "
        "the field map: range sensors and checkpoints would be told wrong, and nothing else shows it.",
    ),
    Rule(
        "DG623",
        "log that was hardly driven on the field it names",
        "Measured poses lie 50 mm and more outside the walls of the map that the log names, or inside a "
        "structure, or what the sensors read fits another map, one that a routine or another log names, by "
        "20 % of the readings better, or by 60 % of those that can fit only one of the two. Name the map of "
        "the field as it really was. Maps that differ by little where the robot came by are not told apart.",
    ),
    Rule(
        "DG624",
        "files of one run beside each other",
        "A log and its reference poses may be files of their own: one run is then 'run.csv+run-poses.csv'. "
        "Where a folder has NAME.csv with the odometry and NAME-poses.csv without, and no column is in both, "
        "they are read as one run, and a note says so. A warning names the '+' to write where files look as "
        "if they were of one run and it is not clear which: two have the same column, they are called "
        "otherwise, or one of them only was named.",
    ),
    Rule(
        "DG625",
        "measured pose that lies apart",
        "The odometry from the measured pose before and that back from the pose after agree on where the "
        "robot stood, and a pose was written that lies elsewhere: a digit, x and y exchanged, a heading of "
        "another axis. A slip of the wheels does not do that, it shifts all later poses. Fitted as it stands "
        "it would become slips, or errors of the odometry, that the robot has not. Correct it, or leave its "
        "cells blank. It is an error where a wrong pose explains the run e^5 = 150 times better than all "
        "else, such as a slip, does; if not, a warning, and a fit leaves it out. At an end of a "
        "run, where no odometry comes back, only a heading that is off by 35 deg and more is an error.",
    ),
    Rule(
        "DG626",
        "runs that have each other's poses",
        "The measured poses of two runs or more fit their odometry better the other way round. Files of "
        "poses were exchanged, or called by each other's names. Runs of one routine are much alike, so that "
        "nothing else shows it, and what is fitted would be a wheel of another size and a noise that the "
        "robot has not. An error where all runs together are e^8 = 3000 times as likely then, a warning from "
        "e^3 = 20 times on. A run is held against the six before and the six after it, by their names.",
    ),
    Rule(
        "DG627",
        "sensor that was silent for a stretch",
        "For half a second or more, and 20 readings one after the other, nothing came back to a sensor "
        "from walls that it reads at other times: a cable that was loose, or something before it. By what is "
        "lost at other times, chance does that less than once in a million. A fit leaves the stretch "
        "out: as dropout of the sensor it would be expected of every run. Where more than half of the logs "
        "have such a stretch nothing is said.",
    ),
    Rule(
        "DG628",
        "pose measured while nothing was logged",
        "A reference pose is held against the odometry at its time. One from before the first row of the "
        "odometry or after its last has nothing to be held against and is left out. Mostly its time was "
        "mistyped, counts from another start, or the file belongs to another run. Poses of a camera that "
        "saw more than the log, many in a file, are left out without a word.",
    ),
    Rule(
        "DG631",
        "tape sheet that contradicts itself",
        "The numbers of a tape sheet cannot have come about as the sheet says: the two ways round or an axis "
        "are the wrong way, one list is a copy of the other, the drives are faster than the robot, or the "
        "corrections of a first pass did not do what they should. Chance does that to less than one sound "
        "sheet in 500. Nothing is handed out from it: a wrong correction is worse than "
        "none. Correct what is named, or measure again.",
    ),
    Rule(
        "DG632",
        "tape sheet with something doubtful",
        "Chance, a rough floor or an unusual robot may explain it, but a slip is more likely: a drive that "
        "lies apart from the others, tape and robot that may be exchanged or copied, drives without any "
        "scatter, errors far larger than usual. The numbers are worked out, and carry the doubt into the "
        "robot file. Look at the drive that is named.",
    ),
)
