from __future__ import annotations

import pytest
from astropy.utils import iers
from hypothesis import settings

from skysample.plugins import build_registry
from skysample.site import Site

# Tests never time: a busy machine is no failure.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def make_site(kind: str = "fork", latitude_deg: float = -27.0, **tables) -> Site:
    location = {"latitude_deg": latitude_deg, "longitude_deg": 5.0, "elevation_m": 1250.0}
    return Site.from_dict(
        {
            "location": location | tables.pop("location", {}),
            "mount": {"kind": kind} | tables.pop("mount", {}),
            **tables,
        }
    )


@pytest.fixture
def packaged_earth_orientation():
    """astropy on the packaged table: by itself it would ask the network once that table is a month old."""
    with iers.earth_orientation_table.set(iers.IERS_A.read(iers.IERS_A_FILE)):
        yield


@pytest.fixture(name="make_site")
def _make_site():
    return make_site


@pytest.fixture(scope="session")
def registry():
    """skysample's own plugins, none of those installed."""
    return build_registry(installed=False)
