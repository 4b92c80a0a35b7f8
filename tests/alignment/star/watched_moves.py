"""Somebody who watches a star while turning the bolts: mount and wedge simulated, nothing of the library in them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from astropy import units as u
from scipy.spatial.transform import Rotation

from skysample.fitting import fit
from skysample.testing import SimulatedMount
from skysample.testing.mount_errors import MountErrors
from tests.conftest import make_site
from tests.simulated_nights import errors, simulated_run, unit_vectors
from tests.simulated_wedge import BOLTS, WEDGES, SimulatedWedge, misaimed

ARCSEC = np.radians(1.0 / 3600.0)


@dataclass(frozen=True)
class ErrorsOnWedge(MountErrors):
    stand: Rotation

    def base(self):
        return self.stand


@dataclass(frozen=True)
class MountOnWedge(SimulatedMount):
    """The simulated mount, standing on whatever the simulated wedge has become."""

    stand: Rotation = field(default_factory=Rotation.identity, hash=False)

    @property
    def errors(self):
        return ErrorsOnWedge(self.kind, self.latitude_deg, self.terms_arcsec, self.stand)


def on_wedge(kind, latitude, terms, stand):
    return MountOnWedge(kind, latitude, terms_arcsec=terms, stand=stand)


def readings(star, when=None, step=-1):
    """Mechanical readings of the command, from what is told: hour angle, declination, side of the pier."""
    primary, secondary = star.axes(when, step).to_value(u.rad)
    return (primary + np.pi, np.pi - secondary) if star.pier == "west" else (primary, secondary)


def seen_at(star, when=None):
    place = star.place(when)
    return unit_vectors(place.alt.rad, place.az.rad)


def turned_until_centred(star, metal, terms, kick=(0.0, 0.0), when=None, step=-1):
    """Turn both joints until the tube, at the commanded readings, is on the star but for a kick; the base then."""
    kind, latitude, reading, target = (
        star.model.kind,
        metal.latitude_deg,
        readings(star, when, step),
        seen_at(star, when),
    )
    across = np.cross(target, [0.3, 0.5, 0.8])
    across /= np.linalg.norm(across)
    plane = np.stack([across, np.cross(target, across)])

    def miss(joints):
        tube = unit_vectors(*on_wedge(kind, latitude, terms, metal.turned(*joints)).point(*reading))
        return plane @ (tube - target) - kick

    joints, small = np.zeros(2), 1e-6
    for _ in range(6):
        here = miss(joints)
        slope = np.stack([(miss(joints + each) - here) / small for each in small * np.eye(2)], axis=1)
        joints = joints - np.linalg.solve(slope, here)
    assert np.linalg.norm(miss(joints)) < 1e-3 * ARCSEC
    return metal.turned(*joints)


def night(kind, latitude, built, misalignment, rng, *, noise_arcsec=1.5, points=15, camera=None):
    """A site, the truth, the model of a first run, and the metal of the wedge."""
    site = make_site(kind, latitude, wedge=WEDGES[built] | BOLTS, camera=camera or {})
    terms = errors(kind, *np.degrees(misalignment) * 3600.0)
    run, _ = simulated_run(site, terms, points, noise_arcsec=noise_arcsec, rng=rng)
    return (
        site,
        terms,
        fit(run, site),
        SimulatedWedge(latitude, misaimed(latitude, *misalignment), **WEDGES[built]),
    )
