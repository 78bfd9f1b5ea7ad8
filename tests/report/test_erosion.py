"""Comparisons with a baseline, in each format."""

from __future__ import annotations

import dataclasses
import json

from driftgate.core.findings import Finding
from driftgate.judge.paired_values import Change, Difference, ErrorChange, Loosening
from driftgate.report.compare_model import CaseChange, Comparison
from driftgate.report.erosion import change_words, comparison_json, comparison_markdown, render_comparison

HOSTILE = "x\x1b[31m|`<b>\u202e"


def change(name="end", word="worse", low=0.05, visible=0.01):
    """Return a change that uses more of the tolerance."""
    errors = ErrorChange(
        "x", 0.01, 0.012, Difference(0.002, 0.001, 0.003), 0.38, 0.47, 0.4, 0.5,
        Difference(0.1, low, 0.15), 0.02,
    )  # fmt: skip
    return Change(
        name, word, 1000, 30, 10, 0.99, 0.97, Difference(-0.02, -0.03, -0.01), 0.001, visible, errors
    )


def comparison(*changes, loosened=(), **more):
    """Return a comparison of one case."""
    case = CaseChange("routines/a.yaml", "Made", "f.yaml", changes=changes, renamed=(("a", "b"),), new=("c",))
    return Comparison("pin", 1, 1000, 0.95, 3, 0.02, "fail", loosenings=loosened, cases=(case,), **more)


def test_law_one_trial_is_no_trials():
    """One trial lost is said so."""
    assert "1 trial lost, 10 won" in change_words(dataclasses.replace(change(), worse=1))


def test_law_what_decides_comes_first():
    """A word that the margin decides leads with the error; else the probability of success does."""
    by_margin = dataclasses.replace(change(), decided_by="margin")
    assert change_words(by_margin).startswith("95 % error on x 10.0 -> 12.0 mm")
    assert change_words(dataclasses.replace(change(), decided_by="success")).startswith("success 99.00 %")


def test_law_shares_say_of_what_they_are():
    """An axis is held against its own tolerance; all axes together are told apart where they differ."""
    words = change_words(change())
    assert "(+1.0 to +3.0), 38 % -> 47 % of its tolerance (all axes together 40 % -> 50 %)" in words
    alone = dataclasses.replace(change().errors, axis_used_before=0.4, axis_used_now=0.5)
    assert "together" not in change_words(dataclasses.replace(change(), errors=alone))


def test_law_loosening_comes_before_figures():
    """In every format what was loosened is told first, with both values."""
    found = comparison(change(), loosened=(Loosening("a.yaml", 7, "final.required", "90 %", "80 %", "less"),))
    for text in (render_comparison(found), comparison_markdown(found)):
        assert text.index("final.required") < text.index("end")
        assert "90 %" in text
    assert "a.yaml:7 final.required: 90 % -> 80 % (less)" in render_comparison(found)


def test_law_figures_and_what_would_have_shown():
    """A change has both values, the interval, and without a difference the smallest loss in sight."""
    text = render_comparison(comparison(change(), change("a", "no difference seen")))
    assert "success 99.00 % -> 97.00 % (-3.00 to -1.00 points; 30 trials lost, 10 won)" in text
    assert "95 % error on x 10.0 -> 12.0 mm (+1.0 to +3.0), 38 % -> 47 % of its tolerance" in text
    assert text.count("would have been seen, or of") == 1
    assert "a loss of 1.00 points would have been seen, or of 2.00 % of the tolerance" in text
    assert "no loss would have been seen" in render_comparison(
        comparison(change(word="no difference seen", visible=None))
    )


