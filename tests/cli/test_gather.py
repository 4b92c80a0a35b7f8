"""The command `gather`."""

from __future__ import annotations

import numpy as np

from skysample.runs import read_run
from skysample.site import load_site


def test_gather_names_what_it_skips(answer):
    from astropy.io import fits
    from astropy.wcs import WCS

    wcs = WCS(naxis=2)
    wcs.wcs.crpix, wcs.wcs.crval, wcs.wcs.cdelt = [50, 50], [150.0, 20.0], [-1e-3, 1e-3]
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    header = wcs.to_header()
    header.update({"DATE-OBS": "2026-03-02T21:00:00", "EXPTIME": 10.0, "RA": 150.0, "DEC": 20.0})
    fits.PrimaryHDU(np.zeros((100, 100), np.uint8), header).writeto("one.fits")
    header["DATE-OBS"] = "2026-03-02T21:01:00"
    fits.PrimaryHDU(np.zeros((100, 100), np.uint8), header).writeto("two.fits")
    found = answer("gather", "one.fits", "two.fits", "site.toml", "gone.fits", "--out", "run.ecsv")
    assert found["points"] == 2
    assert {each["file"] for each in found["skipped"]} == {"site.toml", "gone.fits"}
    assert all(each["reason"] for each in found["skipped"])
    again = read_run("run.ecsv", load_site("site.toml"), assume={"axes": "raw"})
    assert len(again) == 2
