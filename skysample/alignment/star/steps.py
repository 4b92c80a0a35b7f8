"""Where the adjusting star is on the camera while the bolts are turned, and the steps that keep it on the chip."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import ARCSEC, separation

if TYPE_CHECKING:
    from collections.abc import Callable

    from skysample.alignment.star.bolts import MovedMount
    from skysample.alignment.star.camera import CameraView
    from skysample.geometry import Array
    from skysample.site import Camera

_MARGIN = 0.8
"""Share of the half chip in which a star is easily found."""

_MOST_STEPS = 40
"""More would take all night: adjust by turns first."""


@dataclass(frozen=True, slots=True)
class CameraPlace:
    """Position of the star on the camera.

    Attributes
    ----------
    moment : str
        "before" the bolts of this step, "between" the first and the second, "after" both.
    offset_rad : float
        From the centre of the frame.
    pixels : tuple of float or None
        x and y from the centre of the frame; None if roll or scale are unknown.
    chip_share : float or None
        Distance from the centre as a share of the usable half chip (0.8 of it); None if the site file gives no size.
    """

    moment: str
    offset_rad: float
    pixels: tuple[float, float] | None
    chip_share: float | None

    @property
    def on_chip(self) -> bool | None:
        """Whether the star is on the usable part of the chip; None if the site file gives no size."""
        return None if self.chip_share is None else self.chip_share <= 1.0


@dataclass(frozen=True, slots=True)
class StarStep:
    """One command, and the part of the move that centres the star under it.

    Attributes
    ----------
    share : float
        Of the whole move, done when the star is centred: 1 in the last step.
    places : tuple of CameraPlace
        Before, between and after the two bolts.
    """

    share: float
    places: tuple[CameraPlace, ...]

    @property
    def on_chip(self) -> bool | None:
        """Whether the star stays on the chip throughout; None if unknown."""
        answers = {place.on_chip for place in self.places}
        return None if None in answers else answers == {True}


def on_camera(
    moment: str, mount: MovedMount, axes: Array, star: Array, view: CameraView | None, camera: Camera
) -> CameraPlace:
    """Position on the camera of a star, unit vector (3,), while the axes read `axes`, shape (1, 2)."""
    tube, ahead = mount.tube(axes)[0], mount.ahead(axes)[0]
    offset = float(separation(tube, star))
    pixels = None if view is None else view.pixels(camera, tube, ahead, star)
    share = None
    if camera.size_px is not None and camera.pixel_arcsec is not None:
        reach = _MARGIN / 2.0 * np.array(camera.size_px)
        # Without the roll it is certainly on the chip within the circle that fits on it.
        circle = offset / (camera.pixel_arcsec * ARCSEC) / reach.min()
        share = float(circle if pixels is None else np.max(np.abs(pixels) / reach))
    return CameraPlace(moment, offset, pixels, share)


def steps_on_chip(blind: StarStep, step: Callable[[float, float], StarStep]) -> tuple[StarStep, ...]:
    """The fewest equal parts of the move that keep the star on the chip; the whole move if too many would be needed."""
    if blind.on_chip is not False:
        return (blind,)
    # A part of the move takes the star about that part of the way: start there.
    fewest = math.ceil(max(place.chip_share or 0.0 for place in blind.places))
    for count in range(max(2, fewest), _MOST_STEPS + 1):
        steps = tuple(step(k / count, (k + 1) / count) for k in range(count))
        if all(each.on_chip for each in steps):
            return steps
    return (blind,)
