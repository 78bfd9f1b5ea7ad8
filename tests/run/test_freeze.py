"""A code freeze and its verification: planted changes of every kind, waivers, the field of the day."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import jsonschema
import pytest
from lxml import etree
from small_project import write_project

from driftgate.load.manifest import load_manifest, sealed
from driftgate.report.record_schema import verification_schema
from driftgate.report.verify_formats import render_as
from driftgate.report.verify_model import Verification
from driftgate.report.verify_text import needed_words, render_verification, verification_markdown
from driftgate.run import verify as verify_module
from driftgate.run.check import CheckSettings
from driftgate.run.freeze import freeze_routines
from driftgate.run.inputs import load_inputs
from driftgate.run.robot_files import text_hash
from driftgate.run.software import tool_facts
from driftgate.run.status import InputError
from driftgate.run.verify import VerifySettings, verify
from strict_schema import strict

TODAY = date(2026, 11, 26)
ROUTINE = Path("routines/out.yaml")
ROBOT = Path("routines/robots/small.yaml")
FIELD = Path("fieldmaps/box.yaml")
MANIFEST = Path("routines/code.freeze")
WAIVERS = Path("routines/waivers.yaml")


def small(**settings):
    """Return settings of a small run."""
    return CheckSettings(trials=200, sample="fixed", today=TODAY, **settings)


@pytest.fixture(scope="module")
def frozen_project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the small project with a manifest of it; made once, never changed."""
    folder = write_project(tmp_path_factory.mktemp("frozen"))
    # Contact is judged over all trials; with a few hundred, none at all cannot be shown.
    path = folder / ROUTINE
    path.write_text(path.read_text() + "  contact_allowed: 5 %\n")
    (folder / "routines/twin.yaml").write_text(path.read_text().replace("to: [2.2 m", "to: [2.1 m"))
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        frozen = freeze_routines(small())
    assert frozen.text, frozen.report.why
    (folder / MANIFEST).write_text(frozen.text)
    return folder


