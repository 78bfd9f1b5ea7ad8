"""Comparison with earlier versions, on small repositories."""

from __future__ import annotations

import dataclasses
import json
import os
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from small_history import commit, edit, git, write_history

from driftgate.load.project import load_project
from driftgate.load.text import is_plain_path
from driftgate.report.erosion import comparison_json
from driftgate.report.record_schema import comparison_schema
from driftgate.run.affected import affected_since
from driftgate.run.baseline import BaselineSettings, compare_with_baseline, keep_baseline
from driftgate.run.cases import cases_of
from driftgate.run.git import Repository, repository_of
from driftgate.run.inputs import load_inputs
from driftgate.run.judged_pair import CasePair
from driftgate.run.kept import kept_text, packed_bits, read_kept, unpacked_bits
from driftgate.run.snapshot import Snapshot, laid_out, snapshot_of
from driftgate.run.status import InputError
from driftgate.run.tasks import plan_one
from strict_schema import strict

ROUTINE = Path("routines/out.yaml")
ROBOT = Path("routines/robots/small.yaml")
FIELD = Path("fieldmaps/box.yaml")


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project with a history, as the current folder."""
    monkeypatch.chdir(write_history(tmp_path))
    return tmp_path


def compared(baseline="pin", trials=400, field=None, **more):
    """Return the comparison of the working tree with a baseline."""
    settings = BaselineSettings(baseline, trials=trials, **more)
    return compare_with_baseline(settings, load_inputs((), field), lambda *_: None)


def words(found):
    """Return the word of each change of the first case."""
    return {change.name: change.word for change in found.cases[0].changes}


def no_trials(*_, **__):
    """Stand in for the engine where it must not be called."""
    raise AssertionError("trials were run")


def retold():
    """Change what no trial hangs on: a comment and the title."""
    edit(ROUTINE, ("title: Out and stop", "title: Out and stop there"), ("steps:\n", "steps:  # all\n"))


def test_law_unchanged_takes_no_trials(project, monkeypatch):
    """What differs in comments and titles alone is unchanged, which is known without a single trial."""
    monkeypatch.setattr("driftgate.run.paired.run_trials", no_trials)
    retold()
    found = compared()
    assert [(case.unchanged, case.changes, case.note) for case in found.cases] == [(True, (), "")]
    assert (found.eroded, found.loosenings, found.new, found.gone) == ((), (), (), ())


def test_law_unchanged_is_what_the_trials_say(project, monkeypatch):
    """Run all the same, no trial of an unchanged case comes out otherwise."""
    retold()
    monkeypatch.setattr(CasePair, "unchanged", False)
    found = compared()
    assert list(words(found)) == ["half-way", "end", "contact", "all together"]
    assert set(words(found).values()) == {"no difference seen"}
    assert all(c.same and c.worse == c.better == 0 for c in found.cases[0].changes)
    assert all(0.0 < c.visible < 0.05 for c in found.cases[0].changes)


@pytest.mark.parametrize(
    ("file", "swap"),
    [
        (ROUTINE, ("x: 50 mm", "x: 49 mm")),
        (ROUTINE, ("name: half-way", "name: middle")),
        (ROBOT, ("sigmas: 3.0", "sigmas: 3.1")),
        (FIELD, ("[3 m, ", "[3.001 m, ")),
    ],
)
def test_law_anything_else_is_a_change(project, file, swap):
    """A demand, a name, a number of the robot or of the field: then trials are run."""
    edit(file, swap)
    assert not compared(trials=20).cases[0].unchanged


def test_law_unchanged_cases_share_no_error_rate(project):
    """Of two routines one is changed: words and intervals are shared over its comparisons alone."""
    Path("routines/more.yaml").write_text(ROUTINE.read_text().replace("Out and stop", "More"))
    commit(project, "two")
    edit(ROUTINE, ("x: 50 mm", "x: 49 mm"))
    found = compared("two", trials=50)
    assert [case.unchanged for case in found.cases] == [True, False]
    assert found.tolerances == 4


def test_law_unchanged_infeasible_plan_is_told(project):
    """A plan that was infeasible and is unchanged is told as such, and counts for nothing."""
    edit(ROUTINE, ("time_limit: 10 s", "time_limit: 1 s"))
    commit(project, "short")
    found = compared("short")
    assert found.cases[0].note == "the plan is infeasible, as it was"
    assert not found.eroded


def test_law_few_trials_are_one_stretch(project, monkeypatch):
    """Every stretch goes through every tick, so few trials of a case go in one."""
    from driftgate.run import paired

    counts, run = [], paired.run_trials
    monkeypatch.setattr(paired, "run_trials", lambda p, n, *a, **k: counts.append(n) or run(p, n, *a, **k))
    edit(ROBOT, ("sigmas: 3.0", "sigmas: 2.9"))
    compared(trials=300)
    assert counts == [300, 300]


def test_law_progress_says_what_is_compared(project):
    """Progress counts trials of both sides, and says what for."""
    edit(ROBOT, ("sigmas: 3.0", "sigmas: 2.9"))
    told = []
    compare_with_baseline(
        BaselineSettings("pin", trials=30), load_inputs((), None), lambda *words: told.append(words)
    )
    assert told[-1] == (60, 60, "trials against the baseline")


@pytest.mark.parametrize(("required", "count"), [("99.99 %", 1), ("99.98 %", 0), ("100 %", 0)])
def test_law_what_plain_trials_hardly_show_is_counted(project, required, count):
    """What the baseline requires counts: 99.99 % and more, but not 100 %, which no trials show."""
    edit(ROBOT, ("sigmas: 3.0", "sigmas: 2.9"))
    assert compared(trials=20).strict == 0
    edit(ROUTINE, ("  required: 90 %", f"  required: {required}"))
    git(project, "commit", "-qam", "stricter")
    edit(ROBOT, ("sigmas: 2.9", "sigmas: 2.8"))
    assert compared("HEAD", trials=20).strict == count


def test_law_dirty_tree_is_what_counts(project):
    """The present side is the working tree as it is, and the baseline's files are left as they were."""
    edit(ROBOT, ("0.2 deg/sqrt(m)", "0.6 deg/sqrt(m)"))
    found = compared()
    assert words(found)["end"] == "worse"
    assert next(change.name for _, change in found.lost) in ("half-way", "end")
    assert found.eroded
    assert "0.2 deg/sqrt(m)" in git(project, "show", f"pin:{ROBOT}")


