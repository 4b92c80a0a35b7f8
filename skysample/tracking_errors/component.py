"""Tracking in one component of a log: what each cause takes out, the drift, the periods, and all that in words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.multiple_tests import FINDINGS_LEVEL
from skysample.tracking_errors.periodic_errors import Period, decompose

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.tracking_errors.log import TrackingLog
    from skysample.tracking_errors.periodic_errors import Decomposition

PRACTICE_ARCSEC = (0.05, 0.15)
"""RMS of a good direct drive (common practice, no source)."""

_SIDEREAL_DAY_S = 86164.1
_ROUNDING_ARCSEC = 1e-9
"""A component that varies by no more does not vary: nothing has a share in it."""

_WORSE = 1.05
_ABSURD_ARCSEC = 60.0


@dataclass(frozen=True, slots=True)
class Removed:
    """What is left once one more cause is taken out.

    Attributes
    ----------
    cause : str
    rms_arcsec : float
        Of what is left, about its mean.
    share : float
        Of the log's mean square that this cause took out; below zero where taking it out made the log worse.
    """

    cause: str
    rms_arcsec: float
    share: float


@dataclass(frozen=True, slots=True)
class ComponentTracking:
    """Tracking in one component of the log.

    Attributes
    ----------
    name : str
    logged_rms_arcsec : float
        About the mean.
    removed : tuple of Removed
        In the order in which the causes were taken out: those that are predicted, the drift fitted to what they leave,
        the periods.
    predicted_arcsec_per_min : float or None
        Drift that the prediction amounts to; None where nothing was predicted.
    drift_arcsec_per_min, drift_stderr_arcsec_per_min : float
        Fitted to what the prediction leaves.
    rms_arcsec : float
        Once predicted and fitted drift are out.
    sky_factor : float or None
        What turns this component into an angle on the sky; None where the star is not known.
    periods : tuple of Period
        Beyond chance, strongest first.
    strongest : Period or None
        Of the rest: what chance explains.
    noise_arcsec : float
        RMS once the periods are out too.
    shortest_s, longest_s : float
        Periods looked at.
    """

    name: str
    logged_rms_arcsec: float
    removed: tuple[Removed, ...]
    predicted_arcsec_per_min: float | None
    drift_arcsec_per_min: float
    drift_stderr_arcsec_per_min: float
    rms_arcsec: float
    sky_factor: float | None
    periods: tuple[Period, ...]
    strongest: Period | None
    noise_arcsec: float
    shortest_s: float
    longest_s: float

    @property
    def sky_rms_arcsec(self) -> float:
        """RMS on the sky, or of the axis where the star is not known."""
        return self.rms_arcsec * (1.0 if self.sky_factor is None else self.sky_factor)

    @property
    def verdict(self) -> str:
        """Against common practice: `better`, `within` or `worse`."""
        low, high = PRACTICE_ARCSEC
        rms = self.sky_rms_arcsec
        return "better" if rms < low else "within" if rms <= high else "worse"


def component_sentences(each: ComponentTracking) -> list[str]:
    """Findings on one component, in words."""
    low, high = PRACTICE_ARCSEC
    name = each.name.capitalize()
    where = "" if each.sky_factor is not None else " of the axis (on the sky times the cosine of its height)"
    practice = {
        "better": f'better than the {low}" to {high}"',
        "within": f'within the {low}" to {high}"',
        "worse": f'worse than the {low}" to {high}"',
    }[each.verdict]
    sentences = [
        (
            f'{name}: {each.logged_rms_arcsec:.3f}" RMS as logged; {each.sky_rms_arcsec:.3f}" RMS without drift{where},'
            f" {practice} of a good direct drive."
        )
    ]
    if each.sky_rms_arcsec > _ABSURD_ARCSEC:
        sentences.append(
            f"{name}: too large for any drive: check that the log is in arcseconds and follows one star."
        )
    drift = f'{each.drift_arcsec_per_min:+.3f}" +- {each.drift_stderr_arcsec_per_min:.3f}" a minute'
    if each.predicted_arcsec_per_min is None:
        sentences.append(f"{name}: drift {drift}, fitted.")
    else:
        sentences.append(
            f'{name}: predicted drift {each.predicted_arcsec_per_min:+.3f}" a minute; unexplained drift {drift}.'
        )
    sentences += [
        f"{name}: periodic error of {period.period_s:.4g} +- {_seconds(period.period_stderr_s)} s"
        f" ({_SIDEREAL_DAY_S / period.period_s:.4g} cycles per turn of the axis at the sidereal rate), amplitude"
        f' {period.amplitude_arcsec:.3f}" +- {period.amplitude_stderr_arcsec:.3f}"'
        f" (probability by chance {period.chance:.1g})."
        for period in each.periods
    ]
    if not each.periods:
        sentences.append(
            f"{name}: no periodic error detected between {each.shortest_s:.3g} s and {each.longest_s:.4g} s"
            f" ({100.0 * FINDINGS_LEVEL:.0f} % level)."
        )
    return sentences


def _seconds(error_s: float) -> str:
    return f"{error_s:.0f}" if error_s >= 10.0 else f"{error_s:.2g}"


def judged(
    log: TrackingLog, place: int, name: str, causes: dict[str, Array], factor: float | None
) -> ComponentTracking:
    """Take the causes out of a component of the log, then a drift, then periods."""
    logged = log.errors_arcsec[:, place]
    total = _rms(logged)
    level = FINDINGS_LEVEL / len(log.names)
    series, rms = logged, _rms(logged)
    removed = []

    def without(cause: str, left: Array) -> None:
        nonlocal series, rms
        now = _rms(left)
        share = (rms**2 - now**2) / total**2 if total > _ROUNDING_ARCSEC else 0.0
        removed.append(Removed(cause, now, share))
        series, rms = left, now

    for cause, values in causes.items():
        without(cause, series - values)
    parts: Decomposition = decompose(log.seconds, series, level)
    without("fitted drift", parts.without_drift)
    rms_without_drift = rms
    without("periods", parts.left)
    return ComponentTracking(
        name=name,
        logged_rms_arcsec=_rms(logged),
        removed=tuple(removed),
        predicted_arcsec_per_min=_slope(log.seconds, _total(causes)) if causes else None,
        drift_arcsec_per_min=parts.drift_arcsec_per_min,
        drift_stderr_arcsec_per_min=parts.drift_stderr_arcsec_per_min,
        rms_arcsec=rms_without_drift,
        sky_factor=factor,
        periods=tuple(_family_wise(each, len(log.names)) for each in parts.periods),
        strongest=None if parts.strongest is None else _family_wise(parts.strongest, len(log.names)),
        noise_arcsec=_rms(parts.left),
        shortest_s=parts.shortest_s,
        longest_s=parts.longest_s,
    )


def _family_wise(period: Period, components: int) -> Period:
    return replace(period, chance=min(1.0, period.chance * components))


def against(logged: Array, causes: dict[str, Array]) -> bool:
    """Whether the log goes against the prediction."""
    if not causes:
        return False
    return _rms(logged - _total(causes)) > _WORSE * max(_rms(logged), _ROUNDING_ARCSEC)


def _slope(seconds: Array, values: Array) -> float:
    return float(np.polyfit(seconds - seconds.mean(), values, 1)[0]) * 60.0


def _total(causes: dict[str, Array]) -> Array:
    return np.asarray(np.sum(list(causes.values()), axis=0), float)


def _rms(values: Array) -> float:
    return float(np.std(values))
