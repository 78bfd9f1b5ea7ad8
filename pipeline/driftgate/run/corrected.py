"""The replays of `driftgate backtest`: the correction over logged ranges, under one setting or several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from driftgate.calibrate.backtest import WindowPlan, fit_reckoning
from driftgate.calibrate.beacon_checks import check_beacons
from driftgate.calibrate.beacons import BeaconModel, expect_point, fit_beacons, true_ranges
from driftgate.calibrate.correction_score import CorrectionScore, score_correction, too_still
from driftgate.calibrate.dead_reckoning import reckon
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.perturb import starts, with_false
from driftgate.calibrate.replay import Expecting, Pose, replay
from driftgate.calibrate.tracks import Ranges, ranges_of
from driftgate.calibrate.windows import IntArray, Track
from driftgate.core.errors import ModelError
from driftgate.core.findings import Finding
from driftgate.core.pose import FloatArray, compose, inverse
from driftgate.logs import Beacons, Log
from driftgate.predict.filter_model import FilterModel
from driftgate.predict.trial_update import Expectation
from driftgate.predict.values import Outcome
from driftgate.report.backtest_model import CorrectionRow
from driftgate.schema.correction import Correction, Gate, Update, WayBack

# After so many refusals in a row the filter widens; it is lost after so many more. Our choice, on the first
# half of the beacon data of J. Djugash, B. Hamner and S. Roth (2009): sooner is better after a wrong start,
# later where a fifth of the readings is false.
USUAL_WAY_BACK = WayBack(refusals=4, factor=10.0, lost_after=10)
USUAL_GATE = 3.0


@dataclass(frozen=True)
class CorrectionPlan:
    """How the correction is replayed.

    Attributes
    ----------
    gates : tuple of float or None
        Gates in standard deviations; None in it: no gate. Empty: the robot's own, or 3.
    ways_back : tuple of WayBack or None
        Ways back; None in it: none. Empty: the robot's own, or the usual one.
    combined : bool
        Whether every gate is tried with every way back, and not each by itself.
    false_share : float
        Share of the readings that is replaced by false ones, anew for each seed.
    every_nth : int
        Only each so many-th reading of the log is used.
    off_m, off_rad : float
        By how much the start is believed wrong.
    start_spread : tuple of float
        What the filter believes of its start: x, y, heading. [m, m, rad]
    mount : tuple of float
        Where the ranges' antenna or sensor sits on the robot. [m]
    """

    gates: tuple[float | None, ...] = ()
    ways_back: tuple[WayBack | None, ...] = ()
    combined: bool = False
    false_share: float = 0.0
    every_nth: int = 1
    off_m: float = 0.0
    off_rad: float = 0.0
    start_spread: tuple[float, float, float] = (0.05, 0.05, 0.01)
    mount: tuple[float, float] = (0.0, 0.0)

    def settings(self, own: Correction | None = None) -> list[Correction]:
        """Return the settings to compare, the first of them the one that is judged.

        That is the robot's own; without a robot the first gate and the first way back. Beside it each other
        gate and each other way back by itself; `combined`: every gate with every way back.
        """
        gates = [None if gate is None else Gate(sigmas=gate) for gate in self.gates]
        ways = list(self.ways_back)
        if own is None:
            base = Correction(
                update=Update(law="kalman"),
                gate=gates[0] if gates else Gate(sigmas=USUAL_GATE),
                way_back=ways[0] if ways else USUAL_WAY_BACK,
            )
        else:
            base = own
        pairs = [(gate, base.way_back) for gate in gates] + [(base.gate, way) for way in ways]
        if self.combined:
            pairs = list(product(gates or [base.gate], ways or [base.way_back]))
        found = [base]
        for gate, way in pairs:
            setting = base.model_copy(update={"gate": gate, "way_back": way})
            if setting not in found:
                found.append(setting)
        return found

    def count(self, seeds: Sequence[int]) -> int:
        """Return how many seeds there is something to draw for."""
        drawn = self.false_share > 0.0 or self.off_m > 0.0 or self.off_rad > 0.0
        return len(seeds) if drawn else 1


def correct_runs(
    plan: CorrectionPlan,
    windows: WindowPlan,
    constants: Sequence[str],
    noises: Sequence[str],
    models: Sequence[Fit],
    fitted: tuple[Sequence[Log], Sequence[Track]],
    judged: tuple[Sequence[Log], Sequence[Track]],
    beacons: Beacons,
    seeds: Sequence[int],
    warnings: list[str],
    findings: list[Finding],
) -> tuple[BeaconModel, tuple[CorrectionRow, ...]]:
    """Fit the ranges, and replay the correction over the runs judged.

    What speaks against the places of the beacons is added to `findings`; with an error nothing is replayed.

    The filter is held against the reference, leaps and all, so that its own noise is fitted on windows
    that have them; the constants are those of each run's model. What keeps a run from it is added to
    `warnings`.

    Raises
    ------
    ModelError
        If a beacon has too few readings to fit its scale and offset.
    """
    names = [name for name in beacons.name if any(name in log.ranges for log in fitted[0])]
    if not names:
        raise ModelError("no log has ranges to these beacons")
    position = np.array([beacons.position[beacons.name.index(name)] for name in names])
    found = [ranges_of(log, names) for log in fitted[0]]
    ranged = fit_beacons(fitted[1], found, names, position, plan.mount)
    against = check_beacons(ranged, fitted[1], found, fitted[0])
    findings += against
    if any(fault.level == "error" for fault in against):
        return ranged, ()
    whole, _ = fit_reckoning(fitted[1], replace(windows, jump_m=None), constants, noises)
    filter_model = _filter_model(plan, whole, ranged)
    rows: list[CorrectionRow] = []
    for model, log, track in zip(models, *judged, strict=True):
        if why := too_still(track):
            warnings.append(f"the correction of run '{track.name}' is not replayed: {why}")
            continue
        rows += _replays(plan, model, filter_model, ranged, track, log, names, list(seeds))
    return ranged, tuple(rows)


def _filter_model(plan: CorrectionPlan, fit: Fit, ranged: BeaconModel) -> FilterModel:
    noise = fit.noise
    distance, lateral = noise.get("distance_walk", 0.0), noise.get("lateral_walk", 0.0)
    return FilterModel(
        start_sd=plan.start_spread,
        along_per_root_m=distance,
        across_per_root_m=lateral,
        heading_per_root_m=noise.get("heading_walk:metre", 0.0),
        heading_per_root_s=noise.get("heading_walk:second", 0.0),
        heading_per_root_rad=noise.get("heading_walk:radian", 0.0),
        range_at_zero_m=tuple(ranged.own_sigma_m().tolist()),
        range_per_range=(0.0,) * len(ranged.name),
        wall_m=0.0,
        wall_tilt_rad=0.0,
        sideways_per_root_m=(lateral, distance),
    )


def beacon_expecting(ranged: BeaconModel) -> Expecting:
    """Return what is expected of ranges to beacons: every beacon, from everywhere."""
    places = [(float(x), float(y)) for x, y in ranged.position]

    def expecting(source: int, time_s: float, pose: Pose) -> tuple[Expectation, IntArray | Outcome]:
        return expect_point(pose, source, places[source], ranged.mount), Outcome.ACCEPTED

    return expecting


def _replays(
    plan: CorrectionPlan,
    model: Fit,
    filter_model: FilterModel,
    ranged: BeaconModel,
    track: Track,
    log: Log,
    names: Sequence[str],
    seeds: list[int],
) -> list[CorrectionRow]:
    begin = int(np.argmax(np.isfinite(track.reference).all(axis=1)))
    track = Track(track.name, track.time_s[begin:], track.twist[begin:], track.reference[begin:])
    false = None
    count, ranges = plan.count(seeds), ranges_of(log, names)
    if plan.false_share > 0.0:
        true_m = true_ranges(track, ranges, ranged.position, plan.mount)
        ranges, false = with_false(ranges, true_m, plan.false_share, seeds)
        false = false[:: plan.every_nth]
    ranges = ranges.pick(slice(None, None, plan.every_nth))
    corrected = Ranges(ranges.time_s, ranges.source, ranged.corrected(ranges))
    start = starts(track.reference[0], plan.off_m, plan.off_rad, count)
    path, twist, _ = reckon(track, model.constants)
    alone = _placed(track.reference[0], path)
    rows = []
    for i, setting in enumerate(plan.settings()):
        done = replay(
            track, twist, corrected, beacon_expecting(ranged), filter_model, setting, start,
            len(ranged.name),
        )  # fmt: skip
        score = score_correction(track, done, false, alone, log.reference_spread)
        rows.append(correction_row(track.name, setting, i == 0, score))
    return rows


def correction_row(
    run: str, setting: Correction, judged: bool, score: CorrectionScore, same: float | None = None
) -> CorrectionRow:
    """Return the row of one run under one setting."""
    gate = None if setting.gate is None else setting.gate.sigmas
    return CorrectionRow(run, gate, setting.way_back, judged, score, same)


def _placed(start: FloatArray, path: FloatArray) -> FloatArray:
    """Return a path from another start."""
    return compose(start, compose(inverse(path[0]), path))[:, :2]


__all__ = ["USUAL_GATE", "USUAL_WAY_BACK", "CorrectionPlan", "correct_runs", "correction_row"]
