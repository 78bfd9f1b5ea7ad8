"""Change the core a little, many times, and count how often a test notices.

    python tests/mutation/mutate.py --sample 400 --seed 1 --resume mutants.jsonl

writes a line of JSON for each mutant, goes on where an earlier run of the same sample ended, and prints the
score by package with the survivors as differences. Which tests run which lines is measured once and kept
beside the results (`--map`); after tests were added, `--also` measures the files named and adds them to it.
`--again FILE` tries only what survived in an earlier file, with the tests as they are now.
"""

from __future__ import annotations

import argparse
import fnmatch
import itertools
import json
import os
from collections import Counter
from pathlib import Path

# Before numpy is imported: a fork of a process with threads of its own is not to be had.
os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", CI="true")

from covering import ROOT, Covering, run_measure
from mutants import Mutant, draw, read_modules
from trial import KILLED, SURVIVED, module_name, preload, try_mutant

SOURCE = ROOT / "pipeline" / "driftgate"
PACKAGES = ("plan", "sight", "predict", "judge")
TESTS = (*(f"tests/{package}" for package in PACKAGES), "tests/core/test_lazy.py")
# CPU seconds of tests, as measured: those of the first look, which kills most, and those of the second.
FIRST_S = 1.5
# Of import and collection, at most.
START_S = 15.0
UNSEEN = "no test runs it"
# Mutants judged by hand to change nothing: their keys, each under its reason.
SAME = Path(__file__).with_name("same.txt")


def _arguments() -> argparse.Namespace:
    raw = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=raw)
    parser.add_argument("--sample", type=int, default=400, help="how many mutants to try [400]")
    parser.add_argument("--seed", type=int, default=1, help="which sample [1]")
    parser.add_argument(
        "--modules", nargs="+", default=["*"], help="patterns such as 'predict/*' to draw from [all]"
    )
    parser.add_argument("--only", nargs="+", default=["*"], help="patterns: of the sample, these modules")
    parser.add_argument("--without", nargs="+", default=[], help="patterns of test files to do without")
    parser.add_argument("--resume", type=Path, default=Path("mutants.jsonl"), help="results [mutants.jsonl]")
    parser.add_argument("--again", type=Path, help="results whose survivors alone are tried")
    parser.add_argument("--map", type=Path, help="which tests run which lines [beside the results]")
    parser.add_argument("--also", nargs="+", default=[], help="test files to measure and add to the map")
    parser.add_argument("--cap", type=float, default=12.0, help="CPU seconds of tests for a mutant [12]")
    parser.add_argument("--summary", action="store_true", help="try nothing, only sum up")
    return parser.parse_args()


class Session:
    """One sample and what became of it."""

    def __init__(self, results: Path, covering: Covering, modules: dict[str, str], cap_s: float) -> None:
        self.results, self.covering, self.modules, self.cap_s = results, covering, modules, cap_s
        self.sound: dict[str, bool] = {}
        self._said = results.with_suffix(".said")

    def known(self) -> dict[str, dict[str, object]]:
        """Return what the file holds already, by key."""
        if not self.results.exists():
            return {}
        lines = (json.loads(line) for line in self.results.read_text().splitlines() if line)
        return {str(line["key"]): line for line in lines}

    def tests_for(self, mutant: Mutant) -> tuple[list[str], list[str], bool]:
        """Return tests that run the changed lines, those of the first and of the second look; are some left?

        The first look has the narrowest. The second goes round the files, the narrowest of each first: tests
        of one file are alike, and what one of them does not notice the next will seldom.
        """
        tests = self.covering.tests_of(mutant.name, mutant.first, mutant.last, mutant.at_import)
        times = list(itertools.accumulate(self.covering.seconds[test] for test in tests))
        quick = max(1, sum(time_s <= FIRST_S for time_s in times))
        turn: Counter[str] = Counter()
        rounds = []
        for test in tests[quick:]:
            file = test.split("::")[0]
            rounds.append((turn[file], test))
            turn[file] += 1
        spent, second = 0.0, []
        for _, test in sorted(rounds, key=lambda found: found[0]):
            spent += self.covering.seconds[test]
            if spent > self.cap_s:
                break
            second.append(test)
        return tests[:quick], second, quick + len(second) < len(tests)

    def judge(self, mutant: Mutant) -> dict[str, object]:
        """Try one mutant and return its line of the results."""
        first, second, more = self.tests_for(mutant)
        outcome, by, seconds = UNSEEN, "", 0.0
        code = mutant.code(self.modules[mutant.name], str(SOURCE / mutant.name))
        for part in (first, second):
            if part and not outcome.startswith(KILLED):
                outcome, by, used = self._try(mutant, code, part)
                seconds += used
        return {
            "key": mutant.key,
            "file": mutant.name,
            "line": mutant.first,
            "kind": mutant.kind,
            "before": mutant.before,
            "after": mutant.after,
            "outcome": outcome,
            "by": by,
            "tests": len(first) + len(second),
            "more": more,
            "seconds": round(seconds, 2),
        }

    def _time(self, tests: list[str]) -> float:
        return sum(self.covering.seconds[test] for test in tests)

    def _try(self, mutant: Mutant, code: object, tests: list[str]) -> tuple[str, str, float]:
        """Try the tests; one that fails here on the unchanged source too kills nothing."""
        spent = 0.0
        while tests:
            limit = START_S + 5.0 * self._time(tests)
            name = module_name("driftgate", mutant.name)
            outcome, by, used = try_mutant(name, SOURCE / mutant.name, code, tests, limit, self._said)
            spent += used
            if outcome != KILLED or self._passes(by or tests[0]):
                return outcome, by, spent
            tests = [test for test in tests if test != (by or tests[0])]
        raise RuntimeError("none of the tests passes on the unchanged source")

    def _passes(self, test: str) -> bool:
        """Whether a test passes on the unchanged source, run in the same way; asked once for each."""
        if test not in self.sound:
            limit = START_S + 5.0 * self.covering.seconds[test]
            outcome, _, _ = try_mutant("", SOURCE, None, [test], limit, self._said)
            self.sound[test] = outcome == SURVIVED
        return self.sound[test]