def test_law_the_same_in_every_trial_is_said():
    """Where no trial differs no loss of margin is put at 0.00 %: in each format it says that nothing does."""
    errors = dataclasses.replace(change().errors, used=Difference(0.0, 0.0, 0.0), visible=None)
    alike = dataclasses.replace(change(word="no difference seen"), errors=errors)
    same = comparison(dataclasses.replace(alike, same=True))
    for text in (render_comparison(same), comparison_markdown(same).replace("<br>", "; ")):
        assert "the same in every trial; a loss of 1.00 points would have been seen" in text
        assert "of its tolerance (all" in text  # the figures themselves stay
        assert "could have missed" not in text
    assert json.loads(comparison_json(same))["cases"][0]["changes"][0]["same"] is True
    # Some trials differ, and no section's margin does.
    text = render_comparison(comparison(alike))
    assert "a loss of 1.00 points would have been seen; the margin is the same in every tenth of" in text
    assert json.loads(comparison_json(comparison(alike)))["cases"][0]["changes"][0]["same"] is False


def test_law_requirements_beyond_plain_trials_are_said():
    """Where a tolerance requires 99.99 % or more, it is said that plain trials hardly show its losses."""
    words = "1 tolerance requires 99.99 % or more, and these are plain trials"
    for found, said in ((comparison(change(), strict=1), True), (comparison(change()), False)):
        for text in (render_comparison(found), comparison_markdown(found)):
            assert (words in text) == said
    assert "2 tolerances require" in render_comparison(comparison(change(), strict=2))


def test_law_erosion_is_what_is_shown_beyond_what_is_allowed():
    """Only the part of a loss that is shown counts, and only beyond the allowance."""
    assert comparison(change(low=0.05)).eroded == ("1 loss beyond what is allowed",)
    assert comparison(change(low=0.015)).eroded == ()
    assert comparison(change(word="better", low=0.05)).eroded == ()
    assert comparison(gone=("a", "b")).eroded == ("2 cases gone",)
    assert comparison(unread=(Finding("a", 1, 1, "DG101", "m"),)).eroded
    broke = dataclasses.replace(comparison().cases[0], broke=True, note="no")
    assert dataclasses.replace(comparison(), cases=(broke,)).eroded == ("1 plan no longer feasible",)


def test_law_success_alone_can_erode():
    """A loss of success that is shown beyond the allowance counts without any loss of margin."""
    lost = dataclasses.replace(change(), success=Difference(-0.05, -0.06, -0.04), errors=None)
    assert lost.shown_loss == 0.04
    assert comparison(lost).eroded


def test_law_blind_comparisons_are_told():
    """A comparison that could have missed an allowed loss says so."""
    text = render_comparison(comparison(change(word="no difference seen", visible=0.3)))
    assert "1 of 1 comparisons could have missed a loss of 2 %" in text
    assert "could have missed" not in render_comparison(comparison(change(word="no difference seen")))


def test_law_quiet_leaves_out_what_is_no_worse():
    """Quiet shows what got worse and what was loosened, and nothing else."""
    text = render_comparison(comparison(change(), change("a", "no difference seen")), quiet=True)
    assert "  end" in text
    assert "no difference seen" not in text


def test_law_hostile_texts_steer_nothing():
    """Names and values from files are harmless in each format."""
    found = comparison(
        change(HOSTILE),
        loosened=(Loosening(HOSTILE, 1, HOSTILE, HOSTILE, HOSTILE, "less"),),
        gone=(HOSTILE,),
        new=(HOSTILE,),
        tool=(HOSTILE,),
        unread=(Finding(HOSTILE, 1, 1, "DG101", HOSTILE, excerpt=HOSTILE),),
    )
    found = dataclasses.replace(found, baseline=HOSTILE)
    assert "\x1b" not in render_comparison(found)
    text = comparison_markdown(found)
    assert "\x1b" not in text
    assert "<b>" not in text
    assert json.loads(comparison_json(found))["gone"] == [HOSTILE]


def test_law_json_says_what_erodes():
    """The JSON form has every record and the reasons."""
    found = json.loads(comparison_json(comparison(change())))
    assert found["schema"] == "driftgate-comparison/1"
    assert found["eroded"] == ["1 loss beyond what is allowed"]
    assert found["cases"][0]["changes"][0]["errors"]["used"]["low"] == 0.05
