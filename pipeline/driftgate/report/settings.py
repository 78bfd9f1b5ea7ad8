"""Settings that are in force, as a table for people and as JSON for programs."""

from __future__ import annotations

from itertools import groupby
from typing import Final

from driftgate.report.findings import render_findings
from driftgate.report.json_text import as_text, plain_object
from driftgate.report.paint import Paint
from driftgate.report.settings_model import SettingsReport
from driftgate.report.text import plain, table

SETTINGS_SCHEMA: Final = "driftgate-settings/1"
_LONGEST: Final = 60
# A default that is one of these acts nowhere.
_NOTHING: Final = ("none", "[]", "{}")


def render_settings(report: SettingsReport, everything: bool = False, colour: bool = False) -> str:
    """Return the settings group by group: key, value, where it comes from.

    Keys that are left out and stand for nothing are counted, or with `everything` shown.
    """
    shown = [s for s in report.settings if everything or not (s.value in _NOTHING and s.origin == "default")]
    lines = render_findings(report.findings, Paint(colour))
    if report.path:
        lines.append(f"{plain(report.path)}  {plain(report.title)}")
    for group, settings in groupby(shown, key=lambda setting: setting.group):
        rows = [(plain(s.key), _short(plain(s.value)), plain(s.where())) for s in settings]
        lines += ["", plain(group), *table(("key", "value", "from"), rows)]
    hidden = len(report.settings) - len(shown)
    if hidden:
        lines += ["", f"{hidden} keys that are left out, and then stand for nothing, are not shown: --all"]
    return "\n".join(lines) + "\n" if lines else ""


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"


def render_settings_json(report: SettingsReport) -> str:
    """Return the settings as JSON text; findings of the files are counted."""
    return as_text({"schema": SETTINGS_SCHEMA, **plain_object(report), "findings": len(report.findings)})
