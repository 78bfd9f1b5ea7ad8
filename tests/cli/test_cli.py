"""The command line: statuses, streams, hostile input."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import click
import jsonschema
import pytest
from click.testing import CliRunner
from lxml import etree
from small_project import write_project

from driftgate.cli import main
from driftgate.cli.options import wants_colour
from driftgate.cli.schema import KINDS


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


def run(capsys, *arguments):
    """Run a command line in this process; return status, stdout and stderr."""
    status = main.run([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def spawn(*arguments, **more):
    """Run a command line in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "driftgate", *arguments], capture_output=True, text=True, timeout=120, **more
    )


CHECK = ("check", "--trials", "400", "--workers", "1")


def test_law_check_passes(project, capsys):
    """Status 0, the verdict on stdout, the last line on stderr names the status."""
    status, out, err = run(capsys, *CHECK)
    assert status == 0
    assert "routines/out.yaml  Out and stop" in out
    assert err.splitlines()[-1] == "driftgate: status 0: all 3 tolerances hold"


def test_law_check_fails(project, capsys):
    """Status 1 names how many tolerances break; the line of the checkpoint is in the output."""
    write_project(project, "0.1 mm")
    status, out, err = run(capsys, *CHECK)
    assert status == 1
    assert "half-way  x" in out
    assert "fail DG401" in out
    assert "line 12" in out
    assert err.splitlines()[-1] == "driftgate: status 1: 1 of 3 tolerances breaks"


def test_law_bad_file_has_place_and_caret(project, capsys):
    """Status 2; every fault with file, line, column, line text and caret."""
    path = project / "routines/out.yaml"
    path.write_text(path.read_text().replace("time_limit: 10 s", "time_limit: 10"))
    status, out, err = run(capsys, "check")
    assert status == 2
    assert "routines/out.yaml:6:13: error DG" in out
    lines = out.splitlines()
    assert lines[1][lines[2].index("^")] == "1"
    assert err.splitlines()[-1].startswith("driftgate: status 2: 1 error in the files")


def test_law_pictures_cost_nothing_unless_asked_for(project, capsys, monkeypatch):
    """Without a report that shows them nothing is gathered; page and files come of one gathering."""
    from driftgate.run import pictures

    asked = []
    real = pictures.pictures_of
    monkeypatch.setattr(pictures, "pictures_of", lambda *a: asked.append(1) or real(*a))
    assert run(capsys, *CHECK, "--report", "json=r.json")[0] == 0
    assert asked == []
    assert run(capsys, *CHECK, "--report", "html=r.html", "--report", "svg=drawn")[0] == 0
    assert asked == [1]
    assert "<title>driftgate: Out and stop</title>" in (project / "r.html").read_text()
    names = sorted(path.name for path in (project / "drawn").iterdir())
    assert names == [
        *("out-budget-end.svg", "out-budget-half-way.svg", "out-close-end.svg", "out-close-half-way.svg"),
        *("out-field.svg", "out-time.svg"),
    ]


def test_err_pictures_do_not_replace_what_others_drew(project, capsys):
    """A file of that name which driftgate did not write, or a file for a folder, is refused."""
    (project / "drawn").mkdir()
    (project / "drawn/out-time.svg").write_text("<svg/>")
    status, _, err = run(capsys, *CHECK, "--report", "svg=drawn")
    assert status == 2
    assert "was not written by driftgate" in err
    assert [path.name for path in (project / "drawn").iterdir()] == ["out-time.svg"]
    status, _, err = run(capsys, *CHECK, "--report", "svg=pyproject.toml")
    assert status == 2
    assert "is no folder" in err


