"""What is fuzzed: for each kind of file sound examples, ways to damage them, and what must always hold.

A reader may give what the file says, or findings with a known code and a place in it. Anything else - an
exception of another kind, a place outside the file, a character that steers a terminal - is a bug.
"""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import mutate

HERE = Path(__file__).resolve()
ROOT = HERE.parents[2]
for folder in ("run", "load", "logs", "report"):
    sys.path.append(str(HERE.parents[1] / folder))

from small_project import ROBOT, write_project  # noqa: E402

from driftgate.core.findings import Finding  # noqa: E402
from driftgate.core.render import render_finding  # noqa: E402
from driftgate.core.rules import RULES  # noqa: E402

GOOD = HERE.parents[1] / "cases" / "good"


@dataclass(frozen=True)
class Target:
    """One kind of file.

    Attributes
    ----------
    examples : callable
        Gives sound files.
    read : callable
        Reads the bytes in a folder of its own; returns in a few words what came of it, raises what is a bug.
    mutators : sequence of callable
        Ways to damage it.
    """

    examples: Callable[[], Sequence[bytes]]
    read: Callable[[bytes, Path], str]
    mutators: Sequence[mutate.Mutator] = field(default=(mutate.of_bytes,))

    def damaged(self, data: bytes, luck: random.Random) -> bytes:
        """Return the bytes with one to four damages."""
        for _ in range(luck.choice((1, 1, 1, 2, 4))):
            if luck.random() < 0.3 or not data:
                data = mutate.of_bytes(data, luck, luck.choice(self.examples()))
            else:
                data = luck.choice(self.mutators)(data, luck)
        return data


def held_to(findings: Sequence[Finding], data: bytes | None = None) -> str:
    """Check findings, and return their codes."""
    lines = None
    if data is not None:
        text = data.decode("utf-8-sig", "replace").replace("\r\n", "\n").replace("\r", "\n")
        lines = text.split("\n")
    for finding in findings:
        assert finding.code in RULES, finding
        assert finding.message, finding
        assert finding.line >= 0, finding
        assert finding.column >= 0, finding
        shown = render_finding(finding, False)
        assert all(c.isprintable() or c == "\n" for c in shown), finding
        assert not shown.startswith("::"), finding
        assert "\n::" not in shown, finding
        if lines is not None and finding.line:
            assert finding.line <= len(lines), finding
            assert finding.column <= len(lines[finding.line - 1]) + 2, finding
    return " ".join(sorted({finding.code for finding in findings}))


# --- documents


@cache
def _texts(pattern: str) -> tuple[bytes, ...]:
    return tuple(path.read_bytes() for path in sorted(ROOT.glob(pattern)))


def _repository(folder: Path) -> Path:
    root = folder / "repository"
    if not root.exists():
        shutil.copytree(GOOD, root)
        (root / "pyproject.toml").write_text("")
    return root


def _document(name: str) -> Callable[[bytes, Path], str]:
    def read(data: bytes, folder: Path) -> str:
        from driftgate.load import load_project

        root = _repository(folder)
        before = (root / name).read_bytes()
        try:
            (root / name).write_bytes(data)
            project = load_project([root / "routines", root / "fieldmaps"], root)
        finally:
            (root / name).write_bytes(before)
        held_to([f for f in project.findings if f.path == name], data)
        found = held_to(project.findings)
        errors = [f for f in project.findings if f.level == "error"]
        assert errors or len(project.routines) == 1, "neither a routine nor an error"
        return found if errors else f"sound {found} {_planned(project.routines[0])}"

    return read


def _planned(loaded: object) -> str:
    from driftgate.plan import plan_case
    from driftgate.run.cases import cases_of

    found = set()
    for named in cases_of(loaded)[:2]:  # type: ignore[arg-type]
        plan = plan_case(named.case, named.written)
        for item in plan.findings:
            assert item.code in RULES
            named.document.finding(item.code, item.doc_path, item.message)
            found.add(item.code)
    return " ".join(sorted(found))


def _predicted(data: bytes, folder: Path) -> str:
    """Read a robot, and where everything is sound go on as far as a few trials."""
    from driftgate.load import load_project
    from driftgate.run.cases import cases_of
    from driftgate.run.tasks import Batch, plan_one, predict_batch

    root = folder / "small"
    if not root.exists():
        root.mkdir()
        write_project(root)
    (root / "routines/robots/small.yaml").write_bytes(data)
    project = load_project([root / "routines"], root)
    found = held_to(project.findings)
    if not project.routines:
        return found
    named = cases_of(project.routines[0])[0]
    planned = plan_one((named.case, named.written))
    if planned.prepared is None:
        return f"infeasible {found}"
    result = predict_batch(Batch(planned.prepared, 1, 0, 8, counted=True))
    assert result.trials.trials == 8
    return f"predicted {found}"


