"""The model of the final run: how its error over the usable sky depends on the points taken."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from astropy import units as u

from skysample.errors import InputError, NotDetermined
from skysample.fitting.gauss_newton import Converged
from skysample.fitting.scaled_design import SINGULAR, ScaledDesign
from skysample.fitting.terms import choose_terms
from skysample.plugins.contracts import ROTATIONS
from skysample.plugins.registry import default_registry
from skysample.scoring.sky_error import sky_design
from skysample.site.mount_axes import ideal_axes, mount_frame
from skysample.sky import UsableSky, usable_sky

if TYPE_CHECKING:
    from collections.abc import Sequence

    from astropy.units import Quantity
    from numpy.typing import NDArray

    from skysample.fitting import FittedModel
    from skysample.fitting.gauss_newton import Observations
    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.site import Site

DEFAULT_TARGET = 0.5
"""Default target: error of the model over the sky, in units of the noise per axis."""

_RIDGE = 1e-9
"""Information added to every matrix, in points, so that one of too few points has an inverse."""

_UNDETERMINED = 0.01
"""Share of the variance from the ridge alone above which the points do not determine some term."""


@dataclass(frozen=True)
class FinalModel:
    """A model over a sky, in coordinates in which the mean of J^T J over the sky is the identity.

    J, of shape (2, p), is the derivative of the predicted direction by each coefficient. In these coordinates the mean
    radial variance of the model over the sky is the trace of the covariance (see `mean_variance`).

    Attributes
    ----------
    site : Site
    sky : UsableSky
    model : FittedModel
        The geometry is linearised at its coefficients; those without a value are zero.
    over_sky : ndarray, shape (m, 2, p)
        J at equal-area cells of the usable sky, on both sides of the pier.
    whiten : ndarray, shape (p, p)
        Transforms rows per radian of each coefficient to these coordinates.
    """

    site: Site
    sky: UsableSky
    model: FittedModel
    over_sky: Array
    whiten: Array

    @property
    def terms(self) -> int:
        """Number of terms."""
        return len(self.model.names)

    def rows(self, directions: Array, side: NDArray[np.int64]) -> Array:
        """J at directions (n, 3) on sides of the pier (n,), shape (n, 2, p)."""
        frame = mount_frame(self.model.kind, self.model.function.latitude_rad)
        return np.asarray(self.model.design(ideal_axes(frame, directions, side)) @ self.whiten)

    def weighted_rows(self, points: Observations) -> tuple[Array, Array]:
        """Weighted J and residuals at observed points, shapes (n, 2, p) and (n, 2)."""
        here = Converged.at(self.model.function, self.model.values_rad, points)
        weights = points.weights[:, None]
        return here.design @ self.whiten * weights[:, None], here.residuals * weights

    def radial_error(self, covariance: Array) -> Array:
        """Standard error of the model at each cell of the sky, shape (m,), from a covariance (p, p)."""
        variance = np.einsum("nip,pq,niq->n", self.over_sky, covariance, self.over_sky, optimize=True)
        return np.asarray(np.sqrt(variance))

    def term_errors(self, covariance: Array) -> Array:
        """Standard errors of the model's own coefficients, shape (p,)."""
        return np.asarray(np.sqrt(np.diag(self.whiten @ covariance @ self.whiten.T)))


def over_the_sky(
    site: Site, model: FittedModel, sky: UsableSky | None, registry: Registry | None
) -> FinalModel:
    """Set up a model over a sky; default: the whole usable sky of the site.

    Raises
    ------
    NotDetermined
        If no points in this sky can separate two of its terms.
    """
    region = sky or usable_sky(site, registry=registry)
    over_sky = sky_design(model, region)[1]
    flat = over_sky.reshape(-1, len(model.names)) / np.sqrt(len(over_sky))
    scaled = ScaledDesign.of(flat)
    if scaled.condition > SINGULAR:
        pair = scaled.worst_pair(model.names)
        raise NotDetermined(
            f"no grid over this sky separates {' from '.join(pair)}; leave one of them out",
            pair=pair,
            condition=scaled.condition,
        )
    return FinalModel(site, region, model, over_sky @ scaled.factor, scaled.factor)


def with_terms(model: FittedModel, terms: Sequence[str], registry: Registry | None) -> FittedModel:
    """Copy a model with other terms: new ones are zero, and the covariance is dropped."""
    available = (registry or default_registry()).terms(model.mount, model.plugins)
    names = choose_terms(model.kind, terms, available)
    rotations = ROTATIONS[model.kind]
    function = replace(
        model.function, names=names, terms=tuple(available[name] for name in names if name not in rotations)
    )
    known = dict(zip(model.names, model.values_rad, strict=True))
    values = np.array([known.get(name, 0.0) for name in names])
    return replace(model, function=function, values_rad=values, covariance_rad2=np.zeros((len(names),) * 2))


def mean_variance(information: Array) -> Array:
    """Trace of the inverse of information matrices (..., p, p), shape (...); infinite if some term is not determined.

    Both in the coordinates of `FinalModel`.
    """
    ridge = _RIDGE * np.eye(information.shape[-1])
    trace = np.trace(np.linalg.inv(information + ridge), axis1=-2, axis2=-1)
    return np.where((trace > 0.0) & (trace < _UNDETERMINED / _RIDGE), trace, np.inf)


def wanted_error(target: Quantity | None, sigma: Quantity) -> Quantity:
    """Check a target, or use the default one; arcsec."""
    if not sigma > 0.0 * u.arcsec:
        raise InputError(
            "the model has no noise, so no number of points follows from it; fit a real run", key="model"
        )
    wanted = DEFAULT_TARGET * sigma if target is None else u.Quantity(target)
    is_angle = wanted.unit.is_equivalent(u.arcsec) and wanted.isscalar
    if not is_angle or not 0.0 < wanted.to_value(u.arcsec) < np.inf:
        raise InputError(f"target must be an angle above zero; got {target}", key="target")
    return wanted.to(u.arcsec)
