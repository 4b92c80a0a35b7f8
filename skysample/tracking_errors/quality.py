"""How well a mount tracked: what is left of a log once drift is taken out, its periods, and what explains it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from astropy import units as u

from skysample.astrometry.sidereal import SIDEREAL_RAD_S
from skysample.errors import InputError
from skysample.fitting.multiple_tests import FINDINGS_LEVEL
from skysample.tracking_errors.periodic_errors import Decomposition, decompose
from skysample.tracking_errors.prediction import predicted_errors, star_directions

if TYPE_CHECKING:
    from astropy.table import QTable

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.site import Site
    from skysample.tracking_errors.log import TrackingLog

__all__ = ["PRACTICE_ARCSEC", "ComponentTracking", "Removed", "Tracking", "tracking"]

PRACTICE_ARCSEC = (0.05, 0.15)
"""RMS of a good direct drive."""

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


@dataclass(frozen=True)
class ComponentTracking(Decomposition):
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
    sky_factor: float | None

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

    @property
    def sentences(self) -> tuple[str, ...]:
        """Findings on the component, in words."""
        low, high = PRACTICE_ARCSEC
        name = self.name.capitalize()
        where = " of the axis (on the sky times the cosine of its height)" if self.sky_factor is None else ""
        than = "" if self.verdict == "within" else " than"
        practice = f'{self.verdict}{than} the {low}" to {high}" of a good direct drive'
        without = f'{self.sky_rms_arcsec:.3f}" RMS without drift{where}'
        said = [f'{name}: {self.logged_rms_arcsec:.3f}" RMS as logged; {without}, {practice}.']
        if self.sky_rms_arcsec > _ABSURD_ARCSEC:
            said.append(
                f"{name}: too large for any drive: check that the log is in arcseconds and follows one star."
            )
        drift = f'{self.drift_arcsec_per_min:+.3f}" +- {self.drift_stderr_arcsec_per_min:.3f}" a minute'
        if self.predicted_arcsec_per_min is None:
            said.append(f"{name}: drift {drift}, fitted.")
        else:
            predicted = f'{self.predicted_arcsec_per_min:+.3f}" a minute'
            said.append(f"{name}: predicted drift {predicted}; unexplained drift {drift}.")
        for period in self.periods:
            error = f"{period.period_stderr_s:.{'0f' if period.period_stderr_s >= 10.0 else '2g'}}"
            cycles = f"{2.0 * np.pi / SIDEREAL_RAD_S / period.period_s:.4g}"
            turn = f"{cycles} cycles per turn of the axis at the sidereal rate"
            said.append(
                f"{name}: periodic error of {period.period_s:.4g} +- {error} s ({turn}), amplitude"
                f' {period.amplitude_arcsec:.3f}" +- {period.amplitude_stderr_arcsec:.3f}"'
                f" (probability by chance {period.chance:.1g})."
            )
        if not self.periods:
            said.append(
                f"{name}: no periodic error detected between {self.shortest_s:.3g} s and {self.longest_s:.4g} s"
                f" ({100.0 * FINDINGS_LEVEL:.0f} % level)."
            )
        return tuple(said)


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
        """The findings in words, the condition first and the reservations last."""
        condition = [self.condition] if self.condition else []
        return (
            *condition,
            *(line for each in self.components for line in each.sentences),
            *self.reservations,
        )

    def summary(self) -> str:
        """The findings in words, one a line."""
        return "\n".join(self.sentences)

    def __str__(self) -> str:
        return self.summary()


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
    shares: dict[str, Array] = {}
    reservations: list[str] = []
    if site is None:
        reservations.append("Without --site and --model no drift is predicted: the drift is only fitted.")
    elif log.source == "encoder":
        reservations.append(
            "An encoder does not see where its axis points, so polar error, refraction and model are not removed."
        )
    elif log.corrections in {"model", "guider"}:
        reservations.append(
            f"The {log.corrections} steered the mount, so nothing that it corrects is taken out again."
        )
    else:
        shares = predicted_errors(log, site, model)
    condition = ""
    if shares and log.corrections == "unknown":
        condition = (
            "This holds only if neither a model nor a guider steered the mount; say which with"
            " --assume corrections=none, model or guider."
        )
    components = []
    for place, name in enumerate(log.names):
        factor = _primary_factor(log, site) if name == "primary" else 1.0
        each = _component(log, place, {cause: errors[:, place] for cause, errors in shares.items()}, factor)
        components.append(each)
        most = _WORSE * max(each.logged_rms_arcsec, _ROUNDING_ARCSEC)
        if shares and each.removed[len(shares) - 1].rms_arcsec > most:
            reservations.append(
                f"{name.capitalize()}: removing the prediction makes the log worse; if the log is star minus tube, add"
                " --assume error_of=star; if a model or a guider was active, declare it."
            )
    return Tracking(log, tuple(components), condition, tuple(reservations))


def _component(
    log: TrackingLog, place: int, causes: dict[str, Array], factor: float | None
) -> ComponentTracking:
    """Take the causes out of a component of the log, then a drift, then periods."""
    logged = left = log.errors_arcsec[:, place]
    steps = [("as logged", float(np.std(logged)))]
    for cause, errors in causes.items():
        left = left - errors
        steps.append((cause, float(np.std(left))))
    parts = decompose(log.seconds, left, FINDINGS_LEVEL, series=len(log.names))
    steps += [("fitted drift", parts.rms_arcsec), ("periods", parts.noise_arcsec)]
    total = steps[0][1]
    predicted = np.polyfit(log.seconds - log.seconds.mean(), logged - left, 1)[0] if causes else None
    return ComponentTracking(
        **vars(parts),
        name=log.names[place],
        logged_rms_arcsec=total,
        removed=tuple(
            Removed(cause, rms, (before**2 - rms**2) / total**2 if total > _ROUNDING_ARCSEC else 0.0)
            for (_, before), (cause, rms) in pairwise(steps)
        ),
        predicted_arcsec_per_min=None if predicted is None else 60.0 * float(predicted),
        sky_factor=factor,
    )


def _primary_factor(log: TrackingLog, site: Site | None) -> float | None:
    """What turns an angle of the primary axis into one on the sky."""
    if log.target_deg is None or site is None:
        return None
    if site.mount.kind != "altaz":
        return float(np.cos(np.radians(log.target_deg[1])))
    if log.start is None:
        return None
    return float(np.mean(np.hypot(*star_directions(log, site)[:, :2].T)))
