"""How much of a report another processor may change: shipped routines, parts of the arithmetic switched off.

    python tests/bench/processors.py [--trials N]

numpy chooses its loops by what the processor has, and its linear algebra a kernel; both can be told to do as
on an older one (NPY_DISABLE_CPU_FEATURES, OPENBLAS_CORETYPE). Sines and sums then differ in the last
digits. Printed is how many of the report's numbers differ from the first run's, and the largest difference
relative to the number (to 1e-9 where that is more).
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LEAST = 1e-9


def dispatched() -> list[str]:
    """Return what numpy was built for and this processor has, beyond its baseline."""
    from numpy._core._multiarray_umath import __cpu_dispatch__, __cpu_features__

    return [name for name in __cpu_dispatch__ if __cpu_features__[name]]


def settings() -> dict[str, dict[str, str]]:
    """Return the environments to compare, the first with itself as well."""
    names = dispatched()
    wide = [name for name in names if "512" in name or name == "X86_V4"]
    found = {"as it is": {}, "again": {}}
    if wide:
        found["without 512-bit loops"] = {"NPY_DISABLE_CPU_FEATURES": " ".join(wide)}
    if names:
        found["baseline loops"] = {"NPY_DISABLE_CPU_FEATURES": " ".join(names)}
    for kernel in ("Nehalem", "Haswell", "SkylakeX"):
        found[f"kernel {kernel}"] = {"OPENBLAS_CORETYPE": kernel}
    return found


def report(environment: dict[str, str], trials: int) -> object:
    """Return the JSON report of the shipped routines."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "r.json"
        words = ["check", "-q", "--no-cache", "--workers", "1", "--sample", "fixed", "--trials", str(trials)]
        inherited = {k: v for k, v in os.environ.items() if not k.startswith("OPENBLAS_")}
        subprocess.run(
            [sys.executable, "-m", "driftgate", *words, "--report", f"json={out}"],
            cwd=ROOT,
            env={**inherited, **environment, "PYTHONPATH": str(ROOT / "pipeline")},
            capture_output=True,
            check=False,
        )
        return json.loads(out.read_text())


def leaves(tree: object, path: str = "") -> Iterator[tuple[str, object]]:
    """Yield every value of a report with its place."""
    if isinstance(tree, dict):
        for key, value in tree.items():
            yield from leaves(value, f"{path}.{key}")
    elif isinstance(tree, list):
        for i, value in enumerate(tree):
            yield from leaves(value, f"{path}[{i}]")
    else:
        yield path, tree


def main() -> None:
    """Print a row for each environment."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--trials", type=int, default=4000)
    trials = words.parse_args().trials
    first = None
    print(f"{'':<24}{'numbers':>9}{'differ':>8}{'counts':>8}{'words':>7}{'largest':>10}  where")
    for name, environment in settings().items():
        now = dict(leaves(report(environment, trials)))
        first = first or now
        assert now.keys() == first.keys()
        pairs = [(place, first[place], now[place]) for place in first]
        apart = [(p, a, b) for p, a, b in pairs if a != b and not (a is None and b is None)]
        floats = [
            (abs(a - b) / max(abs(a), LEAST), p)
            for p, a, b in apart
            if isinstance(a, float) and isinstance(b, float) and math.isfinite(a) and math.isfinite(b)
        ]
        counts = sum(isinstance(a, int) for _, a, _ in apart)
        others = len(apart) - len(floats) - counts
        numbers = sum(isinstance(a, int | float) for _, a, _ in pairs)
        worst = max(floats, default=(0.0, ""))
        print(
            f"{name:<24}{numbers:>9}{len(apart):>8}{counts:>8}{others:>7}{worst[0]:>10.1e}  {worst[1]}",
            flush=True,
        )


if __name__ == "__main__":
    main()
