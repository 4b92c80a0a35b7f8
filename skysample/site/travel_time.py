"""Duration of a move of an axis or the dome, with limited speed and acceleration."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from skysample.geometry import Array


def travel_time(distance: ArrayLike, rate: float, acceleration: float, start_delay: float = 0.0) -> Array:
    """Seconds from rest to rest over a distance.

    Accelerates at `acceleration`, cruises at `rate` if the distance allows, and decelerates likewise. A move of zero
    takes no time, not even the delay.

    Parameters
    ----------
    distance : array_like
        Any sign, in the unit that rate and acceleration use.
    rate, acceleration : float
        Per second and per second squared, > 0.
    start_delay : float
        Seconds between the command and the first motion.

    Returns
    -------
    ndarray
        Same shape as `distance`.
    """
    d = np.abs(np.asarray(distance, float))
    ramp = rate * rate / acceleration
    seconds = np.where(d >= ramp, d / rate + rate / acceleration, 2.0 * np.sqrt(d / acceleration))
    return np.where(d > 0.0, seconds + start_delay, 0.0)
