"""A wedge made of nothing but rotations: a hinge, a stage, two bolts; it shares nothing with the library."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

BOLTS = {
    "altitude_arm_mm": 310.0,
    "altitude_pitch_mm": 1.75,
    "altitude_clockwise": "raise",
    "azimuth_arm_mm": 260.0,
    "azimuth_pitch_mm": 1.5,
    "azimuth_clockwise": "east",
}
WEDGES = {
    "level": {"hinge": "on_azimuth"},
    "leaning": {"hinge": "on_azimuth", "lean_east_deg": 0.6, "lean_north_deg": -0.8},
    "level, hinge on the ground": {"hinge": "ground"},
    "leaning, hinge on the ground": {"hinge": "ground", "lean_east_deg": -0.8, "lean_north_deg": 0.6},
}
"""Both leans are 1 degree."""


def pole_of(latitude_deg):
    lat = np.radians(latitude_deg)
    return np.array([0.0, np.cos(lat), np.sin(lat)]) * (1.0 if latitude_deg >= 0.0 else -1.0)


def misaimed(latitude_deg, altitude_rad, azimuth_rad):
    """The mount's base, a rotation: raise the elevated end about the east-west line, then turn it to the east."""
    elevated = 1.0 if latitude_deg >= 0.0 else -1.0
    raised = Rotation.from_rotvec([elevated * altitude_rad, 0.0, 0.0])
    return Rotation.from_rotvec([0.0, 0.0, -elevated * azimuth_rad]) * raised


@dataclass(frozen=True)
class SimulatedWedge:
    """Pier, stage and hinge as metal; what stands on it starts at `base`."""

    latitude_deg: float
    base: Rotation
    hinge: str = "on_azimuth"
    lean_east_deg: float = 0.0
    lean_north_deg: float = 0.0

    @property
    def axis(self):
        return self.base.apply(pole_of(self.latitude_deg))

    def turned(self, raised_rad, eastward_rad):
        """Base after the altitude joint opened and the azimuth joint turned by so much."""
        elevated = 1.0 if self.latitude_deg >= 0.0 else -1.0
        # The stage's axis is the vertical, leant over northwards and eastwards.
        stage = np.array([0.0, 0.0, 1.0])
        stage = Rotation.from_euler("y", self.lean_east_deg, degrees=True).apply(stage)
        stage = Rotation.from_euler("x", -self.lean_north_deg, degrees=True).apply(stage)
        around = Rotation.from_rotvec(-elevated * eastward_rad * stage)
        if self.hinge == "ground":
            return Rotation.from_rotvec([elevated * raised_rad, 0.0, 0.0]) * around * self.base
        # A hinge on the stage lies in its plate and square to the fork's own axis.
        line = np.cross(self.axis, stage)
        return around * Rotation.from_rotvec(raised_rad * line / np.linalg.norm(line)) * self.base

    def after(self, moves):
        """Base after somebody turned the bolts by so many turns, each the way it was told."""
        joints = {"altitude": 0.0, "azimuth": 0.0}
        for move in moves:
            what = move.adjuster
            travel = move.turns * BOLTS[f"{what}_pitch_mm"] * (1.0 if move.bolt == "clockwise" else -1.0)
            joints[what] = np.arctan(travel / BOLTS[f"{what}_arm_mm"])
        return self.turned(joints["altitude"], joints["azimuth"])

    def off_pole(self, base):
        """Angle between the axis and the pole with the base so turned, radians."""
        pole, axis = pole_of(self.latitude_deg), base.apply(pole_of(self.latitude_deg))
        return 2.0 * np.arcsin(np.linalg.norm(axis - pole) / 2.0)


def random_misalignments(rng, n, most_deg=3.0):
    """Altitude and azimuth errors, radians, evenly over a disc of that radius."""
    radius, angle = np.radians(most_deg) * np.sqrt(rng.uniform(size=n)), rng.uniform(0.0, 2.0 * np.pi, n)
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)
