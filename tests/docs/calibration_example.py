"""The calibration shown in README: six simulated runs of the calibration drive, and what their logs show."""

from __future__ import annotations

import contextlib
import io
import os
import tempfile
from pathlib import Path

from driftgate.cli import main

ROOT = Path(__file__).resolve().parents[2]
ROBOT = "routines/robots/wren.yaml"


def _quiet(*arguments: str) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        status = main.run(list(arguments))
    assert status == 0, out.getvalue()
    return out.getvalue()


if __name__ == "__main__":
    os.chdir(ROOT)
    with tempfile.TemporaryDirectory() as folder:
        _quiet("sample-logs", "routines/calibration/drive.yaml", "--out", folder)
        print("$ driftgate sample-logs routines/calibration/drive.yaml --out runs/   # or your own runs")
        print(f"$ driftgate calibrate runs/ --robot {ROBOT} --out wren-fitted.yaml")
        print(_quiet("calibrate", folder, "--robot", ROBOT, "--out", f"{folder}/fitted.yaml"), end="")