def _single(kind: str) -> Callable[[bytes, Path], str]:
    def read(data: bytes, folder: Path) -> str:
        from driftgate.load.single import load_single

        path = folder / "single.yaml"
        path.write_bytes(data)
        found = load_single(path, kind)  # type: ignore[arg-type]
        errors = [f for f in found.findings if f.level == "error"]
        assert (found.document is None) == bool(errors)
        return held_to(found.findings, data) if errors else "sound"

    return read


WAIVERS = b"""\
kind: waivers
format: 1
waivers:
- file: routines/out.yaml
  state: %s
  verdict: pass
  who: nobody
  why: invented
  until: "2026-12-31"
""" % (b"a" * 64)


# --- logs


@cache
def _logs() -> tuple[bytes, ...]:
    from made_logs import log_text

    from driftgate.predict.logged import Jitter, Reference
    from driftgate.run.explain import ExplainSettings
    from driftgate.run.sample import SampleSettings, sample_logs

    rows = [f"{0.05 * i:.2f},{0.01 * i:.4f}" for i in range(20)]
    drive = ExplainSettings(ROOT / "routines" / "calibration" / "drive.yaml")
    reference = Reference("tape", (0.002, 0.002, 0.005), 10.0)
    long = sample_logs(SampleSettings(drive, 1, None, reference, Jitter(0.0, 0.0), True)).text
    short = "\n".join(long.split("\n")[:60]) + "\n"
    return (log_text("time [s],forward [m]", rows).encode(), short.encode(), BEACONS)


BEACONS = b"# driftgate beacons: 1\n# origin: simulated\nbeacon,x [m],y [m]\na,0,0\nb,1.5,-2\n"


def _log(data: bytes, folder: Path) -> str:
    from driftgate.logs.read import read_any

    path = folder / "run.csv"
    path.write_bytes(data)
    findings: list[Finding] = []
    found = read_any(path, findings, folder)
    errors = [f for f in findings if f.level == "error"]
    assert (found is None) == bool(errors), "neither a log nor an error"
    return f"{type(found).__name__} {held_to(findings, data)}"


# --- what driftgate itself has written, and somebody has changed


def _manifest_example() -> tuple[bytes, ...]:
    from test_manifest import made

    texts = [path.read_text() for path in sorted(GOOD.glob("fieldmaps/*.yaml"))[:1]]
    return (made().encode(), made((texts[0], "b: 1\n", "c\n")).encode())


def _resealed(data: bytes, luck: random.Random) -> bytes:
    from driftgate.load.manifest import sealed

    changed = luck.choice((mutate.of_bytes, mutate.of_yaml))(data, luck)
    body = changed.decode("utf-8", "replace").partition("digest: ")[0]
    return sealed(body).encode("utf-8", "surrogatepass")


def _manifest(data: bytes, folder: Path) -> str:
    from driftgate.load.manifest import load_manifest

    path = folder / "code.freeze"
    path.write_bytes(data)
    found = load_manifest(path)
    assert (found.freeze is None) == bool(found.findings)
    return held_to(found.findings, data) or "sound"


def _kept_example() -> tuple[bytes, ...]:
    import numpy as np

    from driftgate.run.kept import CaseKey, Kept, KeptOutcome, kept_text, packed_bits

    case = CaseKey("routines/out.yaml", "fieldmaps/box.yaml", "fieldmaps/box.yaml", "as written")
    bits = packed_bits(np.arange(400) % 7 > 0)
    files = {"routines/out.yaml": "kind: routine\n", "fieldmaps/box.yaml": "kind: field map\n"}
    return (kept_text(Kept("1", 1, 400, files, (KeptOutcome(case, "end", bits),), "s")).encode(),)


def _rehashed(data: bytes, luck: random.Random) -> bytes:
    """Damage a kept baseline and make its hashes fit again."""
    changed = mutate.of_json(data, luck)
    try:
        tree = json.loads(changed)
        for entry in tree["files"]:
            text = entry["text"].encode("utf-8", "surrogatepass")
            entry["sha256"] = hashlib.sha256(text).hexdigest()
        return mutate.as_json(tree)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return changed


def _kept(data: bytes, folder: Path) -> str:
    from driftgate.run.kept import read_kept, unpacked_bits
    from driftgate.run.snapshot import laid_out
    from driftgate.run.status import InputError

    path = folder / "baseline.json"
    path.write_bytes(data)
    try:
        kept = read_kept(path)
        for outcome in kept.outcomes[:3]:
            assert unpacked_bits(outcome.packed, kept.trials).size == kept.trials
        with laid_out(kept.snapshot("x")) as root:
            assert all((root / name).is_file() for name in kept.files)
    except InputError as error:
        return " ".join(str(error).split()[-4:])
    return "sound"


