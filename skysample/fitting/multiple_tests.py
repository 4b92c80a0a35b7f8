"""Many questions, one chance of being wrong: levels of all tests, Holm's step-down, limits on the worst of n points.

Holm 1979, Scand. J. Stat. 6, 65.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from skysample.geometry import Array

FINDINGS_LEVEL = 0.05
"""Chance that any of the findings reported together (terms, structure, changes, periods) is wrong, at most."""

REJECTION_LEVEL = 0.01
"""Chance that any good point of a run is rejected."""

SELECTION_LEVEL = 0.05
"""Chance that pure noise adds any term to a model, as promised."""

SELECTION_TESTED_AT = 0.04
"""Level at which candidate terms are tested, below the promise: the rest is for what the judging of points, the
curvature of the geometry and the finite number of draws add."""


def holm(p: ArrayLike) -> NDArray[np.bool_]:
    """Which of several findings stand together at `FINDINGS_LEVEL`, whatever their dependence.

    Parameters
    ----------
    p : array_like, shape (k,)
        Each finding's own chance.

    Returns
    -------
    ndarray of bool, shape (k,)
    """
    chances = np.asarray(p, float)
    order = np.argsort(chances, kind="stable")
    passed = chances[order] <= FINDINGS_LEVEL / np.arange(len(chances), 0, -1)
    stands = np.zeros(len(chances), bool)
    stands[order[: len(chances) if passed.all() else int(np.argmin(passed))]] = True
    return stands


def p_values(t_squared: ArrayLike, k: int, dof: ArrayLike) -> Array:
    """Probability that a point of a sound fit has a T^2 at least this large: T^2 / k against F(k, dof).

    Parameters
    ----------
    t_squared : array_like, shape (n,)
        `Influence.t_squared`; nan stays nan.
    k : int
        Components of a point.
    dof : array_like, shape () or (n,)
        `Influence.deleted_dof`.

    Returns
    -------
    ndarray, shape (n,)
    """
    from scipy.special import fdtrc

    return np.asarray(fdtrc(k, dof, np.asarray(t_squared, float) / k))


def bonferroni_t_squared(n: int, k: int, dof: float, alpha: float) -> float:
    """T^2 that any of n points of a sound fit exceeds with probability <= alpha.

    Bonferroni's bound, which holds although the points' statistics depend on each other: k times the upper
    alpha / n point of F(k, dof).

    Parameters
    ----------
    n, k : int
        Points, and components of each.
    dof : float
        `Influence.deleted_dof`; the limit is nan where it is not positive.
    alpha : float
        Between 0 and 1.
    """
    from scipy.special import betaincinv

    if not dof > 0.0:
        return float("nan")
    # F's upper tail is I_x(dof / 2, k / 2) at x = dof / (dof + k F): exact where 1 - alpha / n would round.
    x = float(betaincinv(dof / 2.0, k / 2.0, alpha / n))
    return dof * (1.0 - x) / x


def sidak_f(points: int, dof: int) -> float:
    """F(2, dof) that the largest of so many points exceeds by chance in a share `REJECTION_LEVEL` of runs (Sidak)."""
    each = 1.0 - (1.0 - REJECTION_LEVEL) ** (1.0 / points)
    # The upper tail of F(2, m) is (1 + 2 F / m) ** (-m / 2).
    return float(dof / 2.0 * (each ** (-2.0 / dof) - 1.0))


def set_beyond_chance(points: int, chosen: int, f: float, dof: int) -> bool:
    """Whether the worst set of so many of the points has so large an F(2 chosen, dof) in fewer runs than that.

    Bonferroni's bound over every set of that size.
    """
    from scipy.special import fdtrc

    p = float(fdtrc(2 * chosen, dof, f))
    if p == 0.0:
        return True
    sets = math.lgamma(points + 1) - math.lgamma(chosen + 1) - math.lgamma(points - chosen + 1)
    return sets + math.log(p) < math.log(REJECTION_LEVEL)
