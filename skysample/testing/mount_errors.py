"""The effect of mount errors on the tube, from their definitions alone: the fit has its own code for it.

Angles are radians, vectors are right-handed east-north-up, and rotations are right-handed and turn column vectors.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.spatial.transform import Rotation

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
else:
    Array = Any

EAST, NORTH, UP = np.eye(3)

_EVERY_MOUNT = (
    "primary_zero",
    "secondary_zero",
    "axis_skew",
    "cone",
    "tube_flexure",
    "primary_sin",
    "primary_cos",
    "secondary_sin",
    "secondary_cos",
    "primary_sin_twice",
    "primary_cos_twice",
    "secondary_sin_twice",
    "secondary_cos_twice",
    "refraction_scale",
)
_EQUATORIAL = ("polar_altitude", "polar_azimuth", *_EVERY_MOUNT, "fork_flexure", "sideways_flexure")
_FLIPPING = ("primary_zero_by_side", "secondary_zero_by_side", "cone_by_side", "tube_flexure_by_side")
_ROCKING = ("azimuth_nod_sin", "azimuth_nod_cos", "azimuth_roll_sin", "azimuth_roll_cos")
ERRORS = {
    "fork": (*_EQUATORIAL, "fork_twist"),
    "german": (*_EQUATORIAL, "polar_axis_flexure", "polar_axis_twist", *_FLIPPING),
    "altaz": ("tilt_north", "tilt_east", *_EVERY_MOUNT, *_ROCKING),
}


@dataclass(frozen=True)
class MountErrors:
    """The errors of one mount, as `SimulatedMount` describes them.

    Attributes
    ----------
    kind : str
    latitude_deg : float
    terms_arcsec : mapping of str to float
    """

    kind: str
    latitude_deg: float
    terms_arcsec: Mapping[str, float]

    def _rad(self, name: str) -> float:
        return float(np.radians(self.terms_arcsec.get(name, 0.0) / 3600.0))

    def frame(self) -> Array:
        """Axes of an aligned mount as columns: x at zero readings, z along the primary, shape (3, 3)."""
        if self.kind == "altaz":
            x, z = NORTH, UP
        else:
            latitude = np.radians(self.latitude_deg)
            x = np.cos(latitude) * UP - np.sin(latitude) * NORTH
            z = np.cos(latitude) * NORTH + np.sin(latitude) * UP
        return np.stack([x, np.cross(z, x), z], axis=1)

    def base(self) -> Rotation:
        """Rotation from the base of an aligned mount to this one's."""
        if self.kind == "altaz":
            return Rotation.from_rotvec(self._rad("tilt_east") * NORTH - self._rad("tilt_north") * EAST)
        elevated = 1.0 if self.latitude_deg >= 0.0 else -1.0
        azimuth = Rotation.from_rotvec(-elevated * self._rad("polar_azimuth") * UP)
        return azimuth * Rotation.from_rotvec(elevated * self._rad("polar_altitude") * EAST)

    def rotated(self, primary: Array, secondary: Array) -> Array:
        """Direction of the tube after the rotations, shape (n, 3)."""
        x, y, z = np.eye(3)
        side = self._side(secondary)
        tube = Rotation.from_rotvec(np.outer(self._rad("cone") + side * self._rad("cone_by_side"), z)).apply(
            x
        )
        secondary_zero = self._rad("secondary_zero") + side * self._rad("secondary_zero_by_side")
        primary_zero = self._rad("primary_zero") + side * self._rad("primary_zero_by_side")
        about_secondary = Rotation.from_rotvec(np.outer(secondary + secondary_zero, -y))
        skew = Rotation.from_rotvec(self._rad("axis_skew") * x)
        about_primary = Rotation.from_rotvec(np.outer(primary + primary_zero, -z))
        stand = self.base() * Rotation.from_matrix(self.frame())
        turned: Array = stand.apply(about_primary.apply(skew.apply(about_secondary.apply(tube))))
        return turned

    def _side(self, secondary: Array) -> Array:
        """1 with the tube east of the pier, or on a mount that does not flip; -1 with the tube west of it."""
        return np.where(np.cos(secondary + self._rad("secondary_zero")) < 0.0, -1.0, 1.0)

    def _encoder(self, axis: str, reading: Array) -> Array:
        """How far an axis is beyond its reading."""
        once = self._rad(f"{axis}_sin") * np.sin(reading) + self._rad(f"{axis}_cos") * np.cos(reading)
        twice = self._rad(f"{axis}_sin_twice") * np.sin(2.0 * reading)
        beyond: Array = once + twice + self._rad(f"{axis}_cos_twice") * np.cos(2.0 * reading)
        return beyond

    def displacement(self, rotated: Array, primary: Array, secondary: Array) -> Array:
        """Sum of the small displacements, as tangent vectors at the rotated directions, shape (n, 3)."""
        x, y, z = self.frame().T
        local = rotated @ self.frame()
        radius = np.hypot(local[:, 0], local[:, 1])
        longitude = np.arctan2(-local[:, 1], local[:, 0])  # hour angle, or azimuth
        outward = np.outer(np.cos(longitude), x) - np.outer(np.sin(longitude), y)
        onward = -np.outer(np.sin(longitude), x) - np.outer(np.cos(longitude), y)  # west, or clockwise
        poleward = np.outer(radius, z) - local[:, 2:] * outward  # north, or up

        secondary_slip = self._encoder("secondary", secondary)
        poleward_by = np.where(np.cos(secondary) < 0.0, -secondary_slip, secondary_slip)
        bent = self._rad("fork_flexure") + self._rad("polar_axis_flexure")
        twisted = self._rad("fork_twist") + self._rad("polar_axis_twist")
        if self.kind != "altaz":
            poleward_by = poleward_by + bent * np.cos(longitude) + twisted * np.sin(longitude)
        upward = UP - rotated[:, 2:] * rotated  # of length cos(altitude)
        droop = self._rad("tube_flexure") + self._side(secondary) * self._rad("tube_flexure_by_side")
        droop = droop + self._rad("refraction_scale") / np.maximum(rotated[:, 2], np.sin(np.radians(5.0)))
        sideways = self._rad("sideways_flexure") * (onward @ UP)
        lean_back = self._rad("azimuth_nod_sin") * np.sin(2.0 * primary)
        lean_back = lean_back + self._rad("azimuth_nod_cos") * np.cos(2.0 * primary)
        lean_right = self._rad("azimuth_roll_sin") * np.sin(2.0 * primary)
        lean_right = lean_right + self._rad("azimuth_roll_cos") * np.cos(2.0 * primary)
        rocked = lean_back[:, None] * np.cross(outward, z) + lean_right[:, None] * outward
        shift: Array = (
            (radius * self._encoder("primary", primary))[:, None] * onward
            + poleward_by[:, None] * poleward
            - droop[:, None] * upward
            - sideways[:, None] * onward
            + np.cross(rocked, rotated)
        )
        return shift