@pytest.fixture
def project(frozen_project: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a copy of it, as the current folder."""
    folder = tmp_path / "copy"
    shutil.copytree(frozen_project, folder)
    monkeypatch.chdir(folder)
    return folder


def edit(path: Path, *edits: tuple[str, str]) -> None:
    """Change a file's text."""
    text = path.read_text()
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    path.write_text(text)


def verified(today: date = TODAY, **settings) -> Verification:
    """Verify the current folder."""
    return verify(VerifySettings(MANIFEST, today, **settings))


def found(verification: Verification, level: str = "error") -> list[tuple[str, str]]:
    """Return code and file of the findings of a level."""
    return [(f.code, f.path) for f in sorted(verification.findings) if f.level == level]


def messages(verification: Verification, code: str) -> list[str]:
    """Return the messages of a code."""
    return [f.message for f in sorted(verification.findings) if f.code == code]


def test_law_a_clean_freeze_passes_with_the_same_bytes_twice(project: Path):
    """Freezing again gives the same manifest, verifying again the same reports, and nothing is found."""
    assert freeze_routines(small()).text == MANIFEST.read_text()
    first, second = verified(), verified()
    assert (first.status, first.findings, first.rejudged) == (0, (), ())
    assert first.why == "4 files as frozen"
    for form in ("json", "junit", "markdown"):
        assert render_as(form, first) == render_as(form, second)
    assert render_verification(first) == render_verification(second)


def test_err_what_does_not_pass_is_not_frozen(project: Path):
    """A tolerance that breaks leaves no manifest."""
    edit(ROUTINE, ("x: 50 mm", "x: 1 mm"))
    frozen = freeze_routines(small())
    assert (frozen.report.status, frozen.text, frozen.digest) == (1, "", "")


def test_err_a_name_that_no_manifest_can_hold(project: Path):
    """A file name with a line feed is refused in words."""
    ROUTINE.rename("routines/out\nof.yaml")
    with pytest.raises(InputError, match="plain name"):
        freeze_routines(small())


def test_law_the_manifest_is_taken_for_no_routine(project: Path):
    """What is loaded from the folder is what was loaded before the manifest lay there."""
    assert [r.document.path for r in load_inputs(()).routines] == ["routines/out.yaml", "routines/twin.yaml"]


# --- planted changes

OUT = ("DG704", "routines/out.yaml")
OUTPUT = ("DG709", "routines/out.yaml")
TWIN_OUTPUT = ("DG709", "routines/twin.yaml")


@pytest.mark.parametrize(
    ("path", "change", "said", "codes"),
    [
        (ROUTINE, ("to: [1.4 m", "to: [1.41 m"),
         "step 1 'out' (drive): to.x: 1400 mm -> 1410 mm", [OUTPUT, OUT]),
        (ROUTINE, ("x: 50 mm", "x: 60 mm"), "step 2 'half-way' (checkpoint): within.x: 50 mm -> 60 mm "
         "(a tolerance is wider)", [OUTPUT, OUT]),
        (ROBOT, ("at_zero: 4 mm", "at_zero: 5 mm"), "sensors.front: errors.noise.at_zero: 4 mm -> 5 mm",
         [OUTPUT, ("DG704", "routines/robots/small.yaml"), TWIN_OUTPUT]),
        (FIELD, ("corner: [3 m, 2 m]", "corner: [3.01 m, 2 m]"),
         "corner of walls 'east' and 'north': x: 3000 mm -> 3010 mm",
         [("DG704", "fieldmaps/box.yaml"), OUTPUT, TWIN_OUTPUT]),
    ],
)  # fmt: skip
def test_law_a_changed_value_fails_and_is_named(project, path, change, said, codes):
    """Status 1; the value with both states, at its line; robot files that come out otherwise."""
    edit(path, change)
    verification = verified()
    assert verification.status == 1
    assert found(verification) == sorted(codes, key=lambda c: (c[1], c[0] == "DG704"))
    (message,) = messages(verification, "DG704")
    assert message == f"changed since the freeze: {said}"
    (finding,) = [f for f in verification.findings if f.code == "DG704"]
    assert change[1].split(": ")[0] in finding.excerpt
    judged = {row.path for row in verification.rejudged}
    both = {"routines/out.yaml", "routines/twin.yaml"}
    assert judged == ({"routines/out.yaml"} if path == ROUTINE else both)
    assert [(need.file, need.verdict) for need in verification.needed] == [(path.as_posix(), "pass")]
    for text in (render_verification(verification), verification_markdown(verification)):
        codes_said = re.findall("DG70[0-9]", text)
        assert codes_said == ["DG704"] + ["DG709"] * (len(codes_said) - 1), "the edit, then what follows"
    assert all(message.startswith("so the robot's") for message in messages(verification, "DG709"))


@pytest.mark.parametrize(
    "change",
    [
        lambda text: f"# A word.\n{text}",
        lambda text: text.replace("title: Out and stop", "title: Out and halt"),
        lambda text: text.replace("1.4 m, 1 m", "1400 mm, 1.0 m"),
        lambda text: text.replace("required: 90 %\n  contact", "required:   90 %\n  contact"),
    ],
)
def test_law_an_edit_that_means_the_same_is_noted(project: Path, change: Callable[[str], str]):
    """Comments, titles, units and spacing pass, with a note; nothing is judged again."""
    before = ROUTINE.read_text()
    ROUTINE.write_text(change(before))
    assert ROUTINE.read_text() != before
    verification = verified()
    assert (verification.status, verification.rejudged) == (0, ())
    assert found(verification, "note") == [("DG705", "routines/out.yaml")]
    assert found(verification) == []
    assert verification.why == "3 files as frozen, 1 edited, but not in what it means"


def test_law_line_ends_are_noted_as_such(project: Path):
    """A file with other line ends means the same, and the note says that it is only those."""
    ROUTINE.write_bytes(b"\xef\xbb\xbf" + ROUTINE.read_bytes().replace(b"\n", b"\r\n"))
    verification = verified()
    assert verification.status == 0
    assert messages(verification, "DG705") == [
        "only line ends or a byte order mark have changed since the freeze"
    ]


def test_law_a_renamed_file_is_named_by_both_names(project: Path):
    """One finding for the file, one for the routine that names it."""
    ROBOT.rename("routines/robots/tiny.yaml")
    for path in (ROUTINE, Path("routines/twin.yaml")):
        edit(path, ("robots/small.yaml", "robots/tiny.yaml"))
    verification = verified()
    assert verification.status == 1
    assert messages(verification, "DG708") == ["renamed since the freeze: it was routines/robots/small.yaml"]
    assert (
        messages(verification, "DG704")
        == ["changed since the freeze: robot: robots/small.yaml -> robots/tiny.yaml"] * 2
    )
    assert not messages(verification, "DG706")
    assert not messages(verification, "DG707")


def test_law_files_added_and_gone_are_named(project: Path):
    """A new routine, and one that is gone."""
    Path("routines/twin.yaml").unlink()
    text = ROUTINE.read_text().replace("to: [1.4 m", "to: [1.3 m")
    Path("routines/new.yaml").write_text(text)
    verification = verified()
    assert verification.status == 1
    assert found(verification) == [("DG706", "routines/new.yaml"), ("DG707", "routines/twin.yaml")]
    assert {row.path for row in verification.rejudged} == {"routines/new.yaml"}
    assert [(n.file, n.state == "gone") for n in verification.needed] == [
        ("routines/new.yaml", False),
        ("routines/twin.yaml", True),
    ]


def test_law_everything_gone_is_named(project: Path):
    """Without any routine left every file is gone, and nothing else goes wrong."""
    for path in Path("routines").rglob("*.yaml"):
        path.unlink()
    verification = verified()
    assert verification.status == 1
    assert [code for code, _ in found(verification)] == ["DG707"] * 4


def test_err_a_file_that_does_not_load_is_status_2_with_what_changed(project: Path):
    """Its own finding, and that it has changed since the freeze."""
    edit(ROBOT, ("mass: 2 kg", "mass: 2"))
    verification = verified()
    assert verification.status == 2
    assert found(verification) == [
        ("DG704", "routines/robots/small.yaml"),
        ("DG111", "routines/robots/small.yaml"),
    ]


def test_law_a_changed_routine_that_breaks_is_named(project: Path):
    """A changed number that breaks a tolerance: the change, and the verdict."""
    edit(ROUTINE, ("x: 50 mm", "x: 1 mm"))
    verification = verified()
    assert verification.status == 1
    assert "'half-way' is judged 'fail'" in messages(verification, "DG710")[0]
    assert verification.why.startswith("1 file changed since the freeze, 1 changed routine does not pass")
    assert [n.verdict for n in verification.needed] == ["fail"]


def test_law_an_exception_that_has_ended_since_is_judged_again(project: Path):
    """A routine whose plan passes by an accepted error does not pass once its last day is over."""
    entry = '{code: DG201, step: out, level: error, reason: new motor, until: "2026-12-01"}'
    edit(ROUTINE, ("time_limit: 10 s", f"time_limit: 10 s\naccepted:\n  - {entry}"))
    edit(ROUTINE, ("to: [1.4 m, 1 m]", "to: [1.4 m, 1 m], speed: 9 m/s"))
    MANIFEST.write_text(freeze_routines(small()).text)
    assert verified().status == 0
    verification = verified(date(2026, 12, 2))
    assert verification.status == 1
    assert "the plan is infeasible: DG201" in messages(verification, "DG710")[0]
    assert found(verification, "warning") == [("DG901", "routines/out.yaml")]


# --- the tool


def test_law_another_tool_is_named_and_everything_judged_again(project: Path, monkeypatch):
    """Other source files are an error, other libraries a note."""
    now = tool_facts()
    monkeypatch.setattr(verify_module, "tool_facts", lambda: replace(now, source="ab" * 32, version="9.9"))
    verification = verified()
    assert verification.status == 1
    assert found(verification) == [("DG703", "routines/code.freeze")]
    assert "0.1.0 then, 9.9 now" in messages(verification, "DG703")[0].replace(now.version, "0.1.0")
    assert {row.path for row in verification.rejudged} == {"routines/out.yaml", "routines/twin.yaml"}
    WAIVERS.write_text(waiver("driftgate", "ab" * 6))
    assert verified().status == 0
    monkeypatch.setattr(verify_module, "tool_facts", lambda: replace(now, python="3.99"))
    WAIVERS.unlink()
    verification = verified()
    assert (verification.status, found(verification, "note")) == (0, [("DG703", "routines/code.freeze")])


def test_law_robot_files_that_come_out_otherwise_by_themselves(project: Path, monkeypatch):
    """With the same files and the same tool there is no change that a waiver could be about."""
    shared = verify_module.shared_robot_files()
    name = next(iter(shared))
    monkeypatch.setattr(verify_module, "shared_robot_files", lambda: {**shared, name: "0" * 64})
    verification = verified()
    assert verification.status == 1
    assert messages(verification, "DG709") == [
        f"the robot's shared files come out otherwise: {name}; no frozen file has changed"
    ]


def test_law_a_folder_of_robot_files_is_held_against_the_routines(project: Path):
    """As exported it passes; an edited number, a missing file and an old export do not."""
    from driftgate.run.export import export_routines, write_export

    made = Path("made")
    write_export(made, export_routines([Path("routines")], today=TODAY).cases)
    assert verified(robot_files=made).status == 0
    header = made / "out.h"
    text = header.read_text()
    header.write_text(text.replace("1.4,", "1.5,", 1))
    assert header.read_text() != text
    (made / "twin.json").unlink()
    verification = verified(robot_files=made)
    assert verification.status == 1
    assert found(verification) == [("DG709", "made/out.h"), ("DG709", "made/twin.json")]
    header.write_text(text)
    edit(ROUTINE, ("to: [1.4 m", "to: [1.41 m"))
    assert ("DG709", "made/out.h") in found(verified(robot_files=made))


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("x = 1.23456789012;", "x = 1.23456789013;", True),
        ("x = 1.2345678;", "x = 1.2345698;", False),
        ("x = -6.1e-17;", "x = 0.0;", True),
        ("x = 1e-05;", "x = 2e-05;", False),
        ("a1.5b", "a1.6b", False),
        ("steps = 12;", "steps = 13;", False),
    ],
)
def test_law_a_last_digit_is_no_other_robot_file(one: str, other: str, same: bool):
    """Seven digits count; another processor may make another last one."""
    assert (text_hash(one) == text_hash(other)) == same