def test_law_better_is_no_erosion(project):
    """Smaller errors make it better; since an error source shrank, it is listed and counts."""
    edit(ROBOT, ("0.2 deg/sqrt(m)", "0.05 deg/sqrt(m)"))
    found = compared()
    assert words(found)["end"] == "better"
    assert found.lost == ()
    assert [f.where for f in found.loosenings] == ["errors.heading_walk.per_root_metre"]
    assert found.eroded == ("1 loosening",)


def test_law_a_wider_tolerance_is_held_against_the_old_one(project):
    """Twice the error under twice the tolerance is worse: the baseline's tolerance measures both."""
    edit(ROUTINE, ("along: 60 mm", "along: 600 mm"))
    edit(ROBOT, ("spread: 0.5 %", "spread: 4 %"), ("probability: 2 %", "probability: 99 %"))
    found = compared()
    assert words(found)["end"] == "worse"
    assert [f.where for f in found.loosenings] == ["final.within.along"]


def test_law_allowed_loss(project):
    """A loss that is shown and within what is allowed is worse, and no erosion."""
    edit(ROBOT, ("0.2 deg/sqrt(m)", "0.3 deg/sqrt(m)"))
    strict, lenient = compared(allowed=0.0), compared(allowed=0.5)
    assert words(strict) == words(lenient)
    assert "worse" in words(strict).values()
    assert strict.eroded
    assert not lenient.eroded


def test_law_workers_change_no_digit(project):
    """One worker and two give the same bytes."""
    edit(ROBOT, ("sigmas: 3.0", "sigmas: 1.0"))
    found = comparison_json(compared())
    assert found == comparison_json(compared(workers=2))
    jsonschema.validate(json.loads(found), strict(comparison_schema()))


def _errors(project, revision="pin"):
    """Return the errors at the end of the same trials of both versions."""
    from driftgate.predict import run_trials

    with laid_out(snapshot_of(repository_of(project), revision)) as folder:
        old = cases_of(load_project([folder / "routines"], folder).routines[0])[0]
    pair = CasePair(old, cases_of(load_inputs(()).routines[0])[0])
    plans = [plan_one(item) for item in pair.items]
    return [run_trials(plan.prepared, 2000, 1).moments[-1].error for plan in plans]


