"""A smooth field that no term describes: any mount may have one, and a mistake has to do better than it.

At most four columns, chosen one after the other as each explains most (orthogonal matching pursuit: Pati, Rezaiifar &
Krishnaprasad 1993, 27th Asilomar Conf., 40; from memory); every column pays for its choice and for its coefficient.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.observed_place import hour_angle_dec
from skysample.geometry import ARCSEC, alt_az

if TYPE_CHECKING:
    from skysample.geometry import Array

LEAST_NOISE = 0.3 * ARCSEC
"""No telescope is quieter."""

_MOST_COLUMNS = 4
_SIZE = 10.0
"""RMS of such a field, arcseconds, where there is one (our choice)."""

_WEAK = 0.05
"""Columns whose part beyond the terms is below this share of themselves say nothing."""


@dataclass(frozen=True, slots=True)
class SmoothField:
    """What the best few smooth columns explain.

    Attributes
    ----------
    gain : float
        In log odds, against none.
    noise_rad : float
        Per axis, of what is left.
    columns : int
    """

    gain: float
    noise_rad: float
    columns: int


def marginal(cost_rad2: float, dof: int) -> float:
    """Logarithm of the likelihood of squares with `dof` degrees of freedom, the noise unknown.

    Source: Box & Tiao 1973, Bayesian Inference in Statistical Analysis, ch. 2 (from memory): integrated over sigma with
    the prior 1/sigma. Squares below `LEAST_NOISE` count as those.
    """
    from scipy.special import gammaln

    arcsec2 = max(cost_rad2, dof * LEAST_NOISE**2) / ARCSEC**2
    return float(gammaln(dof / 2.0) - 0.5 * dof * np.log(np.pi * arcsec2))


def smooth_field(design: Array, residuals: Array, directions: Array, latitude_rad: float) -> SmoothField:
    """Choose a smooth field for the residuals of a fit.

    Parameters
    ----------
    design : ndarray, shape (n, 2, p)
        Of the fit.
    residuals : ndarray, shape (n, 2)
    directions : ndarray, shape (n, 3)
    latitude_rad : float

    Returns
    -------
    SmoothField
    """
    n, _, p = design.shape
    dof = 2 * n - p
    flat = design.reshape(2 * n, p)
    basis = np.linalg.qr(flat / np.maximum(np.linalg.norm(flat, axis=0), 1e-300))[0]
    left: Array = _beyond(residuals.reshape(-1, 1), basis)[:, 0]
    functions = _functions(directions, latitude_rad)
    columns = _beyond(np.asarray(np.kron(functions, np.eye(2)), float), basis)
    size = np.linalg.norm(columns, axis=0)
    columns = columns[:, size > _WEAK * np.sqrt(n)]
    columns /= np.linalg.norm(columns, axis=0)
    none = marginal(float(left @ left), dof)
    best = SmoothField(0.0, _noise(left, dof), 0)
    paid = 0.0
    most = min(_MOST_COLUMNS, (dof - 4) // 2) if columns.size else 0
    for count in range(1, most + 1):
        along = columns.T @ left
        unit = columns[:, int(np.argmax(np.abs(along)))]
        left = left - unit * (unit @ left)
        columns = _beyond(columns, unit[:, None])
        length = np.linalg.norm(columns, axis=0)
        columns = np.where(length > 2.0 * _WEAK, columns / np.maximum(length, 1e-12), 0.0)
        paid += np.log(_SIZE * np.sqrt(n) / np.sqrt(2.0 * np.pi)) + np.log(2.0 * functions.shape[1] / count)
        gain = marginal(float(left @ left), dof - count) - none - paid
        if gain > best.gain:
            best = SmoothField(gain, _noise(left, dof - count), count)
    return best


def _noise(left: Array, dof: int) -> float:
    return float(np.sqrt(left @ left / dof))


def _beyond(columns: Array, basis: Array) -> Array:
    """The part of columns (m, k) that an orthonormal basis (m, p) leaves."""
    return np.asarray(columns - basis @ (basis.T @ columns))


def _functions(directions: Array, latitude_rad: float) -> Array:
    """Smooth functions over the sky, of size about 1, shape (n, m)."""
    altitude, azimuth = alt_az(directions)
    hour_angle, dec = hour_angle_dec(directions, latitude_rad)
    height = np.polynomial.legendre.legvander(altitude / (np.pi / 4.0) - 1.0, 5)[:, 1:]
    waves = [
        wave(k * angle)
        for angle, most in ((hour_angle, 3), (azimuth, 2))
        for k in range(1, most + 1)
        for wave in (np.sin, np.cos)
    ]
    # A flip or a gear's other flank: a kink or a step at the meridian.
    meridian = [np.abs(hour_angle), np.sign(hour_angle)]
    return np.column_stack([height, *waves, *meridian, np.sin(dec), np.cos(dec)])