# --- waivers


def waiver(file: str, state: str, verdict: str = "pass", why: str = "agreed") -> str:
    """Return a file of one waiver."""
    people = f'who: drive team, why: {why}, until: "2026-12-01"'
    entry = f'{{file: {file}, state: "{state}", verdict: {verdict}, {people}}}'
    return f"kind: waivers\nformat: 1\nwaivers:\n  - {entry}\n"


def needed(index: int = 0):
    """Return what a waiver for the change found now would say."""
    return verified().needed[index]


def test_law_a_waiver_lets_its_change_through(project: Path):
    """With the entry that is printed the change passes, listed apart with who, why and until when."""
    edit(ROUTINE, ("to: [1.4 m", "to: [1.41 m"))
    need = needed()
    WAIVERS.write_text(waiver(need.file, need.state, need.verdict))
    verification = verified()
    assert (verification.status, found(verification), verification.needed) == (0, [], ())
    assert verification.why == "1 change since the freeze, each with a waiver"
    assert {w.finding.code for w in verification.waived} == {"DG704", "DG709"}
    assert {(w.who, w.why, w.until) for w in verification.waived} == {("drive team", "agreed", "2026-12-01")}
    assert verified(date(2026, 12, 1)).status == 0, "its last day counts"


def test_err_an_expired_waiver_lets_nothing_through(project: Path):
    """The change counts again, and the waiver is a finding."""
    edit(ROUTINE, ("to: [1.4 m", "to: [1.41 m"))
    need = needed()
    WAIVERS.write_text(waiver(need.file, need.state))
    verification = verified(date(2026, 12, 2))
    assert verification.status == 1
    assert OUT in found(verification)
    assert found(verification, "warning") == [("DG711", "routines/waivers.yaml")]