@pytest.mark.parametrize(
    "swaps",
    [
        [("steps:\n", "steps:\n  - {do: pause, time: 0.2 s}\n")],
        [("name: out,", "name: forth,"), ("name: half-way", "name: middle")],
        [("  - {do: drive, to: [2.2 m, 1 m]}", "  - {do: drive, to: [2.1 m, 1 m]}")],
        [
            (
                "  - {name: out, do: drive, to: [1.4 m, 1 m]}\n",
                "  - {name: forth, do: drive, to: [1.3 m, 1 m]}\n",
            )
        ],
    ],
    ids=["inserted", "renamed", "edited", "renamed and edited"],
)
def test_mc_pairing_survives(project, swaps):
    """Steps inserted, renamed or edited: trial by trial the errors of both versions stay alike."""
    edit(ROUTINE, *swaps)
    before, now = _errors(project)
    for axis in range(3):
        assert np.corrcoef(before[:, axis], now[:, axis])[0, 1] > 0.9


def test_mc_pairing_survives_removal(project):
    """A step taken out leaves the luck of the others."""
    edit(ROUTINE, ("steps:\n", "steps:\n  - {do: pause, time: 0.3 s}\n"))
    commit(project, "longer")
    edit(ROUTINE, ("  - {do: pause, time: 0.3 s}\n", ""))
    before, now = _errors(project, "longer")
    assert np.corrcoef(before[:, 1], now[:, 1])[0, 1] > 0.9


def test_law_renamed_and_new_and_gone_checkpoints(project):
    """A checkpoint with another name is compared; one more or less is named."""
    edit(ROUTINE, ("name: half-way", "name: middle"))
    found = compared(trials=200)
    assert found.cases[0].renamed == (("half-way", "middle"),)
    assert next(iter(words(found))) == "middle"
    commit(project, "renamed")
    middle = next(line for line in ROUTINE.read_text().splitlines(keepends=True) if "middle" in line)
    edit(ROUTINE, (middle, ""))
    found = compared("renamed", trials=200)
    assert found.cases[0].gone == ("middle",)
    assert [f.why for f in found.loosenings] == ["a checkpoint is gone"]
    commit(project, "without")
    edit(ROUTINE, ("  - {do: drive, to: [2.2", middle + "  - {do: drive, to: [2.2"))
    assert compared("without", trials=200).cases[0].new == ("middle",)


def test_law_new_gone_and_moved_routines(project):
    """A new routine and side are named; one that is gone erodes; one with its title elsewhere is the same."""
    (project / "routines/more.yaml").write_text(
        ROUTINE.read_text().replace("title: Out and stop", "title: More")
    )
    edit(ROUTINE, ("time_limit", "mirror: true\ntime_limit"))
    found = compared(trials=100)
    assert found.new == (
        "routines/more.yaml on fieldmaps/box.yaml",
        "routines/out.yaml on fieldmaps/box.yaml, mirrored",
    )
    assert not found.eroded
    commit(project, "more")
    (project / "routines/more.yaml").unlink()
    edit(ROUTINE, ("mirror: true\n", ""))
    found = compared("more", trials=100)
    assert len(found.gone) == 2
    assert found.eroded == ("1 loosening", "2 cases gone")
    ROUTINE.rename("routines/moved.yaml")
    found = compared(trials=100)
    assert found.cases[0].was_path == "routines/out.yaml"
    assert (found.new, found.gone) == ((), ())


def test_law_feasible_no_longer(project):
    """A plan that could be driven and cannot any more is erosion; the other way round is not."""
    edit(ROUTINE, ("time_limit: 10 s", "time_limit: 1 s"))
    found = compared()
    assert found.cases[0].broke
    assert found.eroded == ("1 plan no longer feasible",)
    commit(project, "short")
    edit(ROUTINE, ("time_limit: 1 s", "time_limit: 10 s"))
    found = compared("short")
    assert not found.cases[0].broke
    assert found.cases[0].note == "the plan was infeasible and is feasible now"


def test_law_other_robot_file_is_compared(project):
    """A routine that moves to another robot file with milder numbers is caught."""
    Path("routines/robots/mild.yaml").write_text(ROBOT.read_text().replace("at_zero: 4 mm", "at_zero: 1 mm"))
    edit(ROUTINE, ("robots/small.yaml", "robots/mild.yaml"))
    found = compared(trials=100)
    assert [(f.path, f.where) for f in found.loosenings] == [
        ("routines/robots/mild.yaml", "sensors.front.errors.noise.at_zero")
    ]