@pytest.mark.parametrize(
    "arguments",
    [
        ["nonsense"],
        ["check", "--trials", "0"],
        ["check", "--confidence", "1.5"],
        ["check", "--confidence", "nan"],
        ["check", "--report", "pdf=x"],
        ["check", "--report", "json"],
        ["check", "--carry-field"],
        ["check", "--report", "json=a", "--report", "junit=a"],
        ["check", "--report", "json=."],
        ["check", "--report", "json=missing/x.json"],
        ["check", "--report", "json=routines/out.yaml"],
        ["explain"],
        ["explain", "routines"],
        ["codes", "DG999"],
        ["schema", "poem"],
    ],
)
def test_err_bad_usage(project, capsys, arguments):
    """Bad usage is status 2 with a reason and no traceback."""
    (project / "routines/second.yaml").write_text((project / "routines/out.yaml").read_text())
    status, _, err = run(capsys, *arguments)
    assert status == 2
    assert "Traceback" not in err
    assert err.splitlines()[-1].startswith("driftgate: status 2: ")


def test_err_misspelt_command(capsys):
    """A misspelt command, or another tool's word, gets the one that was probably meant; a file gets check."""
    for word, words in {
        "chekc": "Did you mean 'check'?",
        "run": "Did you mean 'check'?",
        "init": "Did you mean 'new'?",
        "out.yaml": "to judge a file: driftgate check out.yaml",
        "my out.yaml": "driftgate check 'my out.yaml'",
        "xyzzy": "driftgate --help lists them",
    }.items():
        status, _, err = run(capsys, word)
        assert status == 2
        assert words in err.splitlines()[-1]


def test_law_no_command_says_what_to_do_first(tmp_path, monkeypatch, capsys):
    """Without a command: how to begin a project, or what to do with the routines that are here; status 2."""
    monkeypatch.chdir(tmp_path)
    status, out, err = run(capsys)
    assert (status, out) == (2, "")
    assert "driftgate new my-robot" in err
    write_project(tmp_path)
    _, _, err = run(capsys)
    assert "driftgate check " in err
    assert "driftgate new" not in err
    assert err.splitlines()[-1] == "driftgate: status 2: bad usage: no command was given"


def test_law_nothing_matched(tmp_path, monkeypatch, capsys):
    """Status 5 where there is nothing to check."""
    monkeypatch.chdir(tmp_path)
    for command in ("check", "validate"):
        status, _, err = run(capsys, command)
        assert status == 5
        assert "driftgate: status 5: there is no folder routines/ here" in err
        assert "'driftgate new' begins a project" in err


def test_law_all_reports_from_one_run(project, capsys):
    """Three reports from one run: valid JSON, well-formed JUnit, Markdown; then the terminal."""
    status, out, _ = run(
        capsys, *CHECK, "--report", "json=r.json", "--report", "junit=r.xml", "--report", "markdown=r.md"
    )
    assert status == 0
    assert "half-way" in out
    schema = run(capsys, "schema", "report")[1]
    jsonschema.validate(json.loads((project / "r.json").read_text()), json.loads(schema))
    assert etree.parse(project / "r.xml").getroot().tag == "testsuites"
    assert (project / "r.md").read_text().startswith("### driftgate: pass")


def test_law_quiet_pass_prints_nothing(project, capsys):
    """Quiet and passing: nothing on stdout, one line on stderr."""
    status, out, err = run(capsys, *CHECK, "--quiet")
    assert (status, out) == (0, "")
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize("title", ['"\\e[31mred\\0"', '"a\\u202Eb"', "'<script>|`@x`'", '"x ]]> &amp; y"'])
def test_law_hostile_title_in_every_format(project, capsys, title):
    """A hostile title either has its finding or reaches every format harmlessly; never a traceback."""
    path = project / "routines/out.yaml"
    path.write_text(path.read_text().replace("title: Out and stop", f"title: {title}"))
    status, out, err = run(
        capsys, *CHECK, "--report", "json=r.json", "--report", "junit=r.xml", "--report", "markdown=r.md"
    )
    assert status in (0, 2)
    assert "Traceback" not in err
    assert "\x1b" not in out
    assert "\u202e" not in out
    json.loads((project / "r.json").read_text())
    etree.parse(project / "r.xml")
    assert "<script" not in (project / "r.md").read_text()


