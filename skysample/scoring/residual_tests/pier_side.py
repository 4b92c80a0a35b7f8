"""Sides of the pier that differ: a tube or a mirror that flops over when the mount flips (added-variable F)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import ARCSEC
from skysample.scoring.residual_tests.residual_space import TestResult

if TYPE_CHECKING:
    from skysample.scoring.residual_tests.residual_space import ResidualSpace

_LEAST_PART = 3


def pier_side(left: ResidualSpace) -> TestResult | str:
    """Test whether the image stands differently in the tube on the two sides: two columns more.

    Cone and secondary zero are shifts in the tube, and a flip turns them over; what differs from side to side in
    the tube is the same on the sky.
    """
    if left.kind != "german":
        return "the mount does not flip"
    if min(np.count_nonzero(left.side > 0), np.count_nonzero(left.side < 0)) < _LEAST_PART:
        return "the points are all, or nearly all, on one side of the pier"
    found = left.with_columns(left.tube_motion * left.side[:, None, None])
    if np.isnan(found.p):
        return "too few points"
    half = float(np.linalg.norm(found.values))
    apart = 2.0 * half / ARCSEC
    error = 2.0 * float(np.linalg.norm(found.stderr * found.values / half)) / ARCSEC
    return TestResult(
        found.f,
        found.p,
        f'the two sides of the pier do not fit one model, as if the image shifted {apart:.1f}" +- {error:.1f}" in the'
        " tube at a flip: a mirror, camera or tube that moves when the mount flips; lock the mirror, tighten rings and"
        " saddle, and repeat the run",
    )
