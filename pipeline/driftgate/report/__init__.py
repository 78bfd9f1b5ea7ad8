"""Verdicts to what people and machines read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from driftgate.core.lazy import lazy_names

if TYPE_CHECKING:
    from driftgate.report.as_json import render_json
    from driftgate.report.as_junit import render_junit
    from driftgate.report.as_markdown import render_markdown
    from driftgate.report.explain import render_explanation
    from driftgate.report.model import CaseReport, RunReport
    from driftgate.report.terminal import render_terminal
    from driftgate.report.write import write_whole

__all__ = [
    "CaseReport",
    "RunReport",
    "render_explanation",
    "render_json",
    "render_junit",
    "render_markdown",
    "render_terminal",
    "write_whole",
]

__getattr__ = lazy_names(
    __name__,
    {
        "CaseReport": "model",
        "RunReport": "model",
        "render_explanation": "explain",
        "render_json": "as_json",
        "render_junit": "as_junit",
        "render_markdown": "as_markdown",
        "render_terminal": "terminal",
        "write_whole": "write",
    },
)