def test_law_explain_tells_everything(project, capsys):
    """Explain has a section for each stage, both engines' figures, and the case's status."""
    status, out, _ = run(capsys, "explain", "routines/out.yaml", "--trials", "200", "--workers", "1")
    assert status == 0
    for words in (
        "Timeline",
        "Clearance",
        "Sight lines",
        "Dark",
        "spread, cov.",
        "spread, trials",
        "heading bias",
        "wrongly accepted",
        "wrongly refused",
        "stages in the robot's order: association, validity, echo, gate, persistence, update",
        "Is the filter right about its own errors?",
        "Keep clear of a moving robot",
    ):
        assert words in out
    assert run(capsys, "explain", "routines/out.yaml", "--mirrored", "--trials", "50", "--workers", "1")[
        0
    ] in (0, 1)


def test_law_explain_filter_alone(project, capsys):
    """With --filter explain shows the filter's section, the case and the cautions, and nothing else."""
    _, out, _ = run(capsys, "explain", "routines/out.yaml", "--filter", "--trials", "200", "--workers", "1")
    assert "Is the filter right about its own errors?" in out
    assert "Truth inside the filter's own regions" in out
    assert "side: as written" in out
    assert "Keep clear of a moving robot" in out
    assert "Timeline" not in out
    assert "Sight lines" not in out


def test_law_explain_infeasible(project, capsys):
    """An infeasible plan is explained as far as it goes, status 1."""
    path = project / "routines/out.yaml"
    path.write_text(path.read_text().replace("time_limit: 10 s", "time_limit: 1 s"))
    status, out, _ = run(capsys, "explain", "routines/out.yaml")
    assert status == 1
    assert "DG202" in out
    assert "nothing is predicted" in out


def test_law_validate(project, capsys):
    """Validate passes sound files, and points at faults, without predicting."""
    status, _, err = run(capsys, "validate")
    assert (status, err.strip()) == (0, "driftgate: status 0: 1 sound routine, no errors")
    status, _, err = run(capsys, "validate", "fieldmaps/box.yaml")
    said = "driftgate: status 0: 1 sound file that is no routine, no errors"
    assert (status, err.strip()) == (0, said)
    status, _, err = run(capsys, "validate", "fieldmaps", "routines/robots")
    assert (status, "2 sound files that are no routines" in err) == (0, True)
    status, _, err = run(capsys, "validate", "routines", "fieldmaps")
    assert err.strip() == "driftgate: status 0: 1 sound routine, no errors"
    (project / "fieldmaps/box.yaml").write_text("kind: field map\n")
    status, out, _ = run(capsys, "validate")
    assert status == 2
    assert "fieldmaps/box.yaml" in out
    assert "::error" not in out


def test_law_validate_shows_faults_beside_their_lines(project, capsys, monkeypatch):
    """SARIF and workflow commands name file, line and column; the latter by themselves on a server."""
    path = project / "fieldmaps/box.yaml"
    path.write_text(path.read_text().replace("title: Box", "titel: Box"))
    monkeypatch.setenv("GITHUB_ACTIONS", "true")
    status, out, _ = run(capsys, "validate", "--report", "sarif=v.sarif")
    assert status == 2
    assert "::error file=fieldmaps/box.yaml,line=3,col=1,title=DG108" in out
    (found,) = json.loads((project / "v.sarif").read_text())["runs"]
    places = [r["locations"][0]["physicalLocation"]["region"] for r in found["results"]]
    assert {"startLine": 3, "startColumn": 1} in places
    path.write_text(path.read_text().replace("titel: Box", "title: Box"))
    status, out, _ = run(capsys, "validate", "--report", "sarif=v.sarif")
    assert (status, out) == (0, "")
    assert json.loads((project / "v.sarif").read_text())["runs"][0]["results"] == []


def test_law_schemas_are_schemas(project, capsys):
    """Every kind has a JSON Schema, on stdout or in a file."""
    for kind in KINDS:
        status, out, _ = run(capsys, "schema", kind)
        assert status == 0
        jsonschema.Draft202012Validator.check_schema(json.loads(out))
        assert run(capsys, "schema", kind, "-o", f"{kind}.json")[0] == 0
        assert (project / f"{kind}.json").read_text() == out


