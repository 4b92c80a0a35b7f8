"""How well a mount tracked: what is left of a log once drift is taken out, its periods, and what explains it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from astropy import units as u

from skysample.errors import InputError
from skysample.tracking_errors.component import ComponentTracking, against, component_sentences, judged
from skysample.tracking_errors.prediction import predicted_errors, star_directions

if TYPE_CHECKING:
    from astropy.table import QTable

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.site import Site
    from skysample.tracking_errors.log import TrackingLog

__all__ = ["Tracking", "tracking"]


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
        said = [self.condition] if self.condition else []
        for each in self.components:
            said += component_sentences(each)
        return (*said, *self.reservations)

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
    shares, reservations = _shares(log, site, model)
    condition = (
        "This holds only if neither a model nor a guider steered the mount; say which with --assume corrections=none,"
        " model or guider."
        if shares and log.corrections == "unknown"
        else ""
    )
    factors = _sky_factors(log, site)
    components = []
    for place, name in enumerate(log.names):
        causes = {cause: values[:, place] for cause, values in shares.items()}
        components.append(judged(log, place, name, causes, factors[place]))
        if against(log.errors_arcsec[:, place], causes):
            reservations.append(
                f"{name.capitalize()}: removing the prediction makes the log worse; if the log is star minus tube, add"
                " --assume error_of=star; if a model or a guider was active, declare it."
            )
    return Tracking(log, tuple(components), condition, tuple(reservations))


def _shares(
    log: TrackingLog, site: Site | None, model: FittedModel | None
) -> tuple[dict[str, Array], list[str]]:
    if site is None:
        return {}, ["Without --site and --model no drift is predicted: the drift is only fitted."]
    if log.source == "encoder":
        return {}, [
            "An encoder does not see where its axis points, so polar error, refraction and model are not removed."
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
