"""After a run: the error of its model from fewer of its own points, and how many would have been enough."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import ARCSEC
from skysample.scoring.term_evidence import used_points
from skysample.sizing.confidence import error_upper
from skysample.sizing.final_model import mean_variance, over_the_sky, wanted_error

if TYPE_CHECKING:
    from astropy.table import QTable
    from astropy.units import Quantity
    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.runs import Run
    from skysample.site import Site
    from skysample.sky import UsableSky

_SUBSETS = 200
_SHOWN = 8


@dataclass(frozen=True)
class LearningCurve:
    """The error that fewer points of a run would have given.

    Attributes
    ----------
    points : int
        Points that the model uses.
    would_have_done : int or None
        Smallest number for which nine random subsets in ten meet the target, with 90 % confidence in the noise of the
        run if the target depends on it; None if even all points do not.
    target, sigma : Quantity
        arcsec; sigma is the noise per axis from the whole run.
    table : QTable
        points; sky_rms, the model's standard error over the usable sky from that many points (median of the subsets);
        sky_rms_upper, not exceeded with 90 % confidence; missed, the radial RMS by which such a model misses the points
        left out (noise included; nan if none is); expected, the same from the noise and the model's standard error.
    """

    points: int
    would_have_done: int | None
    target: Quantity
    sigma: Quantity
    table: QTable

    @property
    def missed_over_expected(self) -> float:
        """Mean over the sizes; near 1 if the curve can be trusted."""
        left_out = np.isfinite(self.table["missed"].value)
        return float(np.mean((self.table["missed"] / self.table["expected"]).value[left_out]))

    def summary(self) -> str:
        """Say how good the model is, and how many points would have been enough."""
        text = f'{self.points} points: model error {self.table["sky_rms"][-1].value:.2f}" RMS over the usable sky'
        target = f'the target of {self.target.value:.2f}"'
        if self.would_have_done is None:
            return f"{text}; {target} is not met."
        return f"{text}; {self.would_have_done} would have been enough for {target}."

    def __str__(self) -> str:
        return self.summary()


def learning_curve(
    model: FittedModel,
    run: Run,
    site: Site,
    target: Quantity | None = None,
    *,
    seed: int = 0,
    sky: UsableSky | None = None,
    registry: Registry | None = None,
) -> LearningCurve:
    """Refit random subsets of a run, and find how few of its points would have met the target.

    The geometry is linearised at the model of the whole run. A random subset of an even run is less even than a run
    planned for that many points, so the number is on the safe side.

    Parameters
    ----------
    model : FittedModel
    run : Run
        The run that it was fitted to.
    site : Site
    target : Quantity, optional
        Wanted standard error of the model over the usable sky (radial RMS); default: half the noise per axis.
    seed : int
        Seed of the random subsets.
    sky : UsableSky, optional
        The usable sky, if already computed.
    registry : Registry, optional

    Returns
    -------
    LearningCurve

    Raises
    ------
    InputError
        If the run is not the one that the model was fitted to, or the target is not an angle above zero.
    """
    points = used_points(model, run)
    model.check_site(site)
    wanted = wanted_error(target, model.sigma)
    final = over_the_sky(site, model, sky, registry)
    subsets = _Subsets.drawn(*final.weighted_rows(points), seed)
    dof = None if target is None else model.dof
    share = float(wanted / model.sigma)
    # A subset contains the smaller ones of its order, so the error falls with every point: bisect for the edge.
    sizes = subsets.sizes
    first = bisect_left(sizes, True, key=lambda size: error_upper(subsets.variances(size), dof) <= share)
    answer = sizes[first] if first < len(sizes) else None
    table = _table(subsets, model.sigma, dof, answer)
    return LearningCurve(len(subsets.rows), answer, wanted, model.sigma, table)


@dataclass(frozen=True)
class _Subsets:
    """Random subsets of a run: its first points in each of many random orders."""

    rows: Array
    residuals: Array
    orders: NDArray[np.int64]
    information: Array

    @classmethod
    def drawn(cls, rows: Array, residuals: Array, seed: int) -> _Subsets:
        rng = np.random.default_rng(seed)
        orders = np.array([rng.permutation(len(rows)) for _ in range(_SUBSETS)])
        return cls(rows, residuals, orders, np.swapaxes(rows, 1, 2) @ rows)

    @property
    def sizes(self) -> range:
        """From a few degrees of freedom to the whole run."""
        return range(min(self.rows.shape[2] // 2 + 2, len(self.rows)), len(self.rows) + 1)

    def variances(self, size: int) -> Array:
        """Mean radial variance over the sky for unit noise from each subset of a size."""
        return mean_variance(self._information(size))

    def missed(self, size: int, sigma_rad: float) -> tuple[float, float]:
        """RMS by which points left out are missed, and the RMS expected from noise and design; radians."""
        if size == len(self.rows):
            return np.nan, np.nan
        left_in, left_out = self.orders[:, :size], self.orders[:, size:]
        information = self._information(size)
        pull = np.einsum("knip,kni->kp", self.rows[left_in], self.residuals[left_in], optimize=True)
        shift = np.linalg.solve(information, pull[..., None])[..., 0]
        rows = self.rows[left_out]
        miss = self.residuals[left_out] - np.einsum("knip,kp->kni", rows, shift, optimize=True)
        variance = np.einsum("knip,kpq,kniq->kn", rows, np.linalg.inv(information), rows, optimize=True)
        found = np.mean(np.sum(miss**2, axis=2))
        return float(np.sqrt(found)), sigma_rad * float(np.sqrt(2.0 + np.mean(variance)))

    def _information(self, size: int) -> Array:
        chosen = np.zeros(self.orders.shape)
        np.put_along_axis(chosen, self.orders[:, :size], 1.0, axis=1)
        return np.asarray(np.tensordot(chosen, self.information, axes=1))


def _table(subsets: _Subsets, sigma: Quantity, dof: int | None, answer: int | None) -> QTable:
    from astropy import units as u
    from astropy.table import QTable

    noise = float(sigma.value)
    steps = np.unique(np.linspace(subsets.sizes[0], subsets.sizes[-1], _SHOWN).round().astype(int))
    sizes = sorted({*steps.tolist(), *([answer] if answer else [])})
    sizes = [size for size in sizes if np.isfinite(subsets.variances(size)).all()]
    variances = [subsets.variances(size) for size in sizes]
    missed = [subsets.missed(size, noise * ARCSEC) for size in sizes]
    return QTable(
        {
            "points": np.array(sizes, int),
            "sky_rms": noise * np.sqrt([np.median(each) for each in variances]) * u.arcsec,
            "sky_rms_upper": np.array([noise * error_upper(each, dof) for each in variances]) * u.arcsec,
            "missed": np.array([each[0] for each in missed]) / ARCSEC * u.arcsec,
            "expected": np.array([each[1] for each in missed]) / ARCSEC * u.arcsec,
        }
    )
