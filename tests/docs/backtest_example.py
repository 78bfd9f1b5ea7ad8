"""The backtest shown in README: twelve simulated runs of the calibration drive, six fitted, six judged."""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import tempfile
from pathlib import Path

from driftgate.cli import main

ROOT = Path(__file__).resolve().parents[2]


def _quiet(*arguments: str) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        main.run(list(arguments))
    return out.getvalue()


if __name__ == "__main__":
    os.chdir(ROOT)
    with tempfile.TemporaryDirectory() as folder:
        _quiet("sample-logs", "routines/calibration/drive.yaml", "--runs", "12", "--out", folder)
        old, new = Path(folder) / "old", Path(folder) / "new"
        for each in (old, new):
            each.mkdir()
        for i, log in enumerate(sorted(Path(folder).glob("*.csv"))):
            shutil.move(log, old if i < 6 else new)
        print("$ driftgate backtest new/ --fit old/ --between")
        print(_quiet("backtest", str(new), "--fit", str(old), "--between"), end="")
