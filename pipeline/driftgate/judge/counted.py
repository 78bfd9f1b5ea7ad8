"""What became of the readings, summed up to a step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.predict.values import Outcome, TrialsResult


@dataclass(frozen=True)
class Counted:
    """Readings of all sensors and trials up to a step, as shares.

    Attributes
    ----------
    accepted : int
        Readings accepted.
    wrong_share : float
        Of the accepted, those whose echo did not come from the expected surface.
    gate_share : float
        Of the readings that reached the gate, those refused there.
    no_echo_share : float
        Of the readings that validity let through, those without an echo.
    wrong_step, gate_step : int
        Where most of them were.
    """

    accepted: int
    wrong_share: float
    gate_share: float
    no_echo_share: float
    wrong_step: int
    gate_step: int


def counted_until(trials: TrialsResult, step: int) -> Counted:
    """Return what became of the readings up to and including a planned step."""
    counts = trials.counts[:, : step + 1, :].sum(axis=0)
    wrong = trials.wrongly_accepted[:, : step + 1].sum(axis=0)
    accepted = int(counts[:, Outcome.ACCEPTED].sum())
    refused = int(counts[:, Outcome.GATE].sum())
    at_gate = accepted + refused + int(counts[:, Outcome.HELD_BACK].sum())
    silent = int(counts[:, Outcome.NO_ECHO].sum())
    return Counted(
        accepted=accepted,
        wrong_share=int(wrong.sum()) / max(1, accepted),
        gate_share=refused / max(1, at_gate),
        no_echo_share=silent / max(1, at_gate + silent),
        wrong_step=int(np.argmax(wrong)) if wrong.size else 0,
        gate_step=int(np.argmax(counts[:, Outcome.GATE])) if counts.size else 0,
    )


def share_words(share: float, digits: int = 1) -> str:
    """Return a share in per cent for running text: "3.1 %"."""
    return f"{100.0 * share:.{digits}f} %"
