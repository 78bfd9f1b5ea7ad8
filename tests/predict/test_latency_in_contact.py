"""Readings that wait while the robot pushes against a wall are those of where it was when they echoed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from driftgate.predict import run_trials
from driftgate.predict.echoes import EchoMaker

from .scenes import field_map, prepared, range_sensor, robot


@pytest.mark.parametrize("start_m", [-1.6, -1.84])
def test_law_each_reading_is_of_its_own_instant(start_m: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a contact step the plan moves on while the true pose stays: 0.9 s late, after a push of 0.2 s.

    The sensor looks back at the wall at x = 2 m, so each reading is 2 m less the true x at its echo; at
    rest against the wall at x = -2 m the middle of a robot of 0.3 m is at -1.85 m and it reads 3.85 m.
    """
    seen: list[tuple[float, float]] = []
    measure = EchoMaker.echo

    def spy(self: Any, r: int, p: Any, *arguments: Any) -> Any:
        echo = measure(self, r, p, *arguments)
        x_m = self._prepared.plan.timeline.pose[self._knots[r]][0] + np.asarray(p.xx)
        seen.append((float(2.0 - np.mean(x_m)), float(np.mean(echo.reading_m))))
        return echo

    monkeypatch.setattr(EchoMaker, "echo", spy)
    back = range_sensor(
        "back", 0.0, 0.0, 180.0, rate="10 Hz", latency="0.9 s", reach={"low": "0 m", "high": "6 m"}
    )
    case = prepared(
        [
            {"do": "square-up", "against": "west", "speed": "0.3 m/s", "push": "0.2 s"},
            {"do": "look", "time": "1.5 s"},
        ],
        robot(sensors=[back], correction={"when": "looking", "update": {"law": "replace"}}),
        field_map(x=(-2.0, 2.0), y=(-2.0, 2.0)),
        start=(start_m, 0.0, 180.0),
    )
    run_trials(case, 50, 4)
    expected, read = np.array(seen).T
    assert len(seen) >= 6
    assert read == pytest.approx(expected, abs=1e-9)
    assert read[-1] == pytest.approx(3.85, abs=1e-9)
