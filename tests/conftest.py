from __future__ import annotations

import pytest

from skysample.site import Site, site_from_dict


def make_site(kind: str = "fork", latitude_deg: float = -27.0, **tables) -> Site:
    location = {"latitude_deg": latitude_deg, "longitude_deg": 5.0, "elevation_m": 1250.0}
    return site_from_dict(
        {
            "location": location | tables.pop("location", {}),
            "mount": {"kind": kind} | tables.pop("mount", {}),
            **tables,
        }
    )


@pytest.fixture(name="make_site")
def _make_site():
    return make_site
