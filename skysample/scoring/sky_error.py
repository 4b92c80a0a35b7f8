"""Standard error of the model itself over the usable sky, without the noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import arcsec
from skysample.site.mount_axes import sides

if TYPE_CHECKING:
    from astropy.units import Quantity

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.sky import UsableSky


@dataclass(frozen=True)
class SkyError:
    """The model's standard error over the usable sky, radial.

    Attributes
    ----------
    directions : ndarray, shape (m, 3)
        Where; both sides of the pier of a `german` mount count.
    error_rad : ndarray, shape (m,)
    sigma_rad : float
        Noise of one component of one point, as the fit found it.
    """

    directions: Array
    error_rad: Array
    sigma_rad: float = float("nan")

    @property
    def rms(self) -> Quantity:
        """RMS over the usable sky, arcsec."""
        return arcsec(np.sqrt(np.mean(self.error_rad**2)))

    @property
    def fresh(self) -> Quantity:
        """Expected miss of a new pointing anywhere in the usable sky: RMS, noise included, arcsec.

        Both components have the noise, whatever the model's own error: sqrt(2 sigma^2 + rms^2).
        """
        return arcsec(np.sqrt(2.0 * self.sigma_rad**2 + np.mean(self.error_rad**2)))

    @property
    def p95(self) -> Quantity:
        """95th percentile by area, arcsec."""
        return arcsec(np.percentile(self.error_rad, 95.0))


def sky_design(model: FittedModel, sky: UsableSky) -> tuple[Array, Array]:
    """How the predicted place moves with each coefficient, over the usable sky.

    Parameters
    ----------
    model : FittedModel
    sky : UsableSky

    Returns
    -------
    ndarray, shape (m, 3)
        Equal-area cells of the usable sky, once for each side of the pier that reaches them.
    ndarray, shape (m, 2, p)
    """
    side, cell = np.nonzero(sky.reachable.T)
    directions = sky.directions[cell]
    axes = model.axes_for(directions, np.array(sides(model.kind))[side])
    reached = np.isfinite(axes).all(axis=1)
    return directions[reached], model.design(axes[reached])


def sky_error(model: FittedModel, sky: UsableSky) -> SkyError:
    """Propagate the coefficients' covariance over the usable sky.

    Parameters
    ----------
    model : FittedModel
    sky : UsableSky

    Returns
    -------
    SkyError
    """
    directions, design = sky_design(model, sky)
    variance = np.einsum("nip,pq,niq->n", design, model.covariance_rad2, design, optimize=True)
    return SkyError(directions, np.sqrt(variance), model.sigma_rad)