def test_err_a_waiver_for_another_file_or_state_lets_nothing_through(project: Path):
    """Nor does one for the same file in another state: a further edit is another change."""
    edit(ROUTINE, ("to: [1.4 m", "to: [1.41 m"))
    need = needed()
    WAIVERS.write_text(waiver("routines/twin.yaml", need.state))
    verification = verified()
    assert (verification.status, OUT in found(verification)) == (1, True)
    assert found(verification, "warning") == [("DG712", "routines/waivers.yaml")]
    WAIVERS.write_text(waiver(need.file, need.state))
    edit(ROUTINE, ("to: [1.41 m", "to: [1.42 m"))
    verification = verified()
    assert (verification.status, OUT in found(verification)) == (1, True)
    assert "another state" in messages(verification, "DG712")[0]


def test_err_a_waiver_does_not_cover_a_worse_verdict(project: Path):
    """What was let through as passing is not let through when it breaks; as failing it is."""
    edit(ROUTINE, ("x: 50 mm", "x: 1 mm"))
    need = needed()
    assert need.verdict == "fail"
    WAIVERS.write_text(waiver(need.file, need.state, "pass"))
    verification = verified()
    assert verification.status == 1
    assert ("DG713", "routines/waivers.yaml") in found(verification)
    WAIVERS.write_text(waiver(need.file, need.state, "fail"))
    verification = verified()
    assert verification.status == 0
    assert "DG710" in {w.finding.code for w in verification.waived}
    # Whoever reads the last line alone knows that it fails.
    assert verification.why == (
        f"1 change since the freeze, each with a waiver; waived, but predicted to fail: {ROUTINE.as_posix()}"
    )


