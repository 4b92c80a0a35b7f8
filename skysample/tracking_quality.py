"""How well a mount tracked: what is left of a log once drift is taken out, its periods, and what explains it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.familywise import FAMILY_WISE
from skysample.periods import Period, decompose
from skysample.tracking_prediction import predicted_errors, star_directions

if TYPE_CHECKING:
    from astropy.table import QTable

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.periods import Decomposition
    from skysample.site import Site
    from skysample.tracking_log import TrackingLog

__all__ = ["PRACTICE_ARCSEC", "ComponentTracking", "Removed", "Tracking", "tracking"]

PRACTICE_ARCSEC = (0.05, 0.15)
"""RMS of a good direct drive (common practice, no source)."""

_SIDEREAL_DAY_S = 86164.1
_WORSE = 1.05


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


@dataclass(frozen=True, slots=True)
class Tracking:
    """How well a mount tracked.

    Attributes
    ----------
    log : TrackingLog
    components : tuple of ComponentTracking
    condition : str
        What the answer rests on; empty where the log declares it.
    reservations : tuple of str
        What could not be taken out, and why.
    """

    log: TrackingLog
    components: tuple[ComponentTracking, ...]
    condition: str
    reservations: tuple[str, ...]

    @property
    def table(self) -> QTable:
        """One row a period: component, period, amplitude, standard errors, chance."""
        from astropy import units as u
        from astropy.table import QTable

        rows = [(each.name, period) for each in self.components for period in each.periods]

        def column(name: str) -> Array:
            return np.array([getattr(period, name) for _, period in rows], float)

        return QTable(
            {
                "component": np.array([name for name, _ in rows], dtype=str),
                "period": column("period_s") * u.s,
                "period_stderr": column("period_stderr_s") * u.s,
                "amplitude": column("amplitude_arcsec") * u.arcsec,
                "amplitude_stderr": column("amplitude_stderr_arcsec") * u.arcsec,
                "chance": column("chance"),
            }
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        """What to tell a person."""
        said = [self.condition] if self.condition else []
        for each in self.components:
            said += _said(each)
        return (*said, *self.reservations)

    def __str__(self) -> str:
        return "\n".join(self.sentences)


def _said(each: ComponentTracking) -> list[str]:
    low, high = PRACTICE_ARCSEC
    name = each.name.capitalize()
    where = "" if each.sky_factor is not None else " of the axis (on the sky times the cosine of its height)"
    judged = {
        "better": f'better than the {low}" to {high}"',
        "within": f'within the {low}" to {high}"',
        "worse": f'worse than the {low}" to {high}"',
    }[each.verdict]
    said = [
        (
            f'{name}: {each.logged_rms_arcsec:.3f}" RMS as logged; {each.sky_rms_arcsec:.3f}" RMS without drift{where},'
            f" {judged} of a good direct drive (common practice, no source)."
        )
    ]
    drift = f'{each.drift_arcsec_per_min:+.3f}" +- {each.drift_stderr_arcsec_per_min:.3f}" a minute'
    if each.predicted_arcsec_per_min is None:
        said.append(f"{name}: drift {drift}, fitted.")
    else:
        said.append(
            f'{name}: predicted drift {each.predicted_arcsec_per_min:+.3f}" a minute; on top of it {drift}, fitted.'
        )
    said += [
        f"{name}: a period of {period.period_s:.4g} +- {period.period_stderr_s:.2g} s"
        f" ({_SIDEREAL_DAY_S / period.period_s:.4g} to a turn at the sidereal rate) of"
        f' {period.amplitude_arcsec:.3f}" +- {period.amplitude_stderr_arcsec:.3f}" each way'
        f" (chance {period.chance:.1g})."
        for period in each.periods
    ]
    if not each.periods:
        said.append(
            f"{name}: no period from {each.shortest_s:.3g} to {each.longest_s:.4g} s is beyond chance"
            f" (family-wise {100.0 * FAMILY_WISE:.0f} %)."
        )
    return said


def tracking(log: TrackingLog, site: Site | None = None, model: FittedModel | None = None) -> Tracking:
    """Judge a tracking log.

    Parameters
    ----------
    log : TrackingLog
    site : Site, optional
        With the log's times and target: refraction is taken out.
    model : FittedModel, optional
        With the site: polar error and the rest of the model are taken out too, for a log of a guide star that nothing
        but the sidereal rate steered.

    Returns
    -------
    Tracking
        Chances of periods are family-wise over the components: any period that is not there is reported in at most 5 %
        of logs of white noise.

    Raises
    ------
    InputError
        If a model is given without a site, or the log lacks what a prediction needs.
    """
    if model is not None and site is None:
        raise InputError("a model is of no use without its site; give the site too", key="site")
    shares, reservations = _shares(log, site, model)
    condition = (
        "If neither a model nor a guider steered the mount: what follows holds; say which with"
        " --assume corrections=none, model or guider."
        if shares and log.corrections == "unknown"
        else ""
    )
    factors = _sky_factors(log, site)
    components = []
    for place, name in enumerate(log.names):
        causes = {cause: values[:, place] for cause, values in shares.items()}
        components.append(_judged(log, place, name, causes, factors[place]))
        if _against(log.errors_arcsec[:, place], causes):
            reservations.append(
                f"{name.capitalize()}: taking the prediction out makes the log worse; if it logs star less tube say"
                " --assume error_of=star, and if a model or guider was active say so."
            )
    return Tracking(log, tuple(components), condition, tuple(reservations))


def _shares(
    log: TrackingLog, site: Site | None, model: FittedModel | None
) -> tuple[dict[str, Array], list[str]]:
    if site is None:
        return {}, ["Without --site and --model no drift is predicted: the drift is only fitted."]
    if log.source == "encoder":
        return {}, [
            "An encoder does not see where its axis points: polar error, refraction and model explain nothing of it."
        ]
    if log.corrections in {"model", "guider"}:
        return {}, [
            f"The {log.corrections} steered the mount, so nothing that it corrects is taken out again."
        ]
    return predicted_errors(log, site, model), []


def _sky_factors(log: TrackingLog, site: Site | None) -> list[float | None]:
    """For each component what turns it into an angle on the sky."""
    if "primary" not in log.names:
        return [1.0] * len(log.names)
    factor: float | None = None
    if log.target_deg is not None and site is not None and site.mount.kind != "altaz":
        factor = float(np.cos(np.radians(log.target_deg[1])))
    elif log.target_deg is not None and site is not None and log.start is not None:
        factor = float(np.mean(np.hypot(*star_directions(log, site)[:, :2].T)))
    return [factor if name == "primary" else 1.0 for name in log.names]


def _rms(values: Array) -> float:
    return float(np.std(values))


def _judged(
    log: TrackingLog, place: int, name: str, causes: dict[str, Array], factor: float | None
) -> ComponentTracking:
    logged = log.errors_arcsec[:, place]
    total = max(_rms(logged), 1e-300)
    level = FAMILY_WISE / len(log.names)
    series, rms = logged, _rms(logged)
    removed = []

    def without(cause: str, left: Array) -> None:
        nonlocal series, rms
        now = _rms(left)
        removed.append(Removed(cause, now, (rms**2 - now**2) / total**2))
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


def _slope(seconds: Array, values: Array) -> float:
    return float(np.polyfit(seconds - seconds.mean(), values, 1)[0]) * 60.0


def _total(causes: dict[str, Array]) -> Array:
    return np.asarray(np.sum(list(causes.values()), axis=0), float)


def _against(logged: Array, causes: dict[str, Array]) -> bool:
    """Whether the log goes against the prediction."""
    if not causes:
        return False
    return _rms(logged - _total(causes)) > _WORSE * max(_rms(logged), 1e-9)
