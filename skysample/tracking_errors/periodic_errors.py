"""Periods in an uneven series: the strongest, how sure they are, and what is left without them.

The spectrum is that of Lomb 1976 (Astrophys. Space Sci. 39, 447) and Scargle 1982 (ApJ 263, 835) with a floating mean
(Zechmeister, Kurster 2009, A&A 496, 577), by `astropy.timeseries.LombScargle`. The chance that white noise alone has a
peak as high anywhere in it is bounded by Baluev 2008 (MNRAS 385, 1279), by astropy. All from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.fitting.scaled_design import ScaledDesign

if TYPE_CHECKING:
    from skysample.geometry import Array

_PER_PEAK = 5
_MOST_FREQUENCIES = 500_000
_MOST_PERIODS = 5
_SMALLEST = 3e-8
"""Share of the largest singular value below which two frequencies are one: the errors then leave that out."""


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
    rms_arcsec, noise_arcsec : float
        RMS of the series less its drift, about its mean; once the periods are out too.
    periods : tuple of Period
        Those beyond chance, strongest first.
    strongest : Period or None
        Of what is left without them: the strongest that chance explains.
    shortest_s, longest_s : float
        Periods looked at.
    """

    drift_arcsec_per_min: float
    drift_stderr_arcsec_per_min: float
    rms_arcsec: float
    noise_arcsec: float
    periods: tuple[Period, ...]
    strongest: Period | None
    shortest_s: float
    longest_s: float


def decompose(seconds: Array, values: Array, level: float, *, series: int = 1) -> Decomposition:
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
    series : int
        Number of series over which the chances and the level hold (Bonferroni).

    Returns
    -------
    Decomposition
    """
    frequencies = _grid(seconds)
    centred = seconds - seconds.mean()
    chances: list[float] = []
    fit = _Fit.of(centred, values, np.empty(0))
    strongest = None
    while (peak := _peak(seconds, fit.left, frequencies)) is not None:
        frequency, chance = peak[0], min(1.0, series * peak[1])
        room = len(chances) < _MOST_PERIODS and len(seconds) >= 3 * (len(chances) + 1) + 10
        if chance <= level and room:
            more = _Fit.of(centred, values, np.append(fit.frequencies, frequency))
            # One that leaves what was looked at, or takes any length, is a drift and no period.
            if more.settled(frequencies):
                fit = more
                chances.append(chance)
                continue
        (strongest,) = _Fit.of(centred, fit.left, np.array([frequency])).periods([chance])
        break
    return Decomposition(
        drift_arcsec_per_min=float(fit.linear[1]) * 60.0,
        drift_stderr_arcsec_per_min=float(np.sqrt(fit.covariance[1, 1])) * 60.0,
        rms_arcsec=float(np.std(values - fit.linear[0] - fit.linear[1] * centred)),
        noise_arcsec=float(np.std(fit.left)),
        periods=tuple(sorted(fit.periods(chances), key=lambda each: -each.amplitude_arcsec)),
        strongest=strongest,
        shortest_s=float(1.0 / frequencies[-1]),
        longest_s=float(1.0 / frequencies[0]),
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
    """Least squares of mean, drift and sines together; times count from their mean."""

    linear: Array
    frequencies: Array
    covariance: Array
    left: Array

    @classmethod
    def of(cls, centred: Array, values: Array, frequencies: Array) -> _Fit:
        if len(frequencies):
            frequencies = _refined(centred, values, frequencies)
        waves = _waves(centred, frequencies)
        linear, left = _solved(waves, values)
        # How the fitted curve changes with each frequency.
        turning = linear[3::2] * waves[:, 2::2] - linear[2::2] * waves[:, 3::2]
        design = np.concatenate([waves, 2.0 * np.pi * centred[:, None] * turning], axis=1)
        factor = ScaledDesign.of(design, smallest=_SMALLEST).factor
        freedom = max(len(values) - design.shape[1], 1)
        return cls(linear, frequencies, factor @ factor.T * float(left @ left) / freedom, left)

    def settled(self, looked_at: Array) -> bool:
        """Whether every period is within what was looked at, and known to better than a third of itself."""
        errors = np.sqrt(np.diag(self.covariance)[len(self.linear) :])
        within = (self.frequencies >= looked_at[0] * (1.0 - 1e-9)) & (self.frequencies <= looked_at[-1])
        return bool(np.all(within & (errors < self.frequencies / 3.0)))

    def periods(self, chances: list[float]) -> list[Period]:
        answer = []
        for i, (frequency, chance) in enumerate(zip(self.frequencies.tolist(), chances, strict=True)):
            sine = slice(2 + 2 * i, 4 + 2 * i)
            amplitude = float(np.linalg.norm(self.linear[sine]))
            along = self.linear[sine] / max(amplitude, 1e-300)
            variance = self.covariance[len(self.linear) + i, len(self.linear) + i]
            answer.append(
                Period(
                    period_s=1.0 / frequency,
                    period_stderr_s=float(np.sqrt(variance)) / frequency**2,
                    amplitude_arcsec=amplitude,
                    amplitude_stderr_arcsec=float(np.sqrt(along @ self.covariance[sine, sine] @ along)),
                    chance=chance,
                )
            )
        return answer


def _solved(design: Array, values: Array) -> tuple[Array, Array]:
    """Coefficients of the least-squares fit, and what it leaves."""
    found = np.asarray(np.linalg.lstsq(design, values, rcond=None)[0], float)
    return found, values - design @ found


def _waves(centred: Array, frequencies: Array) -> Array:
    """Mean, drift, and cosine and sine of each frequency, shape (n, 2 + 2k)."""
    phase = 2.0 * np.pi * centred[:, None] * frequencies
    waves = np.stack([np.cos(phase), np.sin(phase)], axis=-1).reshape(len(centred), -1)
    return np.concatenate([np.ones((len(centred), 1)), centred[:, None], waves], axis=1)


def _refined(centred: Array, values: Array, start: Array) -> Array:
    """Frequencies after Gauss-Newton on them and all coefficients; each stays within its peak."""
    from scipy.optimize import least_squares

    span = float(np.ptp(centred))

    def residuals(offsets: Array) -> Any:
        return _solved(_waves(centred, start + offsets / span), values)[1]

    room = np.minimum(0.5, 0.9 * start * span)
    offsets = least_squares(residuals, np.zeros(len(start)), bounds=(-room, room), x_scale=0.1).x
    return np.asarray(start + offsets / span)