def test_law_codes(capsys):
    """Every code is listed and explained, in upper or lower case; a beginning lists those that have it."""
    from driftgate.core.rules import RULES

    _, listed, _ = run(capsys, "codes")
    assert [line.split()[0] for line in listed.splitlines()] == sorted(RULES)
    for rule in RULES.values():
        status, out, _ = run(capsys, "codes", rule.code.lower())
        assert status == 0
        assert out.startswith(f"{rule.code}  {rule.title}\n\n")
        assert " ".join(rule.explanation.split()) in " ".join(out.split())
    _, family, _ = run(capsys, "codes", "dg90")
    assert [line.split()[0] for line in family.splitlines()] == ["DG901", "DG902"]


def test_law_every_code_is_said_somewhere():
    """No code is explained that nothing says, and none is said that nothing explains."""
    from driftgate.core.rules import RULES

    source = Path(main.__file__).parents[1]
    paths = [path for path in source.rglob("*.py") if not path.name.startswith("rules")]
    said = set(re.findall(r"\bDG\d{3}\b", "\n".join(path.read_text() for path in paths)))
    assert said == set(RULES)


def test_law_help_teaches():
    """Every command has help with examples, and the group lists the statuses."""
    runner = CliRunner()
    top = runner.invoke(main.cli, ["--help"])
    assert top.exit_code == 0
    for status in ("0 ", "1 ", "2 ", "3 ", "5 ", "130 "):
        assert f"\n    {status}" in top.output
    for name in main.COMMANDS:
        assert f"\n  {name} " in top.output
        page = runner.invoke(main.cli, [name, "--help"])
        assert page.exit_code == 0
        assert "Examples:\n    " in page.output


@pytest.mark.parametrize("name", ["", *main.COMMANDS])
def test_law_help_fits_a_terminal_of_eighty_columns(name):
    """No line is longer than a terminal, no placeholder is one of the library's, every option is told of."""
    page = CliRunner().invoke(main.cli, [*([name] if name else []), "--help"], terminal_width=80).output
    assert max(map(len, page.splitlines())) <= 80
    for word in ("INTEGER", "RANGE", "TEXT", "922337", "x<="):
        assert word not in page
    command = main.cli.get_command(click.Context(main.cli), name) if name else main.cli
    assert command is not None
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name


def test_err_numbers_are_answered_in_words(project, capsys):
    """A count that is no count says what to write, one out of bounds says the bound."""
    for value, words in {
        "1e4": "'1e4' is no whole number; write digits alone, such as 4000",
        "0": "0 is too small: at least 1",
        "99999999": "99999999 is too large: at most 10000000",
    }.items():
        assert words in run(capsys, "check", "--trials", value)[2]


def test_err_what_is_missing_is_offered(project, capsys):
    """Without the routine that a command needs the routines here are named; a bare report gets its format."""
    status, _, err = run(capsys, "explain")
    assert status == 2
    assert "Missing argument 'ROUTINE'" in err
    assert "Here there are routines/out.yaml" in err
    assert "write junit=gate.xml" in run(capsys, "check", "--report", "gate.xml")[2]
    assert "; write " not in run(capsys, "check", "--report", "gate.pdf")[2]


