"""A `Log` as text, which `read_log` reads back."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.logs.cells import NO_ECHO
from driftgate.logs.preamble import FORMAT, LOG_KEY
from driftgate.logs.values import Log

_Column = tuple[str, Callable[[int], str]]


def write_log(log: Log, notes: Sequence[str] = ()) -> str:
    """Return the text of a log: metres to a micrometre, headings in degrees to a millionth.

    Parameters
    ----------
    log : Log
        The run. Columns that never have a value are left out.
    notes : sequence of str
        Remarks for the preamble, a line each.

    Raises
    ------
    ModelError
        If a name or note holds a line end, so that it would be read as something else.
    """
    columns = _columns(log)
    lines = [f"# {key}: {_one_line(value)}" for key, value in _preamble(log, notes)]
    lines.append(",".join(_cell(title) for title, _ in columns))
    lines += [",".join(cell(i) for _, cell in columns) for i in range(len(log.time_s))]
    return "\n".join(lines) + "\n"


def _preamble(log: Log, notes: Sequence[str]) -> list[tuple[str, str]]:
    entries = [(LOG_KEY, FORMAT), ("run", log.run)]
    if log.day is not None:
        entries.append(("day", log.day.isoformat()))
    for key, value in (("robot", log.robot), ("routine", log.routine), ("field", log.field)):
        if value is not None:
            entries.append((key, value))
    entries.append(("origin", log.origin))
    if log.reference_spread is not None:
        x, y, heading = log.reference_spread
        text = f"{_number(x * 1e3, 6)} mm, {_number(y * 1e3, 6)} mm, {_number(math.degrees(heading), 9)} deg"
        entries.append(("reference spread", text))
    return entries + [("note", note) for note in notes]


def _columns(log: Log) -> list[_Column]:
    columns: list[_Column] = [("time [s]", _numbers(log.time_s, 9))]
    if log.step is not None:
        columns.append(("step", _words(log.step)))
    for title, values in (("forward [m]", log.forward_m), ("sideways [m]", log.sideways_m)):
        if log.has_odometry.any() and (title == "forward [m]" or np.any(values != 0.0)):
            columns.append((title, _numbers(np.where(log.has_odometry, values, np.nan), 6)))
    for title, values, digits in (
        ("heading [deg]", np.degrees(log.heading_rad), 6),
        ("speed [m/s]", log.speed_mps, 6),
        *_pose("believed", log.believed),
        *_pose("reference", log.reference),
    ):
        if not np.isnan(values).all():
            columns.append((title, _numbers(values, digits)))
    if any(log.reference_by):
        columns.append(("reference by", _words(log.reference_by)))
    for name, readings in log.ranges.items():
        columns.append((f"range {name} [m]", _readings(readings.reading_m, readings.fired)))
        if readings.fix is not None:
            columns.append((f"fix {name}", _words(readings.fix)))
    return columns


def _pose(kind: str, pose: FloatArray) -> list[tuple[str, FloatArray, int]]:
    return [
        (f"{kind} x [m]", pose[:, 0], 6),
        (f"{kind} y [m]", pose[:, 1], 6),
        (f"{kind} heading [deg]", np.degrees(pose[:, 2]), 6),
    ]


def _numbers(values: FloatArray, digits: int) -> Callable[[int], str]:
    return lambda i: "" if math.isnan(values[i]) else _number(float(values[i]), digits)


def _readings(reading_m: FloatArray, fired: np.ndarray) -> Callable[[int], str]:
    def cell(i: int) -> str:
        if not fired[i]:
            return ""
        return NO_ECHO if math.isnan(reading_m[i]) else _number(float(reading_m[i]), 6)

    return cell


def _words(words: Sequence[str]) -> Callable[[int], str]:
    return lambda i: _cell(words[i])


def _number(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def _cell(text: str) -> str:
    text = _one_line(text)
    return '"' + text.replace('"', '""') + '"' if "," in text or '"' in text else text


def _one_line(text: str) -> str:
    if not text.isprintable():
        raise ModelError("a log's names and notes are of one line each")
    return text
