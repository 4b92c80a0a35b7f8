"""How the camera sits in the tube, and where a star falls on its chip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from skysample.alignment.star.bolts import MovedMount
from skysample.astrometry.observed_place import to_icrs
from skysample.geometry import direction, tangent_basis

if TYPE_CHECKING:
    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.runs import Run
    from skysample.site import Camera, Site

_STEADY_RAD = np.radians(1.0)
"""A larger scatter of the frames' roll in the tube means that the camera was turned."""


@dataclass(frozen=True, slots=True)
class CameraView:
    """Orientation of the camera in the tube.

    Attributes
    ----------
    angle_rad : float
        From the direction in which the tube moves as the mechanical secondary increases (north, for a fork or a tube
        east of the pier) to the image's +y axis, positive towards east where that direction is north.
    mirrored : bool
        False: with north along +y, east is along -x.
    parity_known : bool
        False: `mirrored` is a guess, and x may have the wrong sign.
    source : str
        "plate solutions" or "site file".
    """

    angle_rad: float
    mirrored: bool
    parity_known: bool
    source: Literal["plate solutions", "site file"]

    def pixels(self, camera: Camera, tube: Array, ahead: Array, star: Array) -> tuple[float, float] | None:
        """Position of a star on the chip, from the centre of the frame.

        Gnomonic projection about the tube's direction, without distortions.

        Parameters
        ----------
        camera : Camera
            For the scale.
        tube, ahead, star : ndarray, shape (3,)
            Where the tube points, where it moves as the mechanical secondary increases, and the star.

        Returns
        -------
        tuple of float or None
            x and y, pixels; None if the site file gives no scale.
        """
        if camera.pixel_arcsec is None:
            return None
        up = ahead - (ahead @ tube) * tube
        up /= np.linalg.norm(up)
        east = np.cross(up, tube)
        plane = np.degrees(np.array([star @ up, star @ east]) / (star @ tube)) * 3600.0 / camera.pixel_arcsec
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        x, y = s * plane[0] - c * plane[1], c * plane[0] + s * plane[1]
        return float(-x if self.mirrored else x), float(y)


def camera_view(model: FittedModel, site: Site, run: Run | None) -> CameraView | None:
    """Find how the camera sits in the tube.

    Parameters
    ----------
    model : FittedModel
        Fitted to the run.
    site : Site
        Its `[camera]` is used if the run gives no roll.
    run : Run or None
        The model takes its solved rolls (position angles on the sky, ICRS) to the tube, frame by frame.

    Returns
    -------
    CameraView or None
        None if the roll is unknown or changed from frame to frame.
    """
    camera = site.camera
    parity = camera.mirrored if run is None or run.mirrored is None else run.mirrored
    mirrored, known = bool(parity), parity is not None
    if run is not None and run.time is not None:
        usable = np.isfinite(run.roll_rad) & run.use
        if usable.any():
            angle, scatter = _angle_in_tube(model, site, run.subset(usable))
            return None if scatter > _STEADY_RAD else CameraView(angle, mirrored, known, "plate solutions")
    if camera.roll_deg is None:
        return None
    return CameraView(float(np.radians(camera.roll_deg)), mirrored, known, "site file")


def _angle_in_tube(model: FittedModel, site: Site, run: Run) -> tuple[float, float]:
    """Mean angle from `ahead` to the image's +y, and its scatter, radians."""
    at = run.directions
    ahead = MovedMount.by(model, np.eye(3)).ahead(run.axes)
    onward = at + 1e-4 * ahead
    onward /= np.linalg.norm(onward, axis=1, keepdims=True)
    here, there = (direction(dec, ra) for ra, dec in (to_icrs(site, run.time, each) for each in (at, onward)))
    # `direction` takes azimuth clockwise: with right ascension in its place the pair of `tangent_basis` points towards
    # increasing right ascension and declination.
    basis = tangent_basis(here, np.array([0.0, 0.0, 1.0]))
    east, north = np.moveaxis(np.einsum("nij,nj->ni", basis, there - here), -1, 0)
    turned = np.exp(1j * (run.roll_rad - np.arctan2(east, north)))
    mean = turned.mean()
    scatter = np.sqrt(np.mean(np.angle(turned / mean) ** 2))
    return float(np.angle(mean)), float(scatter)
