"""What the largest plans cost that are let through: processor time and memory, each in its own process.

    python tests/bench/worst.py [NAME...]

Every project is invented, and just below a limit of `driftgate.plan.size` or `driftgate.load`.
"""

from __future__ import annotations

import math
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve()
sys.path.insert(0, str(HERE.parents[1] / "run"))
from small_project import FIELD, ROBOT, ROUTINE  # noqa: E402

PIPELINE = HERE.parents[2] / "pipeline"
MOST_S = 1200
MOST_BYTES = 8 * 2**30


def polygon(count: int, radius_m: float = 0.02) -> str:
    """Return a fine polygon."""
    turns = [math.tau * i / count for i in range(count)]
    points = [f"[{radius_m * math.cos(t):.5f} m, {radius_m * math.sin(t):.5f} m]" for t in turns]
    return "{polygon: {corners: [" + ",\n      ".join(points) + "]}}"


def field(
    size_m: float = 3.0, structures: int = 0, elements: int = 0, corners: int = 99, loose: str = ""
) -> str:
    """Return a square hall with things on a circle in it."""
    text = FIELD.split("mirror")[0].replace("3 m", f"{size_m} m").replace(", 2 m", f", {size_m} m")
    for key, count in (("structures", structures), ("elements", elements)):
        text += f"{key}:\n" if count else ""
        for i in range(count):
            turn, away = math.tau * (i + 0.5) / count, size_m / 2 - 0.3
            x, y = size_m / 2 + away * math.cos(turn), size_m / 2 + away * math.sin(turn)
            at = f"{{x: {x:.4f} m, y: {y:.4f} m}}"
            text += f"  - {{id: {key[0]}{i}, at: {at}, shape: {polygon(corners)}{loose}}}\n"
    return text


LOOSE = (
    ", scatter: {x: 20 mm, y: 20 mm, heading: 5 deg, basis: guess, constant_over: run}"
    ", stray: {probability: 2 %, basis: guess, constant_over: run}"
)


def robot(sensors: int = 4, rate: str = "10 Hz", swaps: tuple[tuple[str, str], ...] = ()) -> str:
    """Return the small robot with sensors all round, that see across any field."""
    head, rest = ROBOT.split("sensors:\n")
    one, tail = rest.split("correction:\n")
    one = one.replace("10 Hz", rate).replace("high: 2 m", "high: 100 m")
    all_round = "".join(
        one.replace("front", f"f{i}").replace("heading: 0 deg", f"heading: {360 * i // sensors} deg")
        for i in range(sensors)
    )
    text = head + ("sensors:\n" + all_round if sensors else "") + "correction:\n" + tail
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new)
    return text


def routine(steps: str, size_m: float = 3.0) -> str:
    """Return a routine in the middle of the hall."""
    head, tail = ROUTINE.replace("TOLERANCE", "50 mm").split("steps:\n")
    head = head.replace("10 s", "3600 s").replace(
        "x: 400 mm, y: 1 m", f"x: {size_m / 2} m, y: {size_m / 2} m"
    )
    return head + "steps:\n" + steps + "final:" + tail.split("final:")[1]


def pause(seconds: float) -> str:
    """Return one step."""
    return f"  - {{do: pause, time: {seconds} s}}\n"


# Nine runs of ten start within 1.645 of the 2 mm that they spread: nothing is ever decided.
CHECKPOINT = "  - {do: checkpoint, name: c-N, within: {x: 3.29 mm}, required: 90 %}\n"
FAST = (
    ("free_speed: 600 rpm", "free_speed: 5000 rpm"),
    ("wheel_diameter: 60 mm", "wheel_diameter: 10 m"),
    ("speed: 1 m/s", "speed: 20 m/s"),
)
CURVE = ", ".join(f"[{1 if i % 2 else 98} m, {98 if i // 2 % 2 else 1} m]" for i in range(4))
SPIN = "  - do: repeat\n    times: 499\n    steps:\n" + (
    "      - {do: rotate, angle: 90 deg}\n      - {do: rotate, angle: -90 deg}\n"
    "      - {do: advance, distance: 100 mm}\n      - {do: advance, distance: -100 mm}\n"
)

CASES = {
    "2000 steps": lambda: (field(), robot(1), routine(SPIN)),
    "200 checkpoints": lambda: (
        field(),
        robot(1),
        routine("".join(CHECKPOINT.replace("N", str(i)) for i in range(200)) + pause(1)),
    ),
    "100 000 instants": lambda: (field(), robot(16, "20 Hz"), routine(pause(150))),
    "200 000 nodes": lambda: (
        field(99),
        robot(0, swaps=FAST),
        routine(f"  - {{do: curve, through: [{CURVE}]}}\n" * 49, 99),
    ),
    "1.5 million pairs": lambda: (field(20, structures=20), robot(), routine(pause(18), 20)),
    "1.5 million pairs, loose": lambda: (
        field(20, elements=20, loose=LOOSE),
        robot(),
        routine(pause(18), 20),
    ),
}


def main(names: list[str]) -> None:
    """Print a row for each case."""
    print(f"{'just below':<28}{'status':>7}{'CPU s':>9}{'peak MB':>9}")
    for name in names or CASES:
        with tempfile.TemporaryDirectory() as folder:
            root = Path(folder)
            for part in ("routines/robots", "fieldmaps"):
                (root / part).mkdir(parents=True)
            (root / "pyproject.toml").write_text("")
            places = ("fieldmaps/box.yaml", "routines/robots/small.yaml", "routines/out.yaml")
            for place, text in zip(places, CASES[name](), strict=True):
                (root / place).write_text(text)
            print(f"{name:<28}" + measured(root), flush=True)


def measured(root: Path) -> str:
    """Return status, time and memory of one check in one process."""
    words = [sys.executable, "-m", "driftgate", "check", "-q", "--no-cache", "--workers", "1"]
    environment = {**os.environ, "PYTHONPATH": str(PIPELINE), "OPENBLAS_NUM_THREADS": "1"}

    def bounded() -> None:
        resource.setrlimit(resource.RLIMIT_CPU, (MOST_S, MOST_S))
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))

    process = subprocess.Popen(
        words,
        cwd=root,
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        preexec_fn=bounded,
    )
    assert process.stderr is not None
    last = process.stderr.read().decode().strip().splitlines()[-1:]
    _, status, used = os.wait4(process.pid, 0)
    code = os.waitstatus_to_exitcode(status)
    row = f"{code:>7}{used.ru_utime + used.ru_stime:>9.1f}{used.ru_maxrss / 1024:>9.0f}"
    return row + (f"  {last[0][:100]}" if code not in (0, 1) and last else "")


if __name__ == "__main__":
    main(sys.argv[1:])