def test_err_wrong_folder_or_file_names_the_right_one(project, capsys, monkeypatch):
    """A path that is not there gets the one that was meant; a folder too deep or too high is told the way."""
    assert "hint: did you mean 'routines/out.yaml'?" in run(capsys, "check", "routines/otu.yaml")[1]
    assert "hint: did you mean 'routines/out.yaml'?" in run(capsys, "check", "out")[1]
    assert "hint: did you mean 'fieldmaps/box.yaml'?" in run(capsys, "check", "--field", "boxx.yaml")[1]
    assert "hint: there is fieldmaps/box.yaml" in run(capsys, "check", "--field", "boks.yaml")[1]
    # No robot stands in for a routine, unless it is beside what was named.
    assert "hint: there is routines/out.yaml\n" in run(capsys, "settings", "routines/smal.yaml")[1]
    assert "'routines/robots/small.yaml'?" in run(capsys, "validate", "routines/robots/smal.yaml")[1]
    assert "hint: there is routines/out.yaml\n" in run(capsys, "settings", "routines/nope.yaml")[1]
    monkeypatch.chdir(project / "routines/robots")
    assert "there is one further up: cd ../.." in run(capsys, "check")[2]
    above = project / "above"
    (above / "inner/routines").mkdir(parents=True)
    (project / "routines").rename(project / "elsewhere")
    monkeypatch.chdir(above)
    assert "there is one in inner: cd inner" in run(capsys, "check")[2]


def test_err_reference_out_of_the_folder_says_where_to_call(project, capsys, monkeypatch):
    """In routines/, with nothing that marks the repository, a reference leaves it: the way out is told."""
    (project / "pyproject.toml").unlink()
    monkeypatch.chdir(project / "routines")
    status, out, _ = run(capsys, "check", "out.yaml")
    assert status == 2
    assert "DG120: the reference leaves the repository" in out
    assert "call driftgate from the folder that holds routines/" in out


def test_err_internal_fault_is_status_three(project, capsys, monkeypatch):
    """A fault of our own is one line; the traceback comes only when asked for."""

    def broken(*_):
        raise RuntimeError("boom")

    monkeypatch.setattr("driftgate.run.check.load_inputs", broken)
    status, _, err = run(capsys, "check")
    assert status == 3
    assert len(err.splitlines()) == 1
    assert err.startswith("driftgate: status 3: a fault in driftgate (RuntimeError: boom); set DRIFTGATE")
    monkeypatch.setenv("DRIFTGATE_TRACEBACK", "1")
    assert "Traceback" in run(capsys, "check")[2]


def test_law_interrupt_is_status_130(project, capsys, monkeypatch):
    """The interrupt key is status 130."""

    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("driftgate.run.check.load_inputs", interrupted)
    status, _, err = run(capsys, "check")
    assert (status, err.strip()) == (130, "driftgate: status 130: interrupted")


def test_law_process_statuses(project):
    """As a process of its own: the same statuses, no colour in a pipe, version."""
    done = spawn(*CHECK, cwd=project)
    assert done.returncode == 0
    assert "\x1b" not in done.stdout + done.stderr
    assert spawn("check", "--trials", "x", cwd=project).returncode == 2
    assert spawn("--version").stdout.startswith("driftgate ")


def test_law_interrupt_leaves_no_worker(project):
    """Interrupted in the middle of its work, the process ends with 130 and takes its workers along."""
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "driftgate",
            "check",
            "--sample",
            "fixed",
            "--trials",
            "2000000",
            "--workers",
            "2",
        ],
        cwd=project,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        deadline = time.monotonic() + 60.0
        while len(_members(process.pid)) < 4 and time.monotonic() < deadline:
            time.sleep(0.1)
        os.kill(process.pid, signal.SIGINT)
        _, err = process.communicate(timeout=60)
        assert process.returncode == 130
        assert err.splitlines()[-1] == "driftgate: status 130: interrupted"
        deadline = time.monotonic() + 20.0
        while _members(process.pid) and time.monotonic() < deadline:
            time.sleep(0.1)
        assert _members(process.pid) == []
    finally:
        for member in _members(process.pid):
            os.kill(member, signal.SIGKILL)


def _members(session):
    """Return the processes of a session that are not mere zombies."""
    found = []
    for name in os.listdir("/proc"):
        if name.isdigit():
            try:
                with open(f"/proc/{name}/stat") as file:
                    fields = file.read().rsplit(")", 1)[1].split()
            except OSError:
                continue
            if int(fields[3]) == session and fields[0] != "Z":
                found.append(int(name))
    return found


