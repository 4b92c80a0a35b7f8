"""How sure of the noise one may be after every point, when looking again and again must not make one too sure.

A run stops at the first look at which an upper bound of the noise times the design's error is within the target. With
the usual bound at each look, some look is lucky too often. Here the bound is set look by look, so that for every true
noise the chance to stop before the target is really met stays within what is allowed, however often one looks.

The sum of squared residuals over the noise squared grows by independent chi-squares of two degrees of freedom, one for
each point (recursive residuals: Brown, Durbin, Evans 1975, J. R. Stat. Soc. B 37, 149). The error of the design is
known without the noise. If the target is not yet met at look n, it was met at no look before, and the noise is hardest
to tell from a smaller one when it is only just too large. So at each look n the limit is the largest for which the
paths that are below any limit so far, for the noise that is just too large at n, are no more than allowed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from skysample.geometry import Array

__all__ = ["ALLOWED", "noise_limits"]

ALLOWED = 0.05
"""Share of nights in which a run may stop with the target not met."""

_AT_A_LOOK = 0.035
"""Most that one look may use: what is kept back serves later ones."""

_PATHS = 20_000
_SEED = 20_000_101


def noise_limits(first_dof: int, design_error: Array) -> Array:
    """Lower limits of the sum of squares over the noise squared, one for each look.

    Parameters
    ----------
    first_dof : int
        Degrees of freedom at the first look; two more at each one after.
    design_error : ndarray, shape (n,)
        Error over the sky for unit noise at each look, not growing.

    Returns
    -------
    ndarray, shape (n,)
        sqrt(sum of squares / limit) is the noise's upper bound at that look; infinite where the limit is zero.
    """
    from scipy.special import chdtri

    rng = np.random.default_rng(_SEED)
    path = rng.chisquare(first_dof, _PATHS)
    # Of each path the smallest sum of squares over its limit, times the design's variance then.
    lowest = np.full(_PATHS, np.inf)
    limits = np.empty(len(design_error))
    # The limits are drawn themselves: two standard errors of a share of the paths are kept back.
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
    """A value that `count` of these are not above; 0 where none may be."""
    return float(np.partition(values, count - 1)[count - 1]) if 0 < count <= len(values) else 0.0
