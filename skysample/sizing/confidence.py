"""Bounds on the noise: after a pilot run with few points, and after every point of a final run.

**After a pilot** the error is bounded so that it holds in nine nights of ten, with noise known from few points and
exposures that fail by chance.

**During a run** the bound must survive repeated looks. A run stops at the first look at which an upper bound of the
noise times the design's error is within the target. With the usual bound at each look, some look is lucky too often.
Here the bound is set look by look, so that for every true noise the chance to stop before the target is really met
stays within what is allowed, however often one looks.

The sum of squared residuals over the noise squared grows by independent chi-squares of two degrees of freedom, one for
each point (recursive residuals: Brown, Durbin, Evans 1975, J. R. Stat. Soc. B 37, 149). The error of the design is
known without the noise. If the target is not yet met at look n, it was met at no look before, and the noise is hardest
to distinguish from a smaller one when it is only just too large. So the limit at each look n is the largest for which
the paths below any limit so far, for the noise that is just too large at n, are no more than allowed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.sizing.final_model import mean_variance

if TYPE_CHECKING:
    from skysample.geometry import Array

CONFIDENCE = 0.9
"""Share of nights in which a target is met, whatever noise the pilot found and whichever exposures fail."""

_DRAWS = 400

ALLOWED = 0.05
"""Share of nights in which a run may stop without meeting its target."""

_AT_A_LOOK = 0.035
"""Most that one look may use of it; the rest is kept for later looks."""

_PATHS = 20_000
_SEED = 20_000_101


def noise_upper(dof: int) -> float:
    """Upper bound of the true noise over its estimate with this many degrees of freedom, by chi-square."""
    from scipy.special import chdtri

    return float(np.sqrt(dof / chdtri(dof, CONFIDENCE)))


def variance_draws(rows: Array, failed_share: float, seed: int) -> Array:
    """Draw the mean radial variance over the sky for unit noise, if each point fails independently.

    Parameters
    ----------
    rows : ndarray, shape (n, 2, p)
        Whitened rows of the points (see `FinalModel`).
    failed_share : float
        Chance that a point fails.
    seed : int

    Returns
    -------
    ndarray, shape (400,), or (1,) if nothing fails
        One for each draw; infinite if too few points are left.
    """
    information = np.swapaxes(rows, 1, 2) @ rows
    if failed_share == 0.0:
        return np.atleast_1d(mean_variance(information.sum(axis=0)))
    came = np.random.default_rng(seed).random((_DRAWS, len(rows))) >= failed_share
    return mean_variance(np.tensordot(came.astype(float), information, axes=1))


def chance_of_meeting(variances: Array, share: float, dof: int | None) -> float:
    """Chance that the error stays within `share` of the estimated noise, given noise and failures.

    The noise squared is its estimate times dof over a chi-square of dof degrees of freedom; None: noise exact.
    """
    from scipy.special import chdtrc

    if dof is None:
        return float(np.mean(variances <= share**2))
    return float(np.mean(chdtrc(dof, dof * variances / share**2)))


def error_upper(variances: Array, dof: int | None) -> float:
    """Upper bound of the error over the estimated noise, with confidence: the inverse of `chance_of_meeting`."""
    from scipy.optimize import brentq

    if np.mean(np.isfinite(variances)) < CONFIDENCE:
        return float(np.inf)
    plain = float(np.sqrt(np.quantile(variances, CONFIDENCE, method="higher")))
    if dof is None or not np.isfinite(plain):
        return plain

    def short(log_share: float) -> float:
        return chance_of_meeting(variances, float(np.exp(log_share)), dof) - CONFIDENCE

    reach = np.log(noise_upper(dof))
    low, high = 0.5 * np.log(float(np.min(variances))) - reach - 5.0, np.log(plain) + reach + 1e-9
    while short(high) < 0.0:
        high += 0.1
    return float(np.exp(brentq(short, low, high, xtol=1e-10)))


def noise_limits(first_dof: int, design_error: Array) -> Array:
    """Lower limits of the sum of squares over the noise squared, one for each look.

    Parameters
    ----------
    first_dof : int
        Degrees of freedom at the first look; each later look has two more.
    design_error : ndarray, shape (n,)
        Error over the sky for unit noise at each look, never growing.

    Returns
    -------
    ndarray, shape (n,)
        sqrt(sum of squares / limit) is the upper bound of the noise at that look; infinite if the limit is zero.
    """
    from scipy.special import chdtri

    rng = np.random.default_rng(_SEED)
    path = rng.chisquare(first_dof, _PATHS)
    # For each path the smallest sum of squares over its limit, times the variance of the design then.
    lowest = np.full(_PATHS, np.inf)
    limits = np.empty(len(design_error))
    # The limits come from draws themselves: keep back two standard errors of that share of the paths.
    most = int(ALLOWED * _PATHS - 2.0 * np.sqrt(ALLOWED * _PATHS))
    for look, variance in enumerate(np.square(design_error)):
        if look:
            path += 2.0 * rng.standard_exponential(_PATHS)
        dof = first_dof + 2 * look
        free = path[lowest > variance]
        left = most - (_PATHS - len(free))
        limit = min(float(chdtri(dof, 1.0 - _AT_A_LOOK)), _nth(free, left))
        limits[look] = limit
        if limit > 0.0:
            lowest = np.minimum(lowest, path * (variance / limit))
    return limits


def _nth(values: Array, count: int) -> float:
    """The `count`-th smallest value; 0 if there is none."""
    return float(np.partition(values, count - 1)[count - 1]) if 0 < count <= len(values) else 0.0