def test_law_closed_output_changes_no_status(project):
    """A reader that goes away early does not change the verdict."""
    process = subprocess.Popen(
        [sys.executable, "-m", "driftgate", *CHECK],
        cwd=project,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    process.stdout.close()
    err = process.stderr.read()
    process.stderr.close()
    assert process.wait(60) == 0
    assert err.splitlines()[-1] == "driftgate: status 0: all 3 tolerances hold"


@pytest.mark.parametrize(
    ("choice", "environment", "coloured"),
    [
        ("always", {"NO_COLOR": "1"}, True),
        ("never", {"FORCE_COLOR": "1"}, False),
        ("auto", {"NO_COLOR": "1", "FORCE_COLOR": "1"}, False),
        ("auto", {"FORCE_COLOR": "1"}, True),
        ("auto", {"NO_COLOR": ""}, False),
    ],
)
def test_law_colour_policy(monkeypatch, choice, environment, coloured):
    """The option decides, then NO_COLOR, then FORCE_COLOR, then whether this is a terminal."""
    for name in ("NO_COLOR", "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert wants_colour(choice) is coloured


def test_law_small_commands_import_little():
    """Version, help and codes import no array library, no models and no YAML."""
    code = (
        "import sys\nfrom driftgate.cli import main\nmain.run(sys.argv[1:])\n"
        "heavy = {'numpy', 'scipy', 'shapely', 'pydantic', 'yaml'} & set(sys.modules)\n"
        "print(sorted(heavy), file=sys.stderr)"
    )
    for arguments in (["--version"], ["--help"], ["codes"]):
        done = subprocess.run(
            [sys.executable, "-c", code, *arguments], capture_output=True, text=True, timeout=60
        )
        assert done.stderr.strip().endswith("[]")


def test_law_day_comes_from_option_or_environment(project, capsys, monkeypatch):
    """--today and DRIFTGATE_TODAY decide whether an exception has expired; no day is bad usage."""
    path = project / "routines/out.yaml"
    entry = '  - {code: DG204, step: out, reason: foam, until: "2026-12-01"}\n'
    path.write_text(path.read_text() + "accepted:\n" + entry)
    assert "DG902" in run(capsys, *CHECK, "--today", "2026-12-01")[1]
    assert "DG901" in run(capsys, *CHECK, "--today", "2026-12-02")[1]
    monkeypatch.setenv("DRIFTGATE_TODAY", "2026-12-02")
    assert "DG901" in run(capsys, *CHECK)[1]
    assert run(capsys, *CHECK, "--today", "2026-2-3")[0] == 2
    assert "A routine may accept" in run(capsys, "codes", "DG204")[1]
    assert "A routine may accept" not in run(capsys, "codes", "DG401")[1]


def test_law_budget(project, capsys):
    """The budget's tables go to stdout and, asked for, into files; the status is the case's own."""
    command = ("budget", "routines/out.yaml", "--trials", "400", "--redraws", "200", "--workers", "1")
    status, out, err = run(capsys, *command, "--report", "json=b.json", "--report", "markdown=b.md")
    assert status == 0
    assert "half-way (line 12), x: within 50 mm" in out
    assert json.loads((project / "b.json").read_text())["schema"] == "driftgate-budget/1"
    assert "only together" in (project / "b.md").read_text()
    assert err.splitlines()[-1] == "driftgate: status 0: all 3 tolerances hold"


def test_law_budget_in_depth(project, capsys):
    """Growth and single changes come when asked for, and in the command that gives them again."""
    command = ("budget", "routines/out.yaml", "--trials", "200", "--redraws", "100", "--workers", "1")
    status, out, _ = run(capsys, *command, "--grow", "--improve")
    assert status == 0
    assert "How much each source may grow" in out
    assert "1. " in out[out.index("What single changes would buy") :]
    assert "--redraws 100 --seed 1 --grow --improve" in out
    assert "How much each source may grow" not in run(capsys, *command)[1]


def test_err_budget_usage(project, capsys):
    """What the budget cannot do is refused in one line before any work."""
    for more in (("--carry-field",), ("--report", "junit=b.xml"), ("--redraws", "5")):
        status, out, err = run(capsys, "budget", "routines/out.yaml", *more)
        assert (status, out) == (2, "")
        assert err.splitlines()[-1].startswith("driftgate: status 2: bad usage")


def test_law_bad_usage_is_said_once(project, capsys):
    """How the command is used, and once what is wrong."""
    _, _, err = run(capsys, "check", "--erosion", "fail")
    assert err.count("--erosion and --allowed-loss need --baseline") == 1
    assert err.startswith("Usage: driftgate check")
    assert "Try 'driftgate check --help' for help." in err
    _, _, err = run(capsys, "check", "--trials", "many")
    assert len(err.splitlines()) == 1, "a bad value says nothing about how the command is used"


def test_law_a_heading_beyond_a_turn_is_told(project, capsys):
    """900 deg is 180 deg as a heading: a warning says so, and nothing else comes of it."""
    path = project / "routines/out.yaml"
    text = path.read_text().replace(
        "steps:\n", "steps:\n  - {do: turn, to: 900 deg}\n  - {do: turn, to: 360 deg}\n", 1
    )
    path.write_text(text)
    status, out, _ = run(capsys, "validate", "routines/out.yaml")
    assert status == 0
    assert out.count("DG146") == 1
    assert "a heading of 900 deg is one of 180 deg" in out


@pytest.mark.parametrize(
    ("changes", "warned"),
    [
        (["  compensate_latency: true\n=>"], True),
        (["  compensate_latency: true\n=>", "    latency: 25 ms=>    latency: 1 ms"], False),
        (["  compensate_latency: true\n=>", "  when: always=>  when: looking"], False),
        (["  compensate_latency: true\n=>", "  enabled: true=>  enabled: false"], False),
        ([], False),
    ],
    ids=["not compensated", "too little to matter", "only looks", "no correction", "compensated"],
)
def test_law_old_readings_that_nothing_takes_out_are_warned_of(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    changes: list[str],
    warned: bool,
):
    """With how far the robot is on by then and what to write; once for a robot, and the status is 0."""
    text = (Path(__file__).parents[2] / "routines/robots/wren.yaml").read_text()
    for change in changes:
        old, new = change.split("=>")
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "wren.yaml").write_text(text)
    monkeypatch.chdir(tmp_path)
    status, out, _ = run(capsys, "validate", "wren.yaml")
    assert status == 0
    said = [line for line in out.splitlines() if "DG150" in line]
    assert len(said) == warned
    if warned:
        line = text[: text.index("    latency: ")].count("\n") + 1
        assert (
            f"wren.yaml:{line}:14: warning DG150: readings of 'front' are 25 ms old, and 3 more " in said[0]
        )
        assert said[0].endswith("at 1.3 m/s the robot is 32.5 mm further on by then")
        assert "write 'compensate_latency: true' under 'correction'" in out


@pytest.mark.parametrize("name", sorted(main.COMMANDS))
def test_law_a_default_is_said_without_a_second_pair_of_brackets(
    name: str, capsys: pytest.CaptureFixture[str]
):
    """Every default reads [default: ...]."""
    assert main.run([name, "--help"]) == 0
    told = re.sub(r"\s+", " ", capsys.readouterr().out)
    assert "[default: (" not in told


def test_law_linear_algebra_has_one_thread_unless_told():
    """All its libraries are told so, but the one that somebody has set."""
    words = (
        "import os; from driftgate.cli import main; from driftgate.core.threads import ONE_THREAD; "
        "main.run = lambda _: print(*(os.environ[name] for name in ONE_THREAD)) or 0; main.entry()"
    )
    names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
    inherited = {name: value for name, value in os.environ.items() if name not in names}
    done = subprocess.run(
        [sys.executable, "-c", words], env={**inherited, names[1]: "4"}, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert (done.stdout.split(), done.returncode) == (["1", "4", "1"], 0)