def test_law_baseline_that_cannot_be_read(project):
    """A baseline with errors is told with its findings, and is not taken for sound."""
    edit(ROBOT, ("mass: 2 kg", "mass: 2"))
    commit(project, "broken")
    edit(ROBOT, ("mass: 2\n", "mass: 2 kg\n"))
    found = compared("broken", trials=50)
    assert [f.code for f in found.unread] == ["DG111"]
    assert found.eroded == ("1 error in the baseline's files",)
    assert found.new == ("routines/out.yaml on fieldmaps/box.yaml",)


def test_law_field_of_the_command_line(project):
    """A field map given apart is the true field on both sides."""
    Path("moved.yaml").write_text(FIELD.read_text().replace("[3 m, ", "[3.02 m, "))
    found = compared(trials=100, field=Path("moved.yaml"))
    assert [case.label for case in found.cases] == ["fieldmaps/box.yaml", "moved.yaml"]
    assert all(case.unchanged for case in found.cases)


def test_law_mirrored_sides_are_paired(project):
    """Both sides of a mirrored routine find their own counterpart."""
    edit(ROUTINE, ("time_limit", "mirror: true\ntime_limit"))
    commit(project, "both")
    edit(ROUTINE, ("x: 50 mm", "x: 51 mm"))
    found = compared("both", trials=200)
    assert [case.label for case in found.cases] == ["fieldmaps/box.yaml", "fieldmaps/box.yaml, mirrored"]
    assert all(c.worse == c.better == 0 for case in found.cases for c in case.changes)


def test_law_only_some_are_run(project):
    """With a choice of routines the others are not run, and what they loosened shows all the same."""
    edit(ROUTINE, ("x: 50 mm", "x: 55 mm"))
    found = compared(only=frozenset())
    assert found.cases == ()
    assert len(found.loosenings) == 1


# --- revisions


@pytest.mark.parametrize("revision", ["nowhere", "--help", "-x", "", "pin\n", "HEAD~99", "pin:routines"])
def test_err_no_such_revision(project, revision):
    """What names no commit is one clear error, never an option of git."""
    with pytest.raises(InputError, match="revision"):
        compared(revision)


def test_err_outside_a_repository(tmp_path, monkeypatch):
    """Without a repository the way out is named."""
    from small_project import write_project

    monkeypatch.chdir(write_project(tmp_path))
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    with pytest.raises(InputError, match="kept baseline"):
        compared("main")


def test_err_shallow_clone(project, tmp_path_factory, monkeypatch):
    """A shallow clone without the revision says so, and what to fetch."""
    old = git(project, "rev-parse", "HEAD").strip()
    commit(project)
    clone = tmp_path_factory.mktemp("clone") / "clone"
    git(project, "clone", "-q", "--depth", "1", f"file://{project}", str(clone))
    monkeypatch.chdir(clone)
    with pytest.raises(InputError, match="fetch-depth"):
        compared(old)


def test_err_no_git(project, monkeypatch):
    """Without git on the machine there is one clear error."""
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(InputError, match="no git program"):
        compared()


def test_law_links_and_submodules_are_no_files(project):
    """A symbolic link and a submodule in the baseline are not followed: what names them finds nothing."""
    (project / "outside.yaml").write_text(ROBOT.read_text())
    ROBOT.unlink()
    os.symlink("../../outside.yaml", ROBOT)
    commit(project, "linked")
    head = git(project, "rev-parse", "HEAD").strip()
    git(project, "update-index", "--add", "--cacheinfo", f"160000,{head},routines/sub.yaml")
    git(project, "commit", "-q", "-m", "sub")
    git(project, "tag", "sub")
    entries = {entry.path: entry.mode for entry in Repository(project).files_at("sub")}
    assert entries["routines/sub.yaml"] == "160000"
    assert entries[ROBOT.as_posix()] == "120000"
    files = snapshot_of(Repository(project), "sub").files
    assert sorted(files) == ["fieldmaps/box.yaml", "outside.yaml", "routines/out.yaml"]
    ROBOT.unlink()
    ROBOT.write_text((project / "outside.yaml").read_text())
    assert [f.code for f in compared("sub", trials=50).unread] == ["DG121"]


def test_law_hostile_names_stay_inside(project, tmp_path_factory):
    """Names with line ends, quotes and leading dashes are plain names; those that climb are refused."""
    for name in ("-rf.yaml", "a\nb.yaml", "q\"uo'te.yaml", "ü.yaml", "$(touch x).yaml"):
        (project / "routines" / name).write_text("kind: robot\n")
    commit(project, "names")
    files = snapshot_of(Repository(project), "names").files
    assert {"routines/-rf.yaml", "routines/a\nb.yaml", "routines/ü.yaml"} <= set(files)
    with laid_out(Snapshot("x", files)) as folder:
        assert (folder / "routines/a\nb.yaml").read_text() == "kind: robot\n"
    assert not folder.exists()
    for bad in ("../x", "/etc/x", "a/../b", "a//b", ".git/config", "a/.GIT/x", "c:x", "a\\b", "", "a\0b"):
        assert not is_plain_path(bad)
        with pytest.raises(InputError), laid_out(Snapshot("x", {bad: b""})):
            pass