def test_err_a_consequence_of_two_changes_needs_both_waivers(project: Path):
    """What a waived and another change lead to together counts."""
    edit(ROUTINE, ("x: 50 mm", "x: 1 mm"))
    edit(ROBOT, ("at_zero: 4 mm", "at_zero: 5 mm"))
    first, second = verified().needed
    WAIVERS.write_text(waiver(first.file, first.state, "fail"))
    codes = [code for code, path in found(verified()) if path == "routines/out.yaml"]
    assert set(codes) == {"DG709", "DG710"}
    both = WAIVERS.read_text() + waiver(second.file, second.state, "fail").splitlines()[-1] + "\n"
    WAIVERS.write_text(both)
    assert verified().status == 0


def test_law_an_unused_waiver_is_a_finding(project: Path):
    """It fails nothing."""
    WAIVERS.write_text(waiver("routines/out.yaml", "0" * 12))
    verification = verified()
    assert (verification.status, found(verification, "warning")) == (0, [("DG712", "routines/waivers.yaml")])


@pytest.mark.parametrize(
    ("edits", "code"),
    [
        ((("state: \"000000000000\"", "state: short"),), "DG113"),
        ((("who: drive team, ", ""),), "DG109"),
        ((("why: agreed", 'why: " "'),), "DG112"),
        ((('until: "2026-12-01"', "until: soon"),), "DG110"),
    ],
)  # fmt: skip
def test_err_a_bad_waiver_is_status_2_at_its_place(project: Path, edits, code):
    """Who, why, which state and until when are all needed."""
    WAIVERS.write_text(waiver("routines/out.yaml", "0" * 12))
    edit(WAIVERS, *edits)
    verification = verified()
    assert verification.status == 2
    assert found(verification) == [(code, "routines/waivers.yaml")]
    assert all(finding.line == 4 for finding in verification.findings)
    assert load_inputs(()).findings == verification.findings, "validate says the same of it"


