"""How many points the final model needs: from the pilot's noise, the terms it will carry and this site's sky."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError, NoSolution, NotDetermined
from skysample.fitting.degeneracy import SINGULAR, weak_pairs
from skysample.geometry import ARCSEC
from skysample.mount_axes import ideal_axes, mount_frame
from skysample.ordering import Annealed, best_order, schedule
from skysample.planning import ordering_problem
from skysample.plugins.registry import default_registry
from skysample.sampling import sample
from skysample.scoring.sky_error import sky_design
from skysample.sky import UsableSky, usable_sky
from skysample.terms import ROTATIONS, choose_terms

if TYPE_CHECKING:
    from collections.abc import Sequence

    from astropy.table import QTable
    from astropy.units import Quantity

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.site import Site

__all__ = ["PointsNeeded", "points_needed"]

CONFIDENCE = 0.9
"""Of the noise: an absolute target is met in this share of nights, whatever the pilot made of the noise."""

_TABLE_SHARES = (0.5, 0.75, 1.0, 1.5, 2.0)
"""Of the recommended number: what fewer points would cost, and what more would buy."""

_TRIALS = 40_000


@dataclass(frozen=True)
class PointsNeeded:
    """An answer to how many points.

    Attributes
    ----------
    recommended : int
        Smallest number that meets the target with 90 % confidence in the noise.
    smallest : int
        Smallest number that would do if the pilot's noise were exact.
    target : Quantity
        Of the model's own standard error over the usable sky, radial RMS, arcsec.
    sigma, sigma_upper : Quantity
        Noise per axis as the pilot has it, and its 90 % upper bound.
    terms : tuple of str
        What the final model will carry.
    failed_share : float
        Of exposures, allowed for.
    table : QTable
        points, sky_rms, sky_p95, detectable (the smallest displacement term that would be found with power 0.8 at a
        family-wise 5 %), minutes.
    """

    recommended: int
    smallest: int
    target: Quantity
    sigma: Quantity
    sigma_upper: Quantity
    terms: tuple[str, ...]
    failed_share: float
    table: QTable

    def __str__(self) -> str:
        rows = {int(row["points"]): row for row in self.table}
        here = rows[self.recommended]
        text = f'{self.recommended} points: {here["sky_rms"].value:.2f}" over the sky, {here["minutes"].value:.0f} min'
        more = [row for points, row in rows.items() if points >= 1.25 * self.recommended]
        if more:
            after = more[0]
            text += (
                f'; {int(after["points"])} points would give {after["sky_rms"].value:.2f}",'
                f" {after['minutes'].value - here['minutes'].value:.0f} min more"
            )
        return text + "."


@dataclass(frozen=True)
class _FinalModel:
    """The model that the final run will carry, over this sky."""

    site: Site
    sky: UsableSky
    model: FittedModel
    over_sky: Array

    def covariance(self, points: int, seed: int) -> Array:
        """Unscaled covariance of the coefficients from an even grid of so many points, shape (p, p)."""
        grid = sample(self.sky, points, seed=seed, effort="quick")
        frame = mount_frame(self.model.kind, self.model.function.latitude_rad)
        design = self.model.design(ideal_axes(frame, grid.directions, grid.sides))
        rows = design.reshape(-1, design.shape[-1])
        condition, weak = weak_pairs(rows, self.model.names)
        if condition > SINGULAR:
            raise NotDetermined(
                f"over this sky no grid tells {weak[0].pair[0]} from {weak[0].pair[1]}; leave one of them out",
                pair=weak[0].pair,
                condition=condition,
            )
        scale = np.linalg.norm(rows, axis=0)
        inverse = np.linalg.inv(np.linalg.qr(rows / scale, mode="r")) / scale[:, None]
        return np.asarray(inverse @ inverse.T)

    def seconds(self, points: int, seed: int) -> float:
        """How long an even grid of so many points takes, in an order that a tenth of the usual search finds."""
        problem = ordering_problem(self.site, sample(self.sky, points, seed=seed, effort="quick"), seed)
        moves = schedule(problem, best_order(problem, Annealed(trials=_TRIALS)))
        camera = self.site.camera
        return moves.total_slew_s + points * (camera.exposure_s + camera.overhead_s)

    def sky_variance(self, covariance: Array) -> Array:
        """Variance of the prediction over the sky, shape (m,), for unit noise."""
        return np.asarray(np.einsum("nip,pq,niq->n", self.over_sky, covariance, self.over_sky, optimize=True))


def points_needed(
    site: Site,
    model: FittedModel,
    target: Quantity | None = None,
    *,
    terms: Sequence[str] | None = None,
    max_points: int = 300,
    failed_share: float = 0.05,
    seed: int = 0,
    sky: UsableSky | None = None,
    registry: Registry | None = None,
) -> PointsNeeded:
    """Say how many evenly spread points the final model needs.

    Parameters
    ----------
    site : Site
    model : FittedModel
        From the pilot run: its noise, and its coefficients as the place to linearise.
    target : Quantity, optional
        Wanted standard error of the model over the usable sky (radial RMS); default: half the noise per axis.
    terms : sequence of str, optional
        What the final model will carry; default: the extended set with whatever the pilot carried.
    max_points : int
        Where to stop.
    failed_share : float
        Of exposures that will bring nothing, 0 to 0.9.
    seed : int
    sky : UsableSky, optional
        If it is at hand already.
    registry : Registry, optional

    Returns
    -------
    PointsNeeded

    Raises
    ------
    NoSolution
        If the target is beyond `max_points`; its `partial` is the table so far.
    NotDetermined
        If no grid over this sky can tell two of the terms apart.
    """
    from astropy import units as u

    if not 0.0 <= failed_share <= 0.9:
        raise InputError(f"failed_share must be from 0 to 0.9; got {failed_share}", key="failed_share")
    model.check_site(site)
    sigma = model.sigma
    if not sigma > 0.0 * u.arcsec:
        raise InputError("the model's noise is zero, so no number of points follows from it", key="model")
    wanted = 0.5 * sigma if target is None else u.Quantity(target)
    if (
        not wanted.unit.is_equivalent(u.arcsec)
        or not wanted.isscalar
        or not 0.0 < wanted.to_value(u.arcsec) < np.inf
    ):
        raise InputError(f"target must be an angle above zero; got {target}", key="target")
    wanted = wanted.to(u.arcsec)
    final = _final_model(site, model, terms, sky, registry)
    count = len(final.model.names)
    if max_points < count:
        raise InputError(
            f"max_points must be at least {count}, the number of terms; got {max_points}", key="max_points"
        )
    # A target that is a share of the noise does not depend on how well the noise is known.
    upper = sigma if target is None else sigma * _noise_excess(model.dof)
    smallest = _smallest_meeting(final, float(wanted / sigma), failed_share, max_points, seed)
    recommended = _smallest_meeting(final, float(wanted / upper), failed_share, max_points, seed)
    reached = recommended is not None
    centre = recommended or max_points
    least = (count / 2.0 + 3.0) / (1.0 - failed_share)
    shown = sorted({n for share in _TABLE_SHARES if least <= (n := round(share * centre)) <= max_points})
    table = _table(final, shown, sigma, failed_share, seed)
    if not reached or recommended is None:
        raise NoSolution(
            f'{wanted.value:.2f}" over the sky needs more than {max_points} points: those give'
            f' {table["sky_rms"][-1].value:.2f}"; allow more points, ask for less, or lower the noise',
            partial=table,
        )
    return PointsNeeded(
        recommended, smallest or recommended, wanted, sigma, upper, final.model.names, failed_share, table
    )


def _final_model(
    site: Site,
    model: FittedModel,
    terms: Sequence[str] | None,
    sky: UsableSky | None,
    registry: Registry | None,
) -> _FinalModel:
    available = (registry or default_registry()).terms(site.mount)
    names = choose_terms(
        site.mount.kind, terms if terms is not None else ("extended", *model.names), available
    )
    rotations = ROTATIONS[site.mount.kind]
    function = replace(
        model.function, names=names, terms=tuple(available[name] for name in names if name not in rotations)
    )
    values = np.array(
        [model.values_rad[model.names.index(name)] if name in model.names else 0.0 for name in names]
    )
    final = replace(
        model, function=function, values_rad=values, covariance_rad2=np.zeros((len(names), len(names)))
    )
    region = sky or usable_sky(site)
    return _FinalModel(site, region, final, sky_design(final, region)[1])


def _noise_excess(dof: int) -> float:
    """Upper bound of the true noise over the pilot's, by chi-square."""
    from scipy.special import chdtri

    return float(np.sqrt(dof / chdtri(dof, CONFIDENCE)))


