"""The error that holds in nine nights of ten, when the noise is known from few points and exposures fail by chance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.sizing.final_model import mean_variance

if TYPE_CHECKING:
    from skysample.geometry import Array

__all__ = ["CONFIDENCE", "chance_of_meeting", "error_upper", "noise_upper", "thinned"]

CONFIDENCE = 0.9
"""A target is met in this share of nights, whatever the pilot made of the noise and whichever exposures fail."""

_DRAWS = 400


def noise_upper(dof: int) -> float:
    """Upper bound of the true noise over an estimate with so many degrees of freedom, by chi-square."""
    from scipy.special import chdtri

    return float(np.sqrt(dof / chdtri(dof, CONFIDENCE)))


def thinned(rows: Array, failed_share: float, seed: int) -> Array:
    """Mean radial variance over the sky for unit noise, each point failing by itself with the same chance.

    Parameters
    ----------
    rows : ndarray, shape (n, 2, p)
        Of the points, whitened (see `FinalModel`).
    failed_share : float
    seed : int

    Returns
    -------
    ndarray, shape (400,), or (1,) where nothing fails
        One for each draw; infinite where too few points were left.
    """
    information = np.swapaxes(rows, 1, 2) @ rows
    if failed_share == 0.0:
        return np.atleast_1d(mean_variance(information.sum(axis=0)))
    came = np.random.default_rng(seed).random((_DRAWS, len(rows))) >= failed_share
    return mean_variance(np.tensordot(came.astype(float), information, axes=1))


def chance_of_meeting(variances: Array, share: float, dof: int | None) -> float:
    """Chance that noise and failures let the error stay within `share` of the noise as estimated.

    The noise squared is what was estimated times dof over a chi-square of dof degrees of freedom; None: exact.
    """
    from scipy.special import chdtrc

    if dof is None:
        return float(np.mean(variances <= share**2))
    return float(np.mean(chdtrc(dof, dof * variances / share**2)))


def error_upper(variances: Array, dof: int | None) -> float:
    """Error over the noise as estimated that is not exceeded with confidence: `chance_of_meeting` turned round."""
    from scipy.optimize import brentq

    if np.mean(np.isfinite(variances)) < CONFIDENCE:
        return float(np.inf)
    plain = float(np.sqrt(np.quantile(variances, CONFIDENCE, method="higher")))
    if dof is None or not np.isfinite(plain):
        return plain

    def short(log_share: float) -> float:
        return chance_of_meeting(variances, float(np.exp(log_share)), dof) - CONFIDENCE

    least = 0.5 * np.log(float(np.min(variances)))
    reach = np.log(noise_upper(dof))
    high = np.log(plain) + reach + 1e-9
    while short(high) < 0.0:
        high += 0.1
    return float(np.exp(brentq(short, least - reach - 5.0, high, xtol=1e-10)))
