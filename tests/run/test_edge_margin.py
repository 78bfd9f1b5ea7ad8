"""Readings that the edge margin refuses are called that, and not the corridor's."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_project import ROBOT, write_project

from driftgate.report.explain import render_explanation
from driftgate.report.picture import View
from driftgate.report.svg_strips import view_words
from driftgate.run.explain import ExplainSettings, explain_routine


def test_law_the_edge_margin_has_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The wall met is 1 m from its ends at the most: a margin of 1.1 m refuses every reading in reach."""
    monkeypatch.chdir(write_project(tmp_path))
    robot = tmp_path / "routines/robots/small.yaml"
    robot.write_text(ROBOT.replace("validity: {", "validity: {edge_margin: 1.1 m, "))
    settings = ExplainSettings(Path("routines/out.yaml"), trials=50, sample="fixed")
    explained = explain_routine(settings, lambda *_: None).explained
    assert explained is not None
    text = render_explanation(explained)
    assert " edge margin; too near: end of east" in text
    assert "in the way" not in text
    (header,) = [line for line in text.splitlines() if "wrongly accepted" in line]
    assert "  edge margin  " in header
    assert "corridor" not in header
    robot.write_text(ROBOT.replace("validity: {", "validity: {edge_margin: 1.1 m, corridor: 9 mm, "))
    explained = explain_routine(settings, lambda *_: None).explained
    assert explained is not None
    assert "  corridor or edge margin  " in render_explanation(explained)


def test_law_a_strip_of_the_page_says_too_near() -> None:
    """What a strip shows of a hit near a wall's end is no thing in the way."""
    near = View(0.0, 1.0, "edge margin", "east", "end of east", 1, (1.0, 1.0), 3)
    assert view_words(near) == "edge margin: east, too near end of east, 1.00 m"
    pot = View(0.0, 1.0, "corridor", "east", "pot", 1, (1.0, 1.0), 3)
    assert view_words(pot) == "corridor: east, in the way: pot, 1.00 m"