def _smallest_meeting(
    final: _FinalModel, share: float, failed_share: float, max_points: int, seed: int
) -> int | None:
    """Smallest number of points whose sky RMS is at most `share` of the noise; None beyond `max_points`."""
    count = len(final.model.names)
    least = int(np.ceil((count / 2.0 + 2.0) / (1.0 - failed_share)))

    def ratio(points: int) -> float:
        covariance = final.covariance(points, seed) / (1.0 - failed_share)
        return float(np.sqrt(np.mean(final.sky_variance(covariance))))

    # The error falls as the root of the number, so a guess from one grid is near; then step to the edge.
    first = min(max(4 * count, least), max_points)
    guess = int(np.clip(np.ceil(first * (ratio(first) / share) ** 2), least, max_points))
    if ratio(guess) <= share:
        while guess > least and ratio(guess - 1) <= share:
            guess -= 1
        return guess
    while guess < max_points:
        guess += 1
        if ratio(guess) <= share:
            return guess
    return None


def _table(
    final: _FinalModel,
    points: list[int],
    sigma: Quantity,
    failed_share: float,
    seed: int,
) -> QTable:
    from astropy import units as u
    from astropy.table import QTable

    rows = []
    sigma_rad = float(sigma.to_value(u.arcsec)) * ARCSEC
    rotations = len(final.model.function.rotation_slots)
    for number in points:
        covariance = final.covariance(number, seed) / (1.0 - failed_share)
        error = sigma_rad * np.sqrt(final.sky_variance(covariance)) / ARCSEC
        stderr = sigma_rad * np.sqrt(np.diag(covariance)) / ARCSEC
        terms = stderr[rotations:] if len(stderr) > rotations else stderr
        detectable = float(np.max(terms)) * _detection_factor(2 * number - len(stderr), len(stderr))
        seconds = final.seconds(number, seed)
        rows.append(
            (number, np.sqrt(np.mean(error**2)), np.percentile(error, 95.0), detectable, seconds / 60.0)
        )
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    return QTable(
        {
            "points": columns[0].astype(int),
            "sky_rms": columns[1] * u.arcsec,
            "sky_p95": columns[2] * u.arcsec,
            "detectable": columns[3] * u.arcsec,
            "minutes": columns[4] * u.min,
        }
    )


def _detection_factor(dof: int, terms: int) -> float:
    """How many standard errors a term must have to be found with power 0.8 at a family-wise 5 % (Bonferroni)."""
    from scipy.special import stdtrit

    return float(stdtrit(dof, 1.0 - 0.025 / terms) + stdtrit(dof, 0.8))