def test_law_repository_settings_run_nothing(project):
    """Watchers and diff programs that a repository's settings name are not started."""
    trap = project / "trap.sh"
    trap.write_text("#!/bin/sh\ntouch trapped\n")
    trap.chmod(0o755)
    for key in ("core.fsmonitor", "diff.external", "core.pager", "diff.x.textconv"):
        git(project, "config", key, str(trap))
    (project / ".gitattributes").write_text("*.yaml diff=x\n")
    edit(ROUTINE, ("x: 50 mm", "x: 51 mm"))
    repository = repository_of(project)
    assert ROUTINE.as_posix() in repository.changed_since(repository.commit("pin"))
    snapshot_of(repository, "pin")
    assert not (project / "trapped").exists()


def test_err_file_and_revision_of_one_name(project):
    """A name that is both is not guessed at."""
    (project / "pin").write_text("{}")
    with pytest.raises(InputError, match="both"):
        compared("pin")


# --- kept baselines


def kept_file(project, trials=200):
    """Keep the present state; return the file."""
    path = project / "pin.json"
    path.write_text(kept_text(keep_baseline(load_inputs(()), trials, 1, 1, lambda *_: None)))
    return path


def test_law_kept_baseline_is_the_revision(project):
    """A kept baseline says what the revision that it was kept at says, and holds its inputs."""
    path = kept_file(project)
    edit(ROBOT, ("spread: 0.5 %", "spread: 2 %"))
    by_file, by_revision = compared("pin.json"), compared("pin")
    assert by_file.tool == ()
    assert dataclasses.replace(by_file, baseline="") == dataclasses.replace(by_revision, baseline="")
    kept = read_kept(path)
    assert sorted(kept.files) == ["fieldmaps/box.yaml", "routines/out.yaml", "routines/robots/small.yaml"]
    assert {o.name for o in kept.outcomes} == {"half-way", "end", "contact"}


def test_law_kept_twice_is_the_same_bytes(project):
    """There is no clock in a kept baseline."""
    assert kept_file(project).read_bytes() == kept_file(project).read_bytes()


def test_law_tool_that_judges_otherwise_is_told(project):
    """Outcomes that the present tool does not reproduce are counted."""
    path = kept_file(project)
    kept = read_kept(path)
    flipped = []
    for outcome in kept.outcomes:
        bits = unpacked_bits(outcome.packed, kept.trials)
        bits[:7] = ~bits[:7]
        flipped.append(dataclasses.replace(outcome, packed=packed_bits(bits)))
    path.write_text(kept_text(dataclasses.replace(kept, outcomes=tuple(flipped), software="of old")))
    found = compared("pin.json")
    assert found.cases[0].unchanged
    assert len(found.tool) == 3
    assert all("7 of 200 trials" in text for text in found.tool)
    edit(ROUTINE, ("x: 50 mm", "x: 51 mm"))
    assert compared("pin.json").tool == found.tool


@pytest.mark.parametrize(("software", "runs"), [(None, 0), ("of old", 1), ("", 1)])
def test_law_the_same_software_is_not_run_again(project, monkeypatch, software, runs):
    """An unchanged case of a kept baseline is run again, once, only if other software kept it."""
    from driftgate.run import paired

    path = kept_file(project, 50)
    if software is not None:
        path.write_text(kept_text(dataclasses.replace(read_kept(path), software=software)))
    done, run = [], paired.run_trials
    monkeypatch.setattr(paired, "run_trials", lambda p, n, *a, **k: done.append(n) or run(p, n, *a, **k))
    found = compared("pin.json")
    assert found.tool == ()
    assert done == [50] * runs


def test_law_bits_survive_packing():
    """Packing and unpacking booleans gives them back, whatever their number."""
    rng = np.random.default_rng(1)
    for count in (1, 7, 8, 9, 1000):
        bits = rng.random(count) < 0.9
        assert (unpacked_bits(packed_bits(bits), count) == bits).all()


def _broken(text, change):
    found = json.loads(text)
    change(found)
    return json.dumps(found)