def _night_example() -> tuple[bytes, ...]:
    from test_history import night

    from driftgate.run.night_file import night_text

    return (night_text(night("2026-11-01")).encode(),)


def _signed(data: bytes, luck: random.Random) -> bytes:
    """Damage a night and make its hash fit again, if it still is one."""
    from driftgate.judge.night import Night
    from driftgate.run.cache_codec import decode, encode

    changed = mutate.of_json(data, luck)
    try:
        tree = json.loads(changed)
        night = decode(Night, json.dumps(tree["night"], separators=(",", ":")).encode())
        if night is not None:
            tree["sha256"] = hashlib.sha256(encode(night)).hexdigest()
        return mutate.as_json(tree)
    except (ValueError, TypeError, KeyError, RecursionError):
        return changed


def _night(data: bytes, folder: Path) -> str:
    from driftgate.run.history import History

    place = folder / "history"
    shutil.rmtree(place, ignore_errors=True)
    (place / "nights").mkdir(parents=True)
    (place / "nights" / "2026-11-01.json").write_bytes(data)
    history = History(place)
    found = history.open()
    if found.sound and found.nights:
        history.series()
    return held_to(found.findings) or "sound"


@cache
def _database_example() -> tuple[bytes, ...]:
    import tempfile

    from test_history import night

    from driftgate.run.history import History

    with tempfile.TemporaryDirectory() as folder:
        history = History(Path(folder))
        for day in ("2026-11-01", "2026-11-02"):
            history.add(night(day))
        return (history.database.read_bytes(),)


def _database(data: bytes, folder: Path) -> str:
    from test_history import night

    from driftgate.run.history import History
    from driftgate.run.night_file import night_text
    from driftgate.run.status import InputError

    place = folder / "history"
    shutil.rmtree(place, ignore_errors=True)
    (place / "nights").mkdir(parents=True)
    for day in ("2026-11-01", "2026-11-02"):
        (place / "nights" / f"{day}.json").write_text(night_text(night(day)))
    (place / "history.sqlite").write_bytes(data)
    history = History(place)
    found = history.open()
    try:
        history.add(night("2026-11-03"))
        if found.sound:
            history.series()
    except InputError:
        return f"refused {held_to(found.findings)}"
    return held_to(found.findings) or "sound"


def _answer_example() -> tuple[bytes, ...]:
    from made_reports import everything

    from driftgate.run.cache_codec import encode

    return tuple(encode(case.verdict) for case in everything().cases if case.verdict is not None)


def _answer(data: bytes, folder: Path) -> str:
    from driftgate.judge.values import CaseVerdict
    from driftgate.run.cache_codec import decode, encode

    found = decode(CaseVerdict, data)
    assert found is None or encode(found) == data
    return "absent" if found is None else "sound"


YAML = (mutate.of_yaml, mutate.of_yaml, mutate.of_bytes)
TARGETS = {
    "routine": Target(
        lambda: (*_texts("tests/cases/good/routines/*.yaml"), *_texts("routines/*.yaml")),
        _document("routines/benches.yaml"),
        YAML,
    ),
    "field map": Target(
        lambda: (*_texts("tests/cases/good/fieldmaps/hall.yaml"), *_texts("fieldmaps/*.yaml")),
        _document("fieldmaps/hall.yaml"),
        YAML,
    ),
    "robot": Target(
        lambda: (*_texts("tests/cases/good/routines/robots/*.yaml"), *_texts("routines/robots/*.yaml")),
        _document("routines/robots/sprout.yaml"),
        YAML,
    ),
    "prediction": Target(lambda: (ROBOT.encode(),), _predicted, YAML),
    "tape sheet": Target(lambda: _texts("routines/calibration/*tape.yaml"), _single("tape sheet"), YAML),
    "waivers": Target(lambda: (WAIVERS,), _single("waivers"), YAML),
    "log": Target(_logs, _log, (mutate.of_cells, mutate.of_cells, mutate.of_bytes)),
    "manifest": Target(_manifest_example, _manifest, (_resealed, _resealed, mutate.of_bytes)),
    "baseline": Target(_kept_example, _kept, (_rehashed, _rehashed, mutate.of_bytes)),
    "night": Target(_night_example, _night, (_signed, mutate.of_json, mutate.of_bytes)),
    "database": Target(_database_example, _database, (mutate.of_bytes,)),
    "answer": Target(_answer_example, _answer, (mutate.of_json, mutate.of_bytes)),
}
