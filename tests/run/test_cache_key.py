"""Keys of answers: everything that an answer depends on, and nothing else."""

from __future__ import annotations

from datetime import date

import pytest
from pydantic import BaseModel
from small_project import write_project

from driftgate.load.project import load_routine
from driftgate.run import cache_key
from driftgate.run.cache_key import content, fingerprint_of, judged_key, plan_key
from driftgate.run.cases import cases_of
from driftgate.schema.case import Case


def keys(project, files=(), today=None):
    """Return the plan keys of the small project's cases after replacements in its files."""
    write_project(project)
    for name, old, new in files:
        path = project / name
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))
    cases = cases_of(load_routine(project / "routines/out.yaml"), today=today)
    return [plan_key(named.case, named.written) for named in cases]


ROUTINE, ROBOT, FIELD = "routines/out.yaml", "routines/robots/small.yaml", "fieldmaps/box.yaml"
EXCEPTION = 'accepted:\n  - {code: DG204, step: out, reason: foam, until: "2026-12-01"}\n'


@pytest.mark.parametrize(
    "files",
    [
        [(ROUTINE, "kind: routine", "# a remark\n\nkind:   'routine'")],
        [(ROUTINE, "Out and stop", "Another title")],
        [(ROBOT, "title: Small", "title: Large\nnote: from the bench")],
        [
            (
                ROBOT,
                "basis: measured, constant_over: run}",
                "basis: measured, constant_over: run, note: by tape}",
            )
        ],
        [(FIELD, "title: Box", "title: Crate")],
        [(ROUTINE, "1.4 m, 1 m", "1400 mm, 100 cm")],
        [(ROUTINE, "time_limit: 10 s\n", ""), (ROUTINE, "field:", "time_limit: 10 s\nfield:")],
    ],
)
def test_law_remarks_and_spelling_do_not_matter(tmp_path, files) -> None:
    """Comments, order of keys, titles, notes and other spellings of a quantity keep the key."""
    assert keys(tmp_path, files) == keys(tmp_path)


@pytest.mark.parametrize(
    "files",
    [
        [(ROUTINE, "1.4 m, 1 m", "1.400000001 m, 1 m")],
        [(ROUTINE, "name: out", "name: away")],
        [(ROUTINE, "required: 90 %, points: 5", "required: 91 %, points: 5")],
        [(ROUTINE, "points: 5", "points: 6")],
        [(ROUTINE, "time_limit: 10 s", "time_limit: 11 s")],
        [(ROBOT, "basis: guess, constant_over: run", "basis: measured, constant_over: run")],
        [(ROBOT, "at_zero: 4 mm", "at_zero: 4.1 mm")],
        [(ROBOT, "id: front", "id: ahead")],
        [(FIELD, "offset: 2 mm", "offset: 3 mm")],
        [(FIELD, "[3 m, 2 m]", "[3 m, 2.01 m]")],
        [(ROUTINE, "required: 90 %\n", "required: 90 %\n" + EXCEPTION)],
    ],
)
def test_law_content_matters(tmp_path, files) -> None:
    """Anything that a stage reads changes the key."""
    assert keys(tmp_path, files) != keys(tmp_path)


def test_law_cases_have_keys_of_their_own(tmp_path) -> None:
    """Both sides, and the true map apart from the believed one, have different keys."""
    both = keys(tmp_path, [(ROUTINE, "time_limit", "mirror: true\ntime_limit")])
    assert len(set(both)) == 2
    named = cases_of(load_routine(tmp_path / "routines/out.yaml"))[0]
    case, other = named.case, named.case.true.model_copy(update={"elements": [], "mirror": None})
    moved = [
        Case(case.routine, case.robot, other, case.true),
        Case(case.routine, case.robot, case.true, other),
    ]
    assert len({plan_key(c, named.written) for c in [case, *moved]}) == 3


def test_law_an_expired_exception_is_another_case(tmp_path) -> None:
    """Reason and last day of an exception do not matter, only whether it is in force."""
    after = [(ROUTINE, "required: 90 %\n", "required: 90 %\n" + EXCEPTION)]
    later = [*after, (ROUTINE, 'reason: foam, until: "2026-12-01"', 'reason: soft, until: "2027-01-01"')]
    assert keys(tmp_path, after, date(2026, 12, 1)) == keys(tmp_path, later, date(2026, 12, 1))
    assert keys(tmp_path, after, date(2026, 12, 2)) != keys(tmp_path, later, date(2026, 12, 2))


def test_law_settings_and_software_matter(tmp_path, monkeypatch) -> None:
    """Every setting, and the version of the tool, its source and its libraries change the key."""
    (plan,) = keys(tmp_path)
    base = {"seed": 1, "trials": 400, "confidence": 0.95, "tolerances": 3}
    first = judged_key(plan, base)
    assert len({first, *(judged_key(plan, {**base, name: value + 1}) for name, value in base.items())}) == 5
    assert judged_key("0" * 64, base) != first
    real = cache_key.software()
    assert {"driftgate", "source", "python", "machine", "numpy", "scipy"} <= set(real)
    for name in real:
        monkeypatch.setattr(cache_key, "software", lambda name=name: {**real, name: "other"})
        assert keys(tmp_path) != [plan]


def test_law_fingerprint_is_of_names_and_contents(tmp_path) -> None:
    """A changed, renamed, added or removed source file changes the fingerprint; a compiled one does not."""
    (tmp_path / "a.py").write_text("x = 1\n")
    (tmp_path / "sub").mkdir()
    seen = [fingerprint_of(tmp_path)]
    (tmp_path / "__pycache__").mkdir()
    (tmp_path / "__pycache__/a.py").write_text("")
    (tmp_path / "a.pyc").write_text("")
    assert fingerprint_of(tmp_path) == seen[0]
    for act in (
        lambda: (tmp_path / "a.py").write_text("x = 2\n"),
        lambda: (tmp_path / "a.py").rename(tmp_path / "b.py"),
        lambda: (tmp_path / "sub/c.py").write_text(""),
        lambda: (tmp_path / "sub/c.py").rename(tmp_path / "c.py"),
    ):
        act()
        seen.append(fingerprint_of(tmp_path))
    assert len(set(seen)) == len(seen)
    with pytest.raises(OSError, match="no source files"):
        fingerprint_of(tmp_path / "sub")


def test_err_unknown_content_has_no_key() -> None:
    """What is not plain is refused: no key is better than one that misses something."""

    class Odd(BaseModel):
        thing: object

    with pytest.raises(TypeError):
        content(Odd(thing=object()))