def summary(lines: list[dict[str, object]], same: frozenset[str]) -> str:
    """Return the score by package, with and without what is judged the same, and the survivors."""
    parts = ["| package | mutants | killed | of them by time | score | without equal ones |", "|-|-|-|-|-|-|"]
    packages = sorted({str(line["file"]).split("/")[0] for line in lines})
    for package in [*packages, "all"]:
        mine = [line for line in lines if package in ("all", str(line["file"]).split("/")[0])]
        counts = Counter(str(line["outcome"]) for line in mine)
        killed = sum(n for outcome, n in counts.items() if outcome.startswith(KILLED))
        equal = sum(1 for line in mine if line["key"] in same and not str(line["outcome"]).startswith(KILLED))
        late = killed - counts[KILLED]
        share, rest = killed / max(1, len(mine)), killed / max(1, len(mine) - equal)
        parts.append(f"| {package} | {len(mine)} | {killed} | {late} | {share:.1%} | {rest:.1%} |")
    for line in lines:
        if not str(line["outcome"]).startswith(KILLED):
            note = ", judged to change nothing" if line["key"] in same else ""
            parts += [
                "",
                f"{line['file']}:{line['line']} {line['kind']}: {line['outcome']} ({line['tests']} tests"
                f"{', more left' if line['more'] else ''}){note}",
                f"- {line['before']}",
                f"+ {line['after']}",
            ]
    return "\n".join(parts)


def main() -> None:
    """Draw, try, sum up."""
    asked = _arguments()
    os.chdir(ROOT)
    modules = read_modules(SOURCE, PACKAGES)
    modules = {n: s for n, s in modules.items() if any(fnmatch.fnmatch(n, p) for p in asked.modules)}
    sample, skipped, total = draw(modules, asked.sample, asked.seed)
    counted = ", ".join(f"{reason} {count}" for reason, count in sorted(skipped.items()) if count)
    print(f"{len(sample)} of {total} mutants of {len(modules)} modules; left out: {counted}")
    map_file = asked.map or asked.resume.with_suffix(".map.json")
    if not map_file.exists():
        run_measure(map_file, SOURCE, PACKAGES, list(TESTS))
    if asked.also:
        run_measure(map_file, SOURCE, PACKAGES, asked.also)
    covering = Covering.read(map_file).without(asked.without)
    session = Session(asked.resume, covering, modules, asked.cap)
    if asked.again:
        lines = [json.loads(line) for line in asked.again.read_text().splitlines()]
        alive = {line["key"] for line in lines if not line["outcome"].startswith(KILLED)}
        sample = [mutant for mutant in sample if mutant.key in alive]
    sample = [mutant for mutant in sample if any(fnmatch.fnmatch(mutant.name, p) for p in asked.only)]
    known = session.known()
    if not asked.summary:
        preload()
        for mutant in sample:
            if mutant.key in known:
                continue
            known[mutant.key] = session.judge(mutant)
            with asked.resume.open("a") as file:
                file.write(json.dumps(known[mutant.key], ensure_ascii=False) + "\n")
    same = frozenset(line for line in SAME.read_text().splitlines() if line and not line.startswith("#"))
    print(summary([known[m.key] for m in sample if m.key in known], same))


if __name__ == "__main__":
    main()
