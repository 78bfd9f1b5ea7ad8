"""The error model of a robot file, and of a log's reference, as a fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from driftgate.calibrate.dead_reckoning import NOISES
from driftgate.calibrate.estimate import t_widening
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.size_doubt import written
from driftgate.calibrate.slips import Slips
from driftgate.predict.doubt import correlations, fitted_numbers, freedoms
from driftgate.predict.increments import DRIFT_KEYS
from driftgate.predict.sources import drift_sources
from driftgate.schema.robot import Robot

_WALKS = ("distance_walk", "lateral_walk", "heading_walk")


def robot_model(robot: Robot) -> Fit:
    """Return the error model of a robot file as a fit: means, and spreads over runs as their errors.

    Where the file says how well a mean is known (`fitted`), that is part of the error too, and so is
    how well the walks are.
    """
    sources, noise = drift_sources(robot)
    known = [c for c in sources if c.key in DRIFT_KEYS]
    constants = {c.key: c.mean for c in known}
    mean_error = {number.key: number.mean_error for number in fitted_numbers(robot)}
    spread = np.array([np.hypot(c.spread, mean_error.get(c.key, 0.0)) for c in known])
    sds = {
        "distance_walk": noise.distance_per_root_m,
        "lateral_walk": noise.lateral_per_root_m,
        "heading_walk:metre": noise.heading_per_root_m,
        "heading_walk:second": noise.heading_per_root_s,
        "heading_walk:radian": noise.heading_per_root_rad,
    }
    names = (*constants, *(name for name in NOISES if name in sds))
    covariance, common = np.zeros((len(names), len(names))), np.zeros((len(names), len(names)))
    covariance[: len(spread), : len(spread)] = np.diag(np.square(spread))
    # A spread over runs is drawn anew in each; how well the mean is known is the same in all.
    alike = np.array(
        [np.hypot(c.spread * (c.constant_over != "run"), mean_error.get(c.key, 0.0)) for c in known]
    )
    common[: len(alike), : len(alike)] = np.diag(np.square(alike))
    for (one, other), value in correlations(list(fitted_numbers(robot))).items():
        if one in constants and other in constants:
            i, k = names.index(one), names.index(other)
            together = value * mean_error[one] * mean_error[other]
            covariance[i, k] = covariance[k, i] = common[i, k] = common[k, i] = together
    known_by = freedoms(robot)
    walks = {
        walk: tuple(s for s in sds if s.partition(":")[0] == walk) for walk in _WALKS if walk in known_by
    }
    sized = tuple((parts, known_by[walk]) for walk, parts in walks.items())
    slips = _slips_of(robot)
    return Fit(constants, sds, names, covariance, 0, 0.0, float("nan"), slips, sized, common)


def as_uncertain(model: Fit, robot: Robot) -> Fit | None:
    """Return the model of a robot file with its spreads and walks as uncertain as the trials draw them.

    It is wide, so that it calls little right: what a file is judged by are its numbers as they stand
    (`robot_model`). But errors that so few runs leave possible are no fault of it. None if it gives no
    degrees of freedom.
    """
    freedom = freedoms(robot)
    mean_error = {n.key: n.mean_error for n in fitted_numbers(robot)}
    spreads = {c.key: c.spread for c in drift_sources(robot)[0] if c.key in DRIFT_KEYS and c.spread > 0.0}
    covariance = model.covariance.copy()
    common = covariance.copy() if model.common is None else model.common.copy()
    for i, key in enumerate(model.constants):
        if key in freedom and key not in spreads:
            # Of what is the same in all runs there is the mean's error alone.
            for part in (covariance, common):
                part[i, :] *= t_widening(freedom[key])
                part[:, i] *= t_widening(freedom[key])
    numbers: list[tuple[tuple[str, ...], float]]
    numbers = [((key,), freedom[key]) for key in spreads if key in freedom]
    walks = {walk: tuple(s for s in model.noise if s.partition(":")[0] == walk) for walk in _WALKS}
    numbers += [(names, freedom[walk]) for walk, names in walks.items() if walk in freedom and names]
    if not numbers:
        return None
    every = [name for names, _ in numbers for name in names]
    sizes = np.array([spreads.get(name, model.noise.get(name, 0.0)) for name in every])
    # The error of a mean is larger where the spread is.
    shares = [np.square(mean_error.get(name, 0.0) / spreads.get(name, np.inf)) for name in every]
    doubt = written(numbers, np.square(sizes), np.array(shares))
    return replace(
        model, covariance=covariance, common=common, spread=spreads, doubt=doubt, sized=(), of_each_run=()
    )


def _slips_of(robot: Robot) -> Slips | None:
    """Return the rare slips of a robot file, as large as they may be where few were seen.

    So that a single slip has the 95 % interval of Student's t. The rate is the mean of what the trials draw.
    """
    source = robot.errors.rare_slip
    if source is None or not (source.rate > 0.0 and source.along > 0.0):
        return None
    fitted = source.fitted
    freedom = None if fitted is None else fitted.freedom
    return Slips(source.rate, source.along * (1.0 if freedom is None else t_widening(freedom)))


def with_reference_spread(model: Fit, spread: tuple[float, float, float] | None) -> Fit:
    """Return a model that knows how well the reference was measured: jitter at both ends of a window.

    A model fitted on windows has found it out for itself; one of whole runs has what is beyond it.
    """
    if spread is None:
        return model
    x, y, heading = spread
    stated = {"jitter:position": float(np.sqrt(0.5 * (x * x + y * y))), "jitter:heading": heading}
    # What is stated is no estimate, and no wider for that.
    wider = {name: t_widening(freedom) for names, freedom in model.sized for name in names}
    jitter = {
        name: float(np.hypot(model.noise.get(name, 0.0), sd / wider.get(name, 1.0)))
        for name, sd in stated.items()
    }
    return replace(model, noise={**model.noise, **jitter})
