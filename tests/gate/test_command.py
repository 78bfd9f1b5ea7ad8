"""The command as a build server runs it: a process of its own, on siblings of the shipped scenario."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET

from glasshouse import WREN, Glasshouse

DASH = "routines/corner-dash.yaml"


def spawn(house: Glasshouse, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run driftgate in a process of its own, with an environment that says nothing about colour."""
    plain = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "FORCE_COLOR")}
    return subprocess.run(
        [sys.executable, "-m", "driftgate", *arguments],
        cwd=house.folder,
        env={**plain, **environment},
        capture_output=True,
        text=True,
        timeout=120,
    )


def test_law_failing_build(house: Glasshouse):
    """A tolerance too tight: status 1 and why on the last line, and all three reports from one run."""
    house.alone("corner-dash").edit(DASH, ("heading: 2.5 deg", "heading: 1.25 deg"))
    done = spawn(
        house,
        *("check", DASH, "--trials", "1500", "--workers", "1"),
        *("--report", "json=gate.json", "--report", "junit=gate.xml", "--report", "markdown=gate.md"),
        *("--report", "sarif=gate.sarif", "--annotate", "always"),
        NO_COLOR="1",
        FORCE_COLOR="1",
    )
    line = house.line(DASH, "within:")
    reason = "The error in heading is mostly spread"
    assert done.returncode == 1
    assert done.stderr.splitlines()[-1] == "driftgate: status 1: 1 of 2 tolerances breaks"
    assert "\x1b" not in done.stdout + done.stderr
    assert "fail DG401" in done.stdout
    assert f"line {line}" in done.stdout
    assert reason in done.stdout
    assert "driftgate check routines/corner-dash.yaml --trials 1500 --seed 1" in done.stdout

    document = json.loads((house.folder / "gate.json").read_text())
    text = json.dumps(document)
    assert (document["status"], document["why"]) == (1, "1 of 2 tolerances breaks")
    assert reason in text
    assert "DG401" in text
    # The plan, the end and contact.
    suite = ET.parse(house.folder / "gate.xml").getroot().find("testsuite")
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("3", "1", "0")
    (failed,) = [test for test in suite.iter("testcase") if test.find("failure") is not None]
    assert (failed.get("file"), failed.get("line")) == (DASH, str(line))
    assert failed.find("failure").get("type") == "DG401"
    assert reason in failed.find("failure").text
    touched = next(test for test in suite.iter("testcase") if test.get("name") == "contact")
    assert touched.get("line") == str(house.line(DASH, "contact_allowed:"))
    assert document["cases"][0]["prediction"]["contact"]["line"] == house.line(DASH, "contact_allowed:")

    (result,) = json.loads((house.folder / "gate.sarif").read_text())["runs"][0]["results"]
    place = result["locations"][0]["physicalLocation"]
    assert (place["artifactLocation"]["uri"], place["region"]["startLine"]) == (DASH, line)
    assert reason in result["message"]["text"]
    steps = [p["physicalLocation"]["region"]["startLine"] for p in result["relatedLocations"]]
    assert house.line(DASH, "name: close-in") in steps
    (command,) = [text for text in done.stdout.splitlines() if text.startswith("::")]
    assert command.startswith(f"::error file={DASH},line={line},col=3,title=DG401 tolerance breaks::end fail")

    summary = (house.folder / "gate.md").read_text()
    assert summary.startswith("### driftgate: fail")
    assert "DG401" in summary
    assert f"line {line}" in summary


def test_law_commands_only_where_they_are_read(house: Glasshouse):
    """Workflow commands follow the option, and by themselves the server that reads them; status the same."""
    house.edit(DASH, ("time_limit: 6 s", "time_limit: 6"))
    line = house.line(DASH, "time_limit")
    for option, server, expected in (
        ((), "", 0),
        ((), "true", 1),
        (("--annotate", "never"), "true", 0),
        (("--annotate", "always"), "", 1),
    ):
        done = spawn(house, "check", DASH, *option, GITHUB_ACTIONS=server)
        found = [text for text in done.stdout.splitlines() if text.startswith("::")]
        assert (done.returncode, len(found)) == (2, expected)
        for text in found:
            assert text.startswith(f"::error file={DASH},line={line},col=13,title=DG111 ")


