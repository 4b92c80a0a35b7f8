"""What a run's table says, before any astronomy: what a wrong input would have changed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.site.mount_axes import ideal_axes, mechanical, mount_frame, sides, tube_side

if TYPE_CHECKING:
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.site import Site


@dataclass(frozen=True, eq=False)
class Log:
    """The columns of a run as they are written: n rows with a solution, angles in radians.

    Attributes
    ----------
    time : astropy.time.Time, shape (n,)
        Mid-exposure, UTC.
    solved_rad : ndarray, shape (n, 2)
        Right ascension and declination of the solved centre, ICRS.
    mount_rad : ndarray, shape (n, 2)
        What the mount says: the readings of both axes, sky-like or mechanical; or the targets, ICRS.
    from_targets : bool
        Which of the two.
    target_refraction : bool
        Whether the mount allowed for refraction on the way to its targets.
    side : ndarray of int, shape (n,)
        Side of the pier that the tube is on, 1: east, -1: west; 0 where the table does not say. It counts for a mount
        that flips.
    temperature_c, pressure_hpa : ndarray, shape (n,)
        Of the air, nan where the site's counts.
    dome_rad : ndarray, shape (n,)
        Azimuth of the dome, nan where it was not logged.
    """

    time: Time
    solved_rad: Array
    mount_rad: Array
    from_targets: bool
    target_refraction: bool
    side: NDArray[np.int64]
    temperature_c: Array
    pressure_hpa: Array
    dome_rad: Array

    def __len__(self) -> int:
        return len(self.solved_rad)

    def part(self, keep: NDArray[np.bool_]) -> Log:
        """Keep some of the rows."""
        arrays: dict[str, Any] = {
            name: value[keep] for name, value in vars(self).items() if isinstance(value, np.ndarray)
        }
        return replace(self, **arrays, time=self.time[keep])

    def directions(self, site: Site) -> Array:
        """Observed directions of the solved centres, unit vectors, east-north-up, shape (n, 3)."""
        return self._observed(self.solved_rad, site, refraction=True)

    def axes(self, site: Site) -> Array:
        """Mechanical angles of both axes, shape (n, 2): what they read, or what a perfect mount reads on the target."""
        kind = site.mount.kind
        if self.from_targets:
            targets = self._observed(self.mount_rad, site, refraction=self.target_refraction)
            side = self.side if len(sides(kind)) > 1 else 1
            return ideal_axes(mount_frame(kind, site.location.latitude_rad), targets, side)
        if len(sides(kind)) == 1 or not (tube_side(self.mount_rad) > 0).all():
            return self.mount_rad
        flipped = (self.side < 0)[:, None]
        return np.where(flipped, mechanical(self.mount_rad, self.side), self.mount_rad)

    def _observed(self, places: Array, site: Site, *, refraction: bool) -> Array:
        from skysample.astrometry.observed_place import to_observed

        location = site.location
        return to_observed(
            site,
            self.time,
            *places.T,
            pressure_hpa=np.where(
                np.isnan(self.pressure_hpa), location.station_pressure_hpa, self.pressure_hpa
            ),
            temperature_c=np.where(np.isnan(self.temperature_c), location.temperature_c, self.temperature_c),
            refraction=refraction,
        )
