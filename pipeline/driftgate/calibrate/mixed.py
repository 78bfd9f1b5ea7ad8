r"""Means, and standard deviations of what varies between runs and within them, by restricted likelihood.

Each run gives a vector of errors :math:`r = X\mu + e`, with :math:`e` normal and of covariance
:math:`V = V_0 + \sum_c v_c C_c`: one term for each kind of noise and for each constant that differs from run
to run. The variances maximise the restricted likelihood (REML), which allows for the means having been
fitted from the same runs, as n - 1 does for a plain standard deviation ([1]_). Degrees of freedom are those
that give an estimated variance its own variance (Satterthwaite, as in [2]_, G.4.1), taken from the expected
information.

References
----------
.. [1] H. D. Patterson and R. Thompson, "Recovery of inter-block information when block sizes are unequal,"
   Biometrika 58, 1971, pp. 545-554 (from memory; checked by simulation in the tests).
.. [2] JCGM 100:2008, Guide to the expression of uncertainty in measurement.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from driftgate.calibrate.estimate import Estimate
from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray

# Of a search for where a profile likelihood ends: how many steps, how far one goes, how near is near enough.
_STEPS, _FARTHEST, _NEARLY = 20, 2.0, 0.995
_LEAST_FREEDOM, _MOST_FREEDOM = 1.0, 1e6


@dataclass(frozen=True)
class Block:
    """What one run shows; runs are independent of each other.

    Attributes
    ----------
    error : ndarray, shape (n,)
        The errors.
    design : ndarray, shape (n, p)
        Their derivatives by the means.
    known : ndarray, shape (n, n)
        Covariance that is known beforehand.
    parts : ndarray, shape (c, n, n)
        Covariance at unit variance of each component.
    """

    error: FloatArray
    design: FloatArray
    known: FloatArray
    parts: FloatArray


@dataclass(frozen=True)
class Mixed:
    """Fitted means and variances.

    Attributes
    ----------
    mean : ndarray, shape (p,)
        The means, as changes of what the errors were taken at.
    covariance : ndarray, shape (p, p)
        Of the means.
    freedom : ndarray, shape (p,)
        Degrees of freedom of their standard errors.
    variance : ndarray, shape (c,)
        Of the components; zero where the likelihood is largest there.
    of_variance : ndarray, shape (c,)
        Variance of each estimated variance.
    between_variances : ndarray, shape (c, c)
        Covariance of the estimated variances.
    deviance : float
        Minus twice the restricted log-likelihood, but for a constant of the errors.
    """

    mean: FloatArray
    covariance: FloatArray
    freedom: FloatArray
    variance: FloatArray
    of_variance: FloatArray
    between_variances: FloatArray
    deviance: float

    def estimate(self, k: int) -> Estimate:
        """Return a mean with its standard error."""
        return Estimate(
            float(self.mean[k]), math.sqrt(max(float(self.covariance[k, k]), 0.0)), float(self.freedom[k])
        )


def fit_mixed(blocks: Sequence[Block], prior_sd: FloatArray, at: FloatArray, usual_sd: FloatArray) -> Mixed:
    """Fit means and variances.

    Parameters
    ----------
    blocks : sequence of Block
        The runs.
    prior_sd : ndarray, shape (p,)
        Standard deviations of a weak prior about zero, which keeps apart what the runs do not tell apart.
    at : ndarray, shape (p,)
        Where the errors were taken.
    usual_sd : ndarray, shape (c,)
        Usual size of each component: where the search begins and what it is scaled by.

    Raises
    ------
    ModelError
        If there are no errors to fit on.
    """
    from scipy.optimize import minimize

    if sum(len(block.error) for block in blocks) == 0:
        raise ModelError("no errors to fit on")
    scale = np.square(usual_sd)
    precision = 1.0 / np.square(prior_sd)

    def deviance(x: FloatArray) -> tuple[float, FloatArray]:
        found = _State(blocks, x * scale, precision, at)
        return found.deviance(), found.gradient() * scale

    done = minimize(
        deviance,
        np.full(len(scale), 0.3),
        jac=True,
        method="L-BFGS-B",
        bounds=[(0.0, 1e6)] * len(scale),
        options={"maxiter": 200, "ftol": 1e-10, "gtol": 1e-7},
    )
    variance = np.asarray(done.x) * scale
    state = _State(blocks, variance, precision, at)
    # In units of their usual sizes the variances are of like magnitude.
    scaled = state.information() * np.outer(scale, scale)
    of_variance = np.linalg.pinv(scaled, rcond=1e-12, hermitian=True) * np.outer(scale, scale)
    return Mixed(
        mean=state.mean,
        covariance=state.inverse,
        freedom=state.freedom(of_variance),
        variance=variance,
        of_variance=np.maximum(np.diag(of_variance), 0.0),
        between_variances=np.asarray(of_variance),
        deviance=state.deviance(),
    )


class _State:
    """Everything at given variances, worked out once."""

    def __init__(
        self, blocks: Sequence[Block], variance: FloatArray, precision: FloatArray, at: FloatArray
    ) -> None:
        self.blocks = blocks
        self.log_determinant = 0.0
        self.inverse_of: list[FloatArray] = []
        normal, right, square = np.diag(precision), -precision * at, float(precision @ np.square(at))
        for block in blocks:
            v = block.known + np.tensordot(variance, block.parts, axes=1)
            inverse = np.asarray(np.linalg.inv(v), dtype=np.float64)
            self.inverse_of.append(inverse)
            self.log_determinant += float(np.linalg.slogdet(v)[1])
            weighted = inverse @ block.design
            normal = normal + block.design.T @ weighted
            right = right + weighted.T @ block.error
            square += float(block.error @ inverse @ block.error)
        self.inverse = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        self.mean = self.inverse @ right
        self.square = square - float(right @ self.mean)
        self.log_normal = float(np.linalg.slogdet(normal)[1])

    def deviance(self) -> float:
        """Return minus twice the restricted log-likelihood, but for a constant."""
        return self.log_determinant + self.log_normal + self.square

    def gradient(self) -> FloatArray:
        """Return its derivative by each variance."""
        total = np.zeros(len(self.blocks[0].parts))
        for block, inverse in zip(self.blocks, self.inverse_of, strict=True):
            left = inverse @ (block.error - block.design @ self.mean)
            weighted = inverse @ block.design
            # What the fitted means take up of each component.
            projected = inverse - weighted @ self.inverse @ weighted.T
            total += np.tensordot(block.parts, projected, axes=2)
            total -= np.tensordot(block.parts, np.outer(left, left), axes=2)
        return total

    def information(self) -> FloatArray:
        """Return the expected information of the variances, shape (c, c)."""
        count = len(self.blocks[0].parts)
        size = len(self.mean)
        found = np.zeros((count, count))
        by_mean = np.zeros((count, size, size))
        for block, inverse in zip(self.blocks, self.inverse_of, strict=True):
            weighted = inverse @ block.design
            shapes = inverse @ block.parts
            n = len(block.error)
            flat = shapes.reshape(count, n * n)
            found += flat @ shapes.transpose(0, 2, 1).reshape(count, n * n).T
            reached = block.parts @ weighted
            by_mean += weighted.T @ reached
            # tr(A G' W G) of each pair: A the means' covariance, W the inverse, G what a component reaches.
            carried = (inverse @ reached) @ self.inverse
            found -= 2.0 * reached.reshape(count, -1) @ carried.reshape(count, -1).T
        turned = self.inverse @ by_mean
        found += np.einsum("cpq,dqp->cd", turned, turned)
        self.by_mean = by_mean
        return 0.5 * found

    def freedom(self, of_variance: FloatArray) -> FloatArray:
        """Return Satterthwaite's degrees of freedom of each mean's variance; after `information`."""
        slope = np.einsum("pq,cqr,rp->cp", self.inverse, self.by_mean, self.inverse)
        spread = np.einsum("cp,cd,dp->p", slope, of_variance, slope)
        own = np.square(np.diag(self.inverse))
        freedom = np.where(spread > 0.0, 2.0 * own / np.where(spread > 0.0, spread, 1.0), _MOST_FREEDOM)
        return np.clip(freedom, _LEAST_FREEDOM, _MOST_FREEDOM)


def left_possible(
    blocks: Sequence[Block],
    prior_sd: FloatArray,
    at: FloatArray,
    usual_sd: FloatArray,
    found: Mixed,
    k: int,
    begin: float,
    confidence: float,
) -> float:
    """Return how large a component may be by its profile likelihood, at least `begin`.

    Where an estimate is near zero its variance, taken there, is smaller than it is where the component really
    may be, and an interval made from it ends too early. So all other variances are fitted anew beside larger
    ones, until the deviance has grown by the quantile of chi-square with one degree of freedom.

    Parameters
    ----------
    blocks, prior_sd, at, usual_sd
        As for `fit_mixed`.
    found : Mixed
        What that found.
    k : int
        Which component.
    begin : float
        A variance to begin with, more than zero.
    confidence : float
        Two-sided.
    """
    from scipy.optimize import minimize

    scale, precision = np.square(usual_sd), 1.0 / np.square(prior_sd)
    others = np.arange(len(scale)) != k
    start = (found.variance / scale)[others]
    wanted = math.sqrt(float(special.chdtri(1.0, 1.0 - confidence)))
    value = max(begin, 1.1 * float(found.variance[k]))
    for _ in range(_STEPS):

        def deviance(x: FloatArray, value: float = value) -> tuple[float, FloatArray]:
            whole = np.full(len(scale), value)
            whole[others] = x * scale[others]
            state = _State(blocks, whole, precision, at)
            return state.deviance(), (state.gradient() * scale)[others]

        fell = deviance(start)[0]
        if len(start):
            done = minimize(
                deviance,
                start,
                jac=True,
                method="L-BFGS-B",
                bounds=[(0.0, 1e6)] * len(start),
                options={"maxiter": 100, "ftol": 1e-8, "gtol": 1e-5},
            )
            start, fell = np.asarray(done.x), float(done.fun)
        # The root of the deviance is nearly straight.
        root = math.sqrt(max(fell - found.deviance, 1e-6))
        if root >= _NEARLY * wanted:
            return value
        best = float(found.variance[k])
        value = best + (value - best) * min(wanted / root, _FARTHEST)
    return value


def of_each(
    blocks: Sequence[Block],
    prior_sd: FloatArray,
    at: FloatArray,
    variance: FloatArray,
    between: FloatArray,
) -> list[tuple[FloatArray, FloatArray]]:
    r"""Return for each run its own constants, as changes of what was taken, and their covariance.

    The best linear unbiased prediction (C. R. Henderson 1975; from memory, checked by simulation in the
    tests): a run's own errors draw its constants away from the means, the further the more runs differ and
    the better the run shows it. With *b* the means, *Z* the columns of what differs and *D* the variances
    between runs, :math:`u = D Z^T V^{-1} (r - X b)`.

    Parameters
    ----------
    blocks, prior_sd, at
        As for `fit_mixed`.
    variance : ndarray, shape (c,)
        Of the components.
    between : ndarray, shape (p,)
        Of these, and of what is known beforehand: how far runs differ in each constant; zero where they do
        not.
    """
    state = _State(blocks, variance, 1.0 / np.square(prior_sd), at)
    differs = np.flatnonzero(between > 0.0)
    own = np.diag(between[differs])
    found = []
    for block, inverse in zip(blocks, state.inverse_of, strict=True):
        gain = own @ block.design[:, differs].T @ inverse
        mean, carried = state.mean.copy(), np.eye(len(state.mean))
        mean[differs] += gain @ (block.error - block.design @ state.mean)
        carried[differs] -= gain @ block.design
        covariance = carried @ state.inverse @ carried.T
        covariance[np.ix_(differs, differs)] += own - gain @ block.design[:, differs] @ own
        found.append((mean, 0.5 * (covariance + covariance.T)))
    return found