def test_law_the_first_waiver_is_printed_as_a_whole_file(project: Path):
    """With the head of the file as long as there is none; pasted and filled in it lets the change through."""
    edit(ROUTINE, ("to: [1.4 m", "to: [1.41 m"))
    text = render_verification(verified())
    begin = text.index("write to routines/waivers.yaml, a new file:")
    pasted = text[begin:].partition("\n")[2].partition("\n\n")[0]
    filled = pasted.replace('who: "", why: "", until: ""', 'who: me, why: so, until: "2026-12-01"')
    WAIVERS.write_text(filled + "\n")
    assert verified().status == 0
    edit(ROUTINE, ("to: [1.41 m", "to: [1.42 m"))
    text = render_verification(verified())
    assert "add to routines/waivers.yaml:\n  - {file:" in text


def test_err_a_waiver_as_it_is_printed_hides_no_change(project: Path):
    """What it is about is still named, value by value, and what is to be filled in."""
    ROUTINE.write_text("# a comment before all else\n" + ROUTINE.read_text())
    edit(ROUTINE, ("to: [1.4 m", "to: [1.41 m"))
    WAIVERS.write_text(f"kind: waivers\nformat: 1\nwaivers:\n  {needed_words(needed())}\n")
    verification = verified()
    assert verification.status == 2
    assert found(verification)[0] == ("DG704", "routines/out.yaml")
    waived = [f for f in verification.findings if f.path == "routines/waivers.yaml"]
    assert len(waived) == 3
    (message,) = messages(verification, "DG704")
    assert message.endswith("to.x: 1400 mm -> 1410 mm")
    assert {f.suggestion for f in waived} == {"fill in who lets it through, why, and until which day"}


def test_err_a_state_that_is_none_is_told(project: Path):
    """What it looks like, and where to get it."""
    WAIVERS.write_text(waiver("routines/out.yaml", "0" * 12).replace("000000000000", "latest"))
    (finding,) = verified().findings
    assert finding.message.startswith("'latest' is no state of a file: 12 to 64 of the digits")
    assert finding.suggestion == "take the entry that 'driftgate verify' prints"


def test_err_two_waivers_for_one_state_are_refused(project: Path):
    """Which of them would count nobody could say."""
    text = waiver("routines/out.yaml", "0" * 12)
    WAIVERS.write_text(text + text.splitlines()[-1].replace("000000000000", "0" * 20) + "\n")
    verification = verified()
    assert (verification.status, found(verification)) == (2, [("DG130", "routines/waivers.yaml")])


# --- the manifest


def test_err_a_damaged_manifest_is_status_2(project: Path):
    """One other byte, and nothing is verified."""
    edit(MANIFEST, ("margin: ", "margin:  "))
    verification = verified()
    assert verification.status == 2
    assert found(verification) == [("DG701", "routines/code.freeze")]
    assert "damaged" in verification.findings[0].message


def test_err_a_tampered_manifest_needs_the_expected_digest(project: Path):
    """With a digest that fits it is sound, and only `expect` shows that it is another one."""
    digest = load_manifest(MANIFEST).digest
    assert verified(expect=digest).status == 0
    assert verified(expect=digest[:12]).status == 0
    edit(ROUTINE, ("to: [1.4 m", "to: [1.41 m"))
    MANIFEST.write_text(freeze_routines(small()).text)
    assert verified().status == 0
    verification = verified(expect=digest[:12])
    assert (verification.status, found(verification)) == (2, [("DG702", "routines/code.freeze")])
    text = render_verification(verification)
    assert f"has the digest {verification.digest}, not {digest[:12]}" in text
    assert "again: " not in text, "nothing of it was verified"
    assert "again: " in render_verification(verified())


def test_law_a_text_that_this_driftgate_cannot_read_is_compared_as_text(project: Path):
    """A manifest of another format of documents: the change is named by its line."""
    text = MANIFEST.read_text()
    body = text[: text.rindex("digest: ")].replace("    time_limit: 10 s\n", "    time_allowed: 10 s\n")
    MANIFEST.write_text(sealed(body))
    edit(ROUTINE, ("to: [1.4 m", "to: [1.41 m"))
    (message,) = [m for m in messages(verified(), "DG704") if "cannot read" in m]
    assert "'time_allowed: 10 s' -> 'time_limit: 10 s'" in message


# --- the field of the day