@pytest.mark.parametrize(
    "change",
    [
        lambda f: f.pop("files"),
        lambda f: f["files"][0].update(path="../../x.yaml"),
        lambda f: f["files"][0].update(path="/x.yaml"),
        lambda f: f["files"][0].update(text="other"),
        lambda f: f["files"].append(f["files"][0]),
        lambda f: f["files"][0].update(text="\ud800"),
        lambda f: f.update(trials=0),
        lambda f: f.update(trials="many"),
        lambda f: f.update(trials=10**12),
        lambda f: f.update(seed=True),
        lambda f: f["cases"][0].update(success=[]),
        lambda f: f["cases"][0].update(success={"end": 1}),
        lambda f: f["cases"][0]["success"].update(end="!"),
        lambda f: f["cases"][0]["success"].update(end=packed_bits(np.ones(50, bool))),
        lambda f: f["cases"][0]["success"].update(end=packed_bits(np.ones(10**7, bool))),
        lambda f: f.update(schema="driftgate-report/1"),
        lambda f: f.update(schema="other"),
    ],
)
def test_err_damaged_baseline(project, change):
    """A baseline that is cut, edited or not one at all is refused in one line."""
    path = kept_file(project)
    path.write_text(_broken(path.read_text(), change))
    edit(ROBOT, ("sigmas: 3.0", "sigmas: 2.9"))
    with pytest.raises(InputError):
        compared("pin.json", trials=50)


@pytest.mark.parametrize("raw", [b"", b"\xff\xfe", b"[" * 100_000, b"null", b"{}"])
def test_err_no_baseline_at_all(project, raw):
    """Bytes that are no baseline are refused, deep nesting included."""
    (project / "pin.json").write_bytes(raw)
    with pytest.raises(InputError, match=r"pin\.json"):
        compared("pin.json")


# --- what has changed


def affected(since="pin", paths=(), field=None):
    """Return what changes since a revision affect."""
    return affected_since(since, paths, load_inputs(paths, field), field)


def second(project):
    """Write a second routine with a robot and a field of its own, and commit."""
    Path("routines/robots/other.yaml").write_text(ROBOT.read_text())
    Path("fieldmaps/other.yaml").write_text(FIELD.read_text())
    text = ROUTINE.read_text().replace("robots/small", "robots/other").replace("maps/box", "maps/other")
    Path("routines/other.yaml").write_text(text)
    commit(project, "two")


@pytest.mark.parametrize(
    ("file", "names"),
    [
        (ROUTINE, {"routines/out.yaml"}),
        (ROBOT, {"routines/out.yaml"}),
        (Path("fieldmaps/other.yaml"), {"routines/other.yaml"}),
        (Path("README.md"), set()),
    ],
)
def test_law_only_what_a_change_can_affect(project, file, names):
    """A routine is affected by its own file, its robot and its fields, committed or not, and nothing else."""
    second(project)
    with file.open("a") as stream:
        stream.write("\n# changed\n")
    assert affected("two").routines == names
    assert affected("two").left_out == 2 - len(names)
    commit(project)
    found = affected("two")
    assert found.routines == names
    assert {path.as_posix() for path in found.paths} == names


def test_law_new_routine_is_affected(project):
    """A file that git does not know yet counts."""
    second(project)
    Path("routines/new.yaml").write_text(ROUTINE.read_text())
    assert affected("two").routines == {"routines/new.yaml"}


@pytest.mark.parametrize("file", ["pyproject.toml", "requirements-ci.txt", ".github/workflows/gate.yml"])
def test_law_all_when_the_settings_changed(project, file):
    """What may say which driftgate runs, or how, affects everything, and the reason is told."""
    second(project)
    Path(file).parent.mkdir(parents=True, exist_ok=True)
    Path(file).write_text("# changed\n")
    found = affected("two")
    assert len(found.routines) == 2
    assert file in found.words


def test_law_all_when_the_field_of_the_command_line_changed(project):
    """The field map of --field is judged on by all."""
    second(project)
    Path("moved.yaml").write_text(FIELD.read_text())
    assert affected("two").routines == set()
    assert len(affected("two", field=Path("moved.yaml")).routines) == 2


def test_law_from_a_folder_below(project, monkeypatch):
    """Paths are good from where one stands."""
    monkeypatch.chdir(project / "routines")
    edit(Path("out.yaml"), ("x: 50 mm", "x: 51 mm"))
    assert affected(paths=(Path("."),)).paths == (Path("out.yaml"),)
