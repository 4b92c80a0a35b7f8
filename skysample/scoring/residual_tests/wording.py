"""What moved, in words: the axis, or something in the tube."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import ARCSEC

if TYPE_CHECKING:
    from skysample.geometry import Array
    from skysample.scoring.residual_tests.residual_space import Leftovers

__all__ = ["likelier_motion", "movement"]

AXIS_CURES = (
    "a bolt that creeps or a pier that settles; check every clamp, with the cautions of `skysample polar` read"
    " first, and take the run again"
)
TUBE_CURES = (
    "a mirror, focuser or camera that moves, or an encoder that slips; lock or tighten it, and take the run"
    " again"
)


def likelier_motion(left: Leftovers, course: Array) -> tuple[str, str]:
    """Whether the axis or the tube explains a course better, by how much it moved, and what to look for.

    Parameters
    ----------
    left : Leftovers
    course : ndarray, shape (n,)
        How far along the movement each point is; the words are for a change of the course by 1.

    Returns
    -------
    tuple of str
    """
    axis, tube = (left.added(each * course[:, None, None]) for each in (left.axis_motion, left.tube_motion))
    if np.nan_to_num(axis.f) >= np.nan_to_num(tube.f):
        return movement(left.kind, axis.values, axis.stderr), AXIS_CURES
    size = float(np.linalg.norm(tube.values))
    along = tube.values / size
    error = float(np.hypot(*(along * tube.stderr)))
    return f'the image had moved in the tube by {size / ARCSEC:.1f}" +- {error / ARCSEC:.1f}"', TUBE_CURES


def movement(kind: str, values: Array, errors: Array) -> str:
    """How the primary axis moved, with errors: radians to arcmin in words."""
    first, second = values / ARCSEC / 60.0
    first_error, second_error = errors / ARCSEC / 60.0
    if kind == "altaz":
        return (
            f"the azimuth axis had leaned {abs(first):.2f}' +- {first_error:.2f}' to the"
            f" {'north' if first > 0 else 'south'} and {abs(second):.2f}' +- {second_error:.2f}' to the"
            f" {'east' if second > 0 else 'west'}"
        )
    return (
        f"the polar axis had {'risen' if first > 0 else 'sunk'} {abs(first):.2f}' +- {first_error:.2f}' and turned"
        f" {abs(second):.2f}' +- {second_error:.2f}' to the {'east' if second > 0 else 'west'}"
    )