def test_law_the_field_of_the_day_ranks_what_is_at_risk(project: Path):
    """Lowest margin first, each with the margin as frozen, now, and a reason; robots keep their map."""
    taped = FIELD.read_text().replace("[3 m, 0 m]", "[2.95 m, 0 m]").replace("[3 m, 2 m]", "[2.95 m, 2 m]")
    Path("fieldmaps/taped.yaml").write_text(taped)
    verification = verified(field=Path("fieldmaps/taped.yaml"))
    field = verification.field
    assert field is not None
    assert field.differences == (
        "fieldmaps/taped.yaml:6: corner of walls 'south' and 'east': x: 3000 mm -> 2950 mm",
        "fieldmaps/taped.yaml:7: corner of walls 'east' and 'north': x: 3000 mm -> 2950 mm",
    )
    assert {risk.path for risk in field.risks} == {"routines/out.yaml", "routines/twin.yaml"}
    margins = [risk.margin_now for risk in field.risks]
    assert all(m is not None for m in margins)
    assert margins == sorted(margins)
    for risk in field.risks:
        assert risk.reason
        assert risk.margin_then is not None
        assert risk.margin_now is not None
        # The robot takes fixes from a wall 50 mm nearer than its map says: it cannot but lose.
        assert risk.margin_now < risk.margin_then
    assert verification.rejudged == ()


def test_err_a_field_on_which_a_tolerance_breaks_is_status_1(project: Path):
    """With its code, and the field in the last line."""
    edit(ROUTINE, ("x: 50 mm", "x: 8 mm"), ("along: 60 mm", "along: 20 mm"))
    MANIFEST.write_text(freeze_routines(small()).text)
    taped = FIELD.read_text().replace("[3 m, 0 m]", "[2.96 m, 0 m]").replace("[3 m, 2 m]", "[2.96 m, 2 m]")
    Path("fieldmaps/taped.yaml").write_text(taped)
    verification = verified(field=Path("fieldmaps/taped.yaml"))
    assert verification.status == 1
    assert {code for code, _ in found(verification)} == {"DG714"}
    assert verification.why == "1 of 2 cases does not hold on fieldmaps/taped.yaml"
    assert verification.field is not None
    assert verification.field.risks[0].verdict == "fail"


def test_err_a_field_that_is_another_field_is_status_2(project: Path):
    """A map with other walls stands for no field that the robots know."""
    Path("fieldmaps/taped.yaml").write_text(FIELD.read_text().replace("south", "sud"))
    verification = verified(field=Path("fieldmaps/taped.yaml"))
    assert verification.status == 2
    assert {code for code, _ in found(verification)} == {"DG141"}


# --- reports


def test_law_reports_say_the_same_in_every_format(project: Path):
    """JSON by its schema, JUnit by an independent reader, Markdown without markup from files."""
    edit(ROUTINE, ("to: [1.4 m", "to: [1.41 m"))
    edit(Path("routines/twin.yaml"), ("name: out", "name: otherwise"))
    need = needed()
    WAIVERS.write_text(waiver(need.file, need.state, why='"<b>|@all|</b> [x](y)"'))
    Path("fieldmaps/taped.yaml").write_text(FIELD.read_text().replace("title: Box", 'title: "<i>|Box|</i>"'))
    verification = verified(field=Path("fieldmaps/taped.yaml"))
    assert verification.status == 1
    read = json.loads(render_as("json", verification))
    jsonschema.validate(read, strict(verification_schema()))
    assert read["status"] == 1
    root = etree.fromstring(render_as("junit", verification).encode())
    names = [(case.get("classname"), case.get("name")) for case in root.iter("testcase")]
    assert len(names) == len(set(names))
    assert len(root.findall(".//failure")) == 1 + len(found(verification))
    assert len(root.findall(".//skipped")) == len(verification.waived)
    markdown = render_as("markdown", verification)
    assert "<b>" not in markdown
    assert "<i>" not in markdown
    assert "](" not in markdown
    terminal = render_verification(verification)
    assert "until 2026-12-01, drive team" in terminal
    assert f'state: "{verification.needed[0].state}"' in terminal
