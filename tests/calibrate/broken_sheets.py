"""Slips that people make in a tape sheet, made in the shipped one."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SOUND = (ROOT / "routines" / "calibration" / "wren-tape.yaml").read_text(encoding="utf-8")
_END = re.compile(r"tape: \[(-?\d+) mm, (-?\d+) mm\], robot: \[(-?\d+) mm, (-?\d+) mm\]")


def ends(
    text: str, change: Callable[[int, int, int, int], tuple[int, int, int, int]], unit: str = "mm"
) -> str:
    """Return a sheet with the numbers of every end changed: ahead and left by tape, then by the robot."""

    def one(match: re.Match[str]) -> str:
        a, b, c, d = change(*(int(part) for part in match.groups()))
        return f"tape: [{a} {unit}, {b} {unit}], robot: [{c} {unit}, {d} {unit}]"

    return _END.sub(one, text)


def exchanged_lists(text: str) -> str:
    """Return a sheet whose right-hand drives stand under `left`, and the other way round."""
    return text.replace("  right:", "  XX:").replace("  left:", "  right:").replace("  XX:", "  left:")


def exchanged_columns(text: str) -> str:
    """Return a sheet in which what the robot said stands under `tape`, and the other way round."""
    return re.sub(r"tape: (.*?), robot: (.*?)\}", r"tape: \2, robot: \1}", text)


def _half(text: str, way: str) -> tuple[str, str]:
    at = text.index("  left:")
    return (text[:at], text[at:]) if way == "right" else (text[at:], text[:at])


def _straights(text: str, change: Callable[[float, float], tuple[str, str]]) -> str:
    return re.sub(
        r"tape: (\d\.\d+) m, robot: (\d\.\d+) m",
        lambda m: "tape: {}, robot: {}".format(*change(float(m[1]), float(m[2]))),
        text,
    )


def _plain(a: int, b: int, c: int, d: int) -> tuple[int, int, int, int]:
    return a, b, c, d


_RIGHT, _LEFT = _half(SOUND, "right")

# Name: the sheet, the line and code of the finding, and a word that says what to change.
REFUSED: dict[str, tuple[str, str, str, str]] = {
    "lists exchanged": (exchanged_lists(SOUND), "right:", "DG631", "exchange the two lists"),
    "y to the right": (
        ends(SOUND, lambda a, b, c, d: (a, -b, c, -d)),
        "right:",
        "DG631",
        "left are positive",
    ),
    "x behind": (ends(SOUND, lambda a, b, c, d: (-a, b, -c, d)), "right:", "DG631", "ahead and left"),
    "x behind, right only": (
        ends(_RIGHT, lambda a, b, c, d: (-a, b, c, d)) + _LEFT,
        *("right:", "DG631", "look under 'right'"),
    ),
    "left is right": (
        _RIGHT + "  left:\n" + _RIGHT[_RIGHT.index("    - {tape: [-23") :],
        "left:",
        "DG631",
        "copy",
    ),
    "another corner": (ends(SOUND, lambda a, b, c, d: (a + 140, b + 40, c, d)), "right:", "DG631", "140 mm"),
    "side in mm": (
        SOUND.replace("side: 1.5 m", "side: 47 mm"),
        "side:",
        "DG112",
        "'47 cm' or '47 in' or '470 mm'",
    ),
    "side in cm": (SOUND.replace("side: 1.5 m", "side: 15 cm"), "side:", "DG112", "'150 cm'"),
    "side, a digit": (
        ends(SOUND, lambda a, b, c, d: (5 * a, 5 * b, c, d)).replace("side: 1.5 m", "side: 0.35 m"),
        *("side:", "DG112", "'3.5 m'"),
    ),
    "time in ms": (SOUND.replace("16.0 s", "16.0 ms"), "lap_time:", "DG112", "'16.0 s'"),
    "time in min": (SOUND.replace("16.0 s", "16.0 min"), "lap_time:", "DG112", "'16.0 s'"),
    "track in mm": (
        SOUND.replace("heading_from: gyro", "heading_from: wheels\ntrack_width: 27 mm"),
        *("track_width:", "DG112", "'270 mm'"),
    ),
    "straights in mm": (
        _straights(SOUND, lambda tape, robot: (f"{tape} mm", f"{robot} mm")),
        *("  - {tape: 2.004", "DG112", "'2.004 m'"),
    ),
    "straights, inches counted": (
        _straights(SOUND, lambda tape, robot: (f"{tape} m", f"{robot * 39.37:.1f} cm")),
        *("  - {tape: 2.004", "DG112", "in 'cm' and the other in 'in'"),
    ),
}
DOUBTFUL: dict[str, tuple[str, str, str, str]] = {
    "one end in cm": (
        SOUND.replace("[-9 mm, 14 mm]", "[-9 cm, 14 cm]"),
        "[-9 cm",
        "heading",
        "mm in place of cm",
    ),
    "columns exchanged": (exchanged_columns(SOUND), "right:", "heading", "exchange 'tape' and 'robot'"),
    "one column copied": (ends(SOUND, lambda a, b, c, d: (a, b, a, b)), "right:", "heading", "copy"),
    "straights copied": (
        _straights(SOUND, lambda tape, robot: (f"{tape} m",) * 2),
        *("  - {tape: 2.004", "distance", "copy of the other"),
    ),
    "one minus forgotten": (
        SOUND.replace("[-19 mm, 13 mm]", "[19 mm, 13 mm]"),
        *("[19 mm", "heading", "'ahead' counted the other way"),
    ),
    "three lines copied": (
        re.sub(r"(    - \{tape: \[-23.*\n)(    -.*\n){2}", lambda m: m[1] * 3, SOUND),
        *("tape: [-23", "heading", "a line copied"),
    ),
    "straights all one": (
        re.sub(r"(  - \{tape: 2.004.*\n)(  -.*\n){4}", lambda m: m[1] * 5, SOUND),
        *("  - {tape: 2.004", "distance", "was one copied"),
    ),
    "one drive bumped": (SOUND.replace("[-26 mm, -35 mm]", "[44 mm, -80 mm]"), "[44 mm", "heading", "bumped"),
    "one sign": (
        SOUND.replace("[-26 mm, -35 mm]", "[-26 mm, 35 mm]"),
        "35 mm]",
        "heading",
        "'to the left' counted",
    ),
    "one drive the other way": (
        SOUND.replace("[-30 mm, -31 mm]", "[-16 mm, 11 mm]"),
        *("[-16 mm, 11", "heading", "the drives that turned left"),
    ),
    "one drive's columns": (
        SOUND.replace(
            "tape: [-26 mm, -35 mm], robot: [-2 mm, 0 mm]", "tape: [-2 mm, 0 mm], robot: [-26 mm, -35 mm]"
        ),
        *("robot: [-26", "heading", "tape and robot exchanged"),
    ),
    "a drive copied": (
        re.sub(r"(    - \{tape: \[-23.*\n)(    -.*\n){4}", lambda m: m[1] * 5, SOUND),
        *("right:", "heading", "copied"),
    ),
    "all ends in cm": (ends(SOUND, _plain, "cm"), "side:", "heading", "slip of a unit"),
    "all ends in cm, of wheels": (
        ends(SOUND, _plain, "cm").replace("heading_from: gyro", "heading_from: wheels\ntrack_width: 270 mm"),
        *("side:", "", "slip of a unit"),
    ),
    "straights from the wrong edge": (
        _straights(SOUND, lambda tape, robot: (f"{tape - 0.3:.3f} m", f"{robot} m")),
        *("  - {tape: 1.704", "distance", "same point of the robot"),
    ),
    "one straight's digit": (
        SOUND.replace("robot: 2.010 m", "robot: 2.110 m"),
        "2.110 m",
        "distance",
        "digit",
    ),
}
# What README says does not show in a sheet by itself.
SILENT: dict[str, str] = {
    "ahead and left exchanged": ends(SOUND, lambda a, b, c, d: (b, a, d, c)),
    "columns of the straights exchanged": _straights(SOUND, lambda tape, robot: (f"{robot} m", f"{tape} m")),
    "time of one side": SOUND.replace("16.0 s", "4.0 s"),
}