def test_law_contact_stands_at_final_without_an_allowance(house: Glasshouse):
    """Where a routine does not say how much contact is allowed, contact stands where `final` begins."""
    house.alone("corner-dash")
    text = (house.folder / DASH).read_text()
    (house.folder / DASH).write_text(re.sub(r"(?m)^  contact_allowed:.*\n", "", text))
    spawn(house, "check", DASH, "--trials", "20", "--workers", "1", "--report", "junit=gate.xml")
    suite = ET.parse(house.folder / "gate.xml").getroot().find("testsuite")
    lines = {t.get("line") for t in suite.iter("testcase") if t.get("name") == "contact"}
    assert lines == {str(house.line(DASH, "final:"))}


def test_law_colour_only_where_asked_for(house: Glasshouse):
    """The same run coloured and plain: the words are the same, and a pipe gets none unasked."""
    arguments = ("check", DASH, "--trials", "20", "--workers", "1")
    house.alone("corner-dash")
    plain = spawn(house, *arguments)
    assert "\x1b" not in plain.stdout
    for forced in (spawn(house, *arguments, FORCE_COLOR="1"), spawn(house, *arguments, "--color", "always")):
        assert "\x1b[33mundecided" in forced.stdout
        assert re.sub(r"\x1b\[\d*m", "", forced.stdout) == plain.stdout
    assert spawn(house, *arguments, FORCE_COLOR="1", NO_COLOR="1").stdout == plain.stdout


def test_law_infeasible_build(house: Glasshouse):
    """A plan that cannot be driven: status 1, its place, caret and advice, and a failure for the server."""
    house.alone("corner-dash").edit(DASH, ("speed: 0.9 m/s", "speed: 2.4 m/s"))
    done = spawn(house, "check", DASH, "--workers", "1", "--report", "junit=gate.xml")
    line = house.line(DASH, "2.4 m/s")
    lines = done.stdout.splitlines()
    at = next(i for i, text in enumerate(lines) if f"{DASH}:{line}:12: error DG201: a speed of 2.4" in text)
    assert done.returncode == 1
    assert done.stderr.splitlines()[-1] == "driftgate: status 1: 1 plan infeasible"
    assert lines[at + 1][lines[at + 2].index("^") :] == "2.4 m/s"
    assert "ask for at most 1.8 m/s" in lines[at + 3]
    assert len(list(ET.parse(house.folder / "gate.xml").iter("failure"))) == 1


def test_law_two_broken_files_at_once(house: Glasshouse):
    """A limit without its unit and a misspelt key in another file: both places, status 2, no prediction."""
    house.edit(DASH, ("time_limit: 6 s", "time_limit: 6"))
    house.edit(WREN, ("  compensate_latency:", "  compensate_latencey:"))
    done = spawn(house, "check", "--report", "json=gate.json", "--report", "junit=gate.xml")
    dash, wren = house.line(DASH, "time_limit"), house.line(WREN, "compensate_latencey")
    lines = done.stdout.splitlines()
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1] == "driftgate: status 2: 2 errors in the files"
    assert f"{DASH}:{dash}:13: error DG111: a time needs its unit" in lines
    assert f"{WREN}:{wren}:3: error DG108: unknown key 'compensate_latencey'" in lines
    assert any("did you mean 'compensate_latency'?" in text for text in lines)
    assert "Traceback" not in done.stderr
    document = json.loads((house.folder / "gate.json").read_text())
    assert (document["status"], document["cases"]) == (2, [])
    assert len(list(ET.parse(house.folder / "gate.xml").iter("error"))) == 2


def test_law_nothing_matched(house: Glasshouse):
    """Robots and field maps alone are no routine: status 5, from the folder and from a path."""
    routines = house.folder / "routines"
    for path in (*routines.glob("*.yaml"), routines / "calibration" / "drive.yaml"):
        path.unlink()
    for arguments in ((), ("routines",)):
        done = spawn(house, "check", *arguments)
        assert (done.returncode, done.stdout.strip()) == (5, "")
        last = done.stderr.splitlines()[-1]
        assert last.startswith("driftgate: status 5: no routine was found")
