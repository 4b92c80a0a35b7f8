"""Periods in an uneven series: the strongest, how sure they are, and what is left without them.

The spectrum is that of Lomb 1976 (Astrophys. Space Sci. 39, 447) and Scargle 1982 (ApJ 263, 835) with a floating mean
(Zechmeister, Kurster 2009, A&A 496, 577), by `astropy.timeseries.LombScargle`. The chance that white noise alone has a
peak as high anywhere in it is bounded by Baluev 2008 (MNRAS 385, 1279), by astropy. All from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from skysample.geometry import Array

_PER_PEAK = 5
_MOST_FREQUENCIES = 500_000
_MOST_PERIODS = 5


@dataclass(frozen=True, slots=True)
class Period:
    """One period.

    Attributes
    ----------
    period_s, period_stderr_s : float
    amplitude_arcsec, amplitude_stderr_arcsec : float
        Half of the swing from peak to peak.
    chance : float
        That white noise would show a peak as high at any period looked at (an upper bound).
    rms_arcsec : float
        Of this sine alone: the amplitude over the square root of two.
    """

    period_s: float
    period_stderr_s: float
    amplitude_arcsec: float
    amplitude_stderr_arcsec: float
    chance: float

    @property
    def rms_arcsec(self) -> float:
        """Of this sine alone."""
        return self.amplitude_arcsec / float(np.sqrt(2.0))


@dataclass(frozen=True)
class Decomposition:
    """A series as a drift, periods and what is left.

    Attributes
    ----------
    drift_arcsec_per_min, drift_stderr_arcsec_per_min : float
        Fitted together with the periods; the error holds for white noise.
    periods : tuple of Period
        Those beyond chance, strongest first.
    strongest : Period
        Of what is left without them: the strongest that chance explains.
    without_drift, left : ndarray, shape (n,)
        The series less its drift and mean; less the periods too.
    shortest_s, longest_s : float
        Periods looked at.
    """

    drift_arcsec_per_min: float
    drift_stderr_arcsec_per_min: float
    periods: tuple[Period, ...]
    strongest: Period | None
    without_drift: Array
    left: Array
    shortest_s: float
    longest_s: float


def decompose(seconds: Array, values: Array, level: float) -> Decomposition:
    """Split a series into a drift, periods and the rest.

    The highest peak is kept if its chance is below `level`, then drift and all periods are fitted together (least
    squares, frequencies too), and what is left is searched again. So any period that is not there is kept in at most
    `level` of series of white noise around true ones.

    Parameters
    ----------
    seconds, values : ndarray, shape (n,)
        Ascending times; arcsec.
    level : float
        Chance of being wrong.

    Returns
    -------
    Decomposition
    """
    frequencies = _grid(seconds)
    shortest, longest = 1.0 / frequencies[-1], 1.0 / frequencies[0]
    found: list[float] = []
    chances: list[float] = []
    fit = _Fit.of(seconds, values, found)
    strongest = None
    while True:
        peak = _peak(seconds, fit.left, frequencies)
        if peak is None:
            break
        frequency, chance = peak
        if chance > level or len(found) == _MOST_PERIODS or len(seconds) < 3 * (len(found) + 1) + 10:
            (strongest,) = _Fit.of(seconds, fit.left, [frequency]).periods([chance])
            break
        more = _Fit.of(seconds, values, [*found, frequency])
        if not more.settled(frequencies):
            # Fitted together it leaves what was looked at, or takes any length: that is a drift, not a period.
            (strongest,) = _Fit.of(seconds, fit.left, [frequency]).periods([chance])
            break
        fit, found = more, more.frequencies.tolist()
        chances.append(chance)
    periods = sorted(fit.periods(chances), key=lambda each: -each.amplitude_arcsec)
    return Decomposition(
        drift_arcsec_per_min=float(fit.linear[1]) * 60.0,
        drift_stderr_arcsec_per_min=float(np.sqrt(fit.covariance[1, 1])) * 60.0,
        periods=tuple(periods),
        strongest=strongest,
        without_drift=values - fit.linear[0] - fit.linear[1] * fit.centred,
        left=fit.left,
        shortest_s=float(shortest),
        longest_s=float(longest),
    )


def _grid(seconds: Array) -> Array:
    """Frequencies from one period in the span to half the usual rate of rows, five to a peak."""
    span = float(seconds[-1] - seconds[0])
    fastest = 0.5 / float(np.median(np.diff(seconds)))
    count = int(min(_MOST_FREQUENCIES, np.ceil(_PER_PEAK * (fastest * span - 1.0)) + 1))
    return np.asarray((1.0 + np.arange(count) / _PER_PEAK) / span)


def _peak(seconds: Array, values: Array, frequencies: Array) -> tuple[float, float] | None:
    """Frequency of the highest peak, and its chance; None for a series without noise."""
    from astropy.timeseries import LombScargle

    if float(np.ptp(values)) < 1e-9:
        return None
    spectrum = LombScargle(seconds, values, fit_mean=True)
    power = spectrum.power(frequencies, assume_regular_frequency=True)
    place = int(np.argmax(power))
    # Where two frequencies nearly coincide, rounding can take the fast sums past 1.
    height = float(np.clip(power[place], 0.0, 1.0 - 1e-12))
    chance = spectrum.false_alarm_probability(
        height, method="baluev", maximum_frequency=float(frequencies[-1])
    )
    return float(frequencies[place]), float(np.clip(chance, 0.0, 1.0))


@dataclass(frozen=True)
class _Fit:
    """Least squares of mean, drift and sines together."""

    centred: Array
    linear: Array
    frequencies: Array
    covariance: Array
    left: Array

    @classmethod
    def of(cls, seconds: Array, values: Array, frequencies: list[float]) -> _Fit:
        centred = seconds - seconds.mean()
        start = np.asarray(frequencies, float)
        linear = _solved(_design(centred, start), values)
        if len(start):
            start, linear = _refined(centred, values, start, linear)
        design = np.concatenate([_design(centred, start), _slopes(centred, start, linear)], axis=1)
        left = values - _design(centred, start) @ linear
        freedom = max(len(values) - design.shape[1], 1)
        # Columns of one length, so that seconds squared and units do not meet in one inverse.
        scale = np.linalg.norm(design, axis=0)
        inverse = np.linalg.pinv((design / scale).T @ (design / scale)) / np.outer(scale, scale)
        return cls(centred, linear, start, inverse * float(left @ left) / freedom, left)

    def settled(self, looked_at: Array) -> bool:
        """Whether every period is within what was looked at, and known to better than a third of itself."""
        count = len(self.frequencies)
        errors = np.sqrt(np.diag(self.covariance)[2 + 2 * count : 2 + 3 * count])
        within = (self.frequencies >= looked_at[0] * (1.0 - 1e-9)) & (self.frequencies <= looked_at[-1])
        return bool(np.all(within & (errors < self.frequencies / 3.0)))

    def periods(self, chances: list[float]) -> list[Period]:
        count = len(self.frequencies)
        answer = []
        for i, chance in enumerate(chances):
            cosine, sine = self.linear[2 + 2 * i : 4 + 2 * i]
            amplitude = float(np.hypot(cosine, sine))
            along = np.array([cosine, sine]) / max(amplitude, 1e-300)
            block = self.covariance[2 + 2 * i : 4 + 2 * i, 2 + 2 * i : 4 + 2 * i]
            place = 2 + 2 * count + i
            frequency = float(self.frequencies[i])
            answer.append(
                Period(
                    period_s=1.0 / frequency,
                    period_stderr_s=float(np.sqrt(self.covariance[place, place])) / frequency**2,
                    amplitude_arcsec=amplitude,
                    amplitude_stderr_arcsec=float(np.sqrt(along @ block @ along)),
                    chance=chance,
                )
            )
        return answer


def _solved(design: Array, values: Array) -> Array:
    return np.asarray(np.linalg.lstsq(design, values, rcond=None)[0], float)


def _design(centred: Array, frequencies: Array) -> Array:
    """Mean, drift, and cosine and sine of each frequency, shape (n, 2 + 2k)."""
    phase = 2.0 * np.pi * centred[:, None] * frequencies
    waves = np.stack([np.cos(phase), np.sin(phase)], axis=-1).reshape(len(centred), -1)
    return np.concatenate([np.ones((len(centred), 1)), centred[:, None], waves], axis=1)


def _slopes(centred: Array, frequencies: Array, linear: Array) -> Array:
    """How the fitted curve changes with each frequency, shape (n, k)."""
    phase = 2.0 * np.pi * centred[:, None] * frequencies
    cosine, sine = linear[2::2], linear[3::2]
    return np.asarray(2.0 * np.pi * centred[:, None] * (sine * np.cos(phase) - cosine * np.sin(phase)))


def _refined(centred: Array, values: Array, start: Array, linear: Array) -> tuple[Array, Array]:
    """Frequencies and coefficients after Gauss-Newton on all of them; a frequency stays within its peak."""
    from scipy.optimize import least_squares

    span = float(np.ptp(centred))

    def best(offsets: Array) -> tuple[Array, Array]:
        design = _design(centred, start + offsets / span)
        solved = _solved(design, values)
        return solved, values - design @ solved

    def residuals(offsets: Array) -> Any:
        return best(offsets)[1]

    room = np.minimum(0.5, 0.9 * start * span)
    found = least_squares(residuals, np.zeros(len(start)), bounds=(-room, room), x_scale=0.1)
    if found.cost > 0.5 * float(np.sum((values - _design(centred, start) @ linear) ** 2)):
        return start, linear
    return start + found.x / span, best(found.x)[0]
