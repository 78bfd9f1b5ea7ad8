"""Colours and rules that every page and picture shares, light and dark.

No colour carries a meaning alone: a shape, a pattern or a word says the same. Contrast and the distance of
colours for the colour-blind are checked by `tests/report/test_style.py`.
"""

from __future__ import annotations

from importlib.resources import files
from typing import Final

# name: (light, dark)
COLOURS: Final[dict[str, tuple[str, str]]] = {
    "paper": ("#ffffff", "#11181f"),
    "panel": ("#f3f6f8", "#1a242d"),
    "ink": ("#17212b", "#e8eef3"),
    "soft": ("#4c5965", "#a9b6c2"),
    "line": ("#ccd4db", "#3a4752"),
    "control": ("#77838f", "#74828f"),
    "plan": ("#00508f", "#79bdf5"),
    "trial": ("#6d7986", "#8794a1"),
    "good": ("#00665a", "#58d3bb"),
    "bad": ("#b02a00", "#ff9a75"),
    "open": ("#755000", "#f0c453"),
    "fix": ("#00756a", "#3fb8a6"),
    "heading": ("#7a2f8f", "#d8a0f0"),
    "loose": ("#a85100", "#f0a860"),
    "chosen": ("#9600f0", "#ffe100"),
}
# Of the table of faults, the worst first: light, dark.
HEATS: Final = (
    ("#f4b6ad", "#6b211b"),
    ("#f8cdb4", "#69371b"),
    ("#fae3b8", "#5f4a16"),
    ("#f3f0c4", "#4a4e1c"),
    ("#dcefc9", "#2f4d26"),
    ("#c6e8cf", "#1c4a2f"),
)
# Text on these grounds has to be legible.
GROUNDS: Final = ("paper", "panel")
TEXTS: Final = ("ink", "soft", "plan", "good", "bad", "open", "heading", "loose", "chosen")
# Lines and marks that have to be seen.
MARKS: Final = ("control", "trial", "fix", *TEXTS)


def variables(dark: bool) -> str:
    """Return the colours as custom properties."""
    return " ".join(f"--{name}: {pair[int(dark)]};" for name, pair in COLOURS.items())


def colours_css() -> str:
    """Return rules that follow the reader's light or dark, and print in light."""
    return (
        f":root {{ color-scheme: light dark; {variables(False)} }}\n"
        f"@media (prefers-color-scheme: dark) {{ :root {{ {variables(True)} }} }}\n"
        f"@media print {{ :root {{ color-scheme: light; {variables(False)} }} }}\n"
    )


def heats_css() -> str:
    """Return the grounds of the table of faults."""
    light, dark = (
        "\n".join(f"td.heat{i} {{ background: {pair[which]}; }}" for i, pair in enumerate(HEATS))
        for which in (0, 1)
    )
    return f"{light}\n@media screen and (prefers-color-scheme: dark) {{\n{dark}\n}}\n"


def asset(name: str) -> str:
    """Return a file that lies beside this module."""
    return files("driftgate.report").joinpath("assets", name).read_text(encoding="utf-8")
