from __future__ import annotations

from pathlib import Path
from typing import Any

import astropy.wcs
import numpy as np
import pytest
from astropy.coordinates import FK4, FK5, Galactic, SkyCoord
from astropy.io import fits
from astropy.time import Time

from skysample.errors import InputError, NoSolution
from skysample.geometry import ARCSEC, separation
from skysample.runs import read_run, write_run
from skysample.runs.gathering import HeaderKeywords, gather, gather_table
from tests.conftest import make_site

REAL_HEADERS = Path(astropy.wcs.__file__).parent / "tests" / "data"
"""Headers of real frames that astropy ships with its tests."""


SOLVED = {
    "CTYPE1": "RA---TAN",
    "CTYPE2": "DEC--TAN",
    "CRVAL1": 150.0,
    "CRVAL2": -40.0,
    "CRPIX1": 50.5,
    "CRPIX2": 40.5,
    "CD1_1": -1e-4,
    "CD1_2": 0.0,
    "CD2_1": 0.0,
    "CD2_2": 1e-4,
}
TAKEN = {"DATE-OBS": "2025-03-01T20:00:00", "EXPTIME": 10.0, "RA": 150.0, "DEC": -40.0}


def frame(path: Path, *, size: tuple[int, int] = (100, 80), **cards: Any) -> Path:
    """A frame of `size` (x, y) pixels; a card set to None is left out."""
    header = fits.Header()
    for key, value in {
        **SOLVED,
        **TAKEN,
        **{name.replace("__", "-"): value for name, value in cards.items()},
    }.items():
        if value is not None:
            header[key] = value
    fits.PrimaryHDU(np.zeros(size[::-1], np.uint8), header).writeto(path, overwrite=True)
    return path


def real_frame(name: str, path: Path, **cards: Any) -> tuple[Path, fits.Header]:
    header = fits.Header.fromstring((REAL_HEADERS / name).read_bytes().decode("ascii"))
    shape = (header["NAXIS2"], header["NAXIS1"])
    original = header.copy()
    for key, value in {"DATE-OBS": "2025-03-01T20:00:00", "RA": 1.0, "DEC": 2.0, **cards}.items():
        header[key] = value
    header["BITPIX"] = 8
    fits.PrimaryHDU(np.zeros(shape, np.uint8), header).writeto(path, overwrite=True)
    return path, original


def only_row(path: Path, **options: Any) -> Any:
    gathered = gather_table([path], **options)
    assert gathered.skipped == ()
    return gathered.table[0]


def reason(path: Path, **options: Any) -> str:
    with pytest.raises((NoSolution, InputError)) as caught:
        gather_table([path], **options)
    assert str(path) in str(caught.value)
    return str(caught.value)


def deprojected(header: fits.Header, x_deg: float, y_deg: float) -> tuple[float, float]:
    """Gnomonic deprojection, written out (Calabretta & Greisen 2002, A&A 395, 1077, equations 54 and 55)."""
    ra0, dec0 = np.radians([header["CRVAL1"], header["CRVAL2"]])
    xi, eta = np.radians([x_deg, y_deg])
    east = np.array([-np.sin(ra0), np.cos(ra0), 0.0])
    north = np.array([-np.sin(dec0) * np.cos(ra0), -np.sin(dec0) * np.sin(ra0), np.cos(dec0)])
    centre = np.array([np.cos(dec0) * np.cos(ra0), np.cos(dec0) * np.sin(ra0), np.sin(dec0)])
    v = centre + xi * east + eta * north
    return np.degrees(np.arctan2(v[1], v[0])) % 360.0, np.degrees(np.arctan2(v[2], np.hypot(v[0], v[1])))


def arcsec_between(row: Any, ra_deg: float, dec_deg: float) -> float:
    a = SkyCoord(row["solved_ra_deg"], row["solved_dec_deg"], unit="deg")
    return float(a.separation(SkyCoord(ra_deg, dec_deg, unit="deg")).arcsec)


# --- the centre of the frame ----------------------------------------------------------------------


def sip_place(
    header: fits.Header, u: float, v: float, dx: float = 0.0, dy: float = 0.0
) -> tuple[float, float]:
    """Sky of a pixel u, v from CRPIX by the SIP polynomials (Shupe et al. 2005, ASP Conf. 347, 491)."""
    f, g = (
        sum(
            header.get(f"{letter}_{p}_{q}", 0.0) * u**p * v**q
            for p in range(header[f"{letter}_ORDER"] + 1)
            for q in range(header[f"{letter}_ORDER"] + 1 - p)
        )
        for letter in "AB"
    )
    x = header["CD1_1"] * (u + f + dx) + header["CD1_2"] * (v + g + dy)
    y = header["CD2_1"] * (u + f + dx) + header["CD2_2"] * (v + g + dy)
    return deprojected(header, x, y)


def sip_centre(header: fits.Header) -> tuple[float, float]:
    u = (header["NAXIS1"] + 1) / 2.0 - header["CRPIX1"]
    return sip_place(header, u, (header["NAXIS2"] + 1) / 2.0 - header["CRPIX2"])


def tpv_centre(header: fits.Header) -> tuple[float, float]:
    """Centre of the frame by the TPV polynomials (registry of FITS conventions, up to fourth order)."""
    u = (header["NAXIS1"] + 1) / 2.0 - header["CRPIX1"]
    v = (header["NAXIS2"] + 1) / 2.0 - header["CRPIX2"]
    x = header["CD1_1"] * u + header["CD1_2"] * v
    y = header["CD2_1"] * u + header["CD2_2"] * v
    r = np.hypot(x, y)

    def polynomial(axis: int, a: float, b: float) -> float:
        powers = [1, a, b, r, a**2, a * b, b**2, a**3, a**2 * b, a * b**2, b**3, r**3]
        powers += [a**4, a**3 * b, a**2 * b**2, a * b**3, b**4]
        return sum(header.get(f"PV{axis}_{k}", 0.0) * power for k, power in enumerate(powers))

    return deprojected(header, polynomial(1, x, y), polynomial(2, y, x))


@pytest.mark.parametrize("name", ["siponly.hdr", "irac_sip.hdr"])
def test_sip_distortions_of_real_frames_count(tmp_path: Path, name: str):
    path, header = real_frame(name, tmp_path / "sip.fits")
    row = only_row(path)
    assert arcsec_between(row, *sip_centre(header)) < 1e-6


def test_tpv_distortions_of_a_real_frame_count(tmp_path: Path):
    path, header = real_frame("tpvonly.hdr", tmp_path / "tpv.fits")
    assert arcsec_between(only_row(path), *tpv_centre(header)) < 1e-6


def test_the_same_plate_as_sip_and_as_tpv_has_the_same_centre(tmp_path: Path):
    sip, header = real_frame("siponly.hdr", tmp_path / "sip.fits")
    tpv, _ = real_frame("tpvonly.hdr", tmp_path / "tpv.fits")
    one, two = only_row(sip), only_row(tpv)
    assert arcsec_between(one, two["solved_ra_deg"], two["solved_dec_deg"]) < 0.1
    undistorted = deprojected(
        header,
        header["CD1_1"] * (1024.5 - header["CRPIX1"]) + header["CD1_2"] * (2048.5 - header["CRPIX2"]),
        header["CD2_1"] * (1024.5 - header["CRPIX1"]) + header["CD2_2"] * (2048.5 - header["CRPIX2"]),
    )
    assert arcsec_between(one, *undistorted) > 60.0


def test_distortions_given_twice_or_without_their_name_are_settled_quietly(tmp_path: Path):
    # This real header has TAN, PV up to 16 and a SIP remainder: TPV, as astropy reads it, but no warning.
    path, _ = real_frame("invalid_header.hdr", tmp_path / "both.fits")
    header = fits.getheader(path)
    with pytest.warns(astropy.wcs.FITSFixedWarning):
        wcs = astropy.wcs.WCS(header)
    theirs = wcs.all_pix2world((header["NAXIS1"] - 1) / 2, (header["NAXIS2"] - 1) / 2, 0)
    assert arcsec_between(only_row(path), *map(float, theirs)) < 1e-6
    unnamed, header = real_frame("siponly.hdr", tmp_path / "u.fits", CTYPE1="RA---TAN", CTYPE2="DEC--TAN")
    assert arcsec_between(only_row(unnamed), *sip_centre(header)) < 1e-6


def test_a_lookup_table_of_distortions_counts(tmp_path: Path):
    with fits.open(REAL_HEADERS / "dist_lookup.fits.gz") as opened:
        frames = fits.HDUList([hdu.copy() for hdu in opened])
    for key, value in TAKEN.items():
        frames[0].header[key] = value
    frames.writeto(tmp_path / "lookup.fits")
    row = only_row(tmp_path / "lookup.fits")
    with fits.open(REAL_HEADERS / "dist_lookup.fits.gz") as opened:
        header = opened[1].header
        wcs = astropy.wcs.WCS(header, opened, fix=False)
        ((x, y),) = wcs.det2im([[(header["NAXIS1"] - 1) / 2.0, (header["NAXIS2"] - 1) / 2.0]], 0)
        ((looked_x, looked_y),) = wcs.p4_pix2foc([[x, y]], 0)
        u, v = x + 1.0 - header["CRPIX1"], y + 1.0 - header["CRPIX2"]
        ra, dec = sip_place(header, u, v, looked_x - x, looked_y - y)
        bare = sip_place(header, u, v)
    expected = SkyCoord(ra, dec, unit="deg", frame=FK5(equinox="J2000")).icrs
    assert arcsec_between(row, expected.ra.deg, expected.dec.deg) < 1e-6
    assert SkyCoord(*bare, unit="deg").separation(SkyCoord(ra, dec, unit="deg")).arcsec > 1e-3


def test_even_and_odd_frames_have_their_centre_between_or_on_pixels(tmp_path: Path):
    assert arcsec_between(only_row(frame(tmp_path / "e.fits", size=(100, 80))), 150.0, -40.0) < 1e-6
    odd = frame(tmp_path / "o.fits", size=(101, 81), CRPIX1=51, CRPIX2=41)
    assert arcsec_between(only_row(odd), 150.0, -40.0) < 1e-6


@pytest.mark.parametrize(
    ("cards", "system"),
    [
        ({"RADESYS": "FK5", "EQUINOX": 2000.0}, FK5(equinox="J2000")),
        ({"RADESYS": "FK5", "EQUINOX": 2025.0}, FK5(equinox="J2025")),
        ({"EQUINOX": 2000.0}, FK5(equinox="J2000")),
        ({"EQUINOX": "J2000.0"}, FK5(equinox="J2000")),
        ({"EPOCH": 2000.0}, FK5(equinox="J2000")),
        ({"RADECSYS": "FK5", "EQUINOX": 2000.0}, FK5(equinox="J2000")),
        ({"RADESYS": "FK4", "EQUINOX": 1950.0}, FK4(equinox="B1950")),
        ({"EQUINOX": 1950.0}, FK4(equinox="B1950")),
        ({"CTYPE1": "GLON-TAN", "CTYPE2": "GLAT-TAN"}, Galactic()),
        ({"RADESYS": "ICRS"}, None),
        ({"CUNIT1": "degree", "CUNIT2": "DEG"}, None),
        ({}, None),
    ],
)
def test_the_frame_s_system_is_brought_to_icrs(tmp_path: Path, cards: dict[str, Any], system: Any):
    row = only_row(frame(tmp_path / "a.fits", **cards))
    expected = SkyCoord(150.0, -40.0, unit="deg", frame="icrs" if system is None else system).icrs
    assert arcsec_between(row, expected.ra.deg, expected.dec.deg) < 1e-5


def test_fifty_years_of_precession_lie_between_b1950_and_j2000(tmp_path: Path):
    # At 0 h, 0 deg general precession is 3.0733 s and 20.04" a year (values from memory); the E-terms and the
    # equinox shift stay below 1.5".
    row = only_row(frame(tmp_path / "a.fits", RADESYS="FK4", EQUINOX=1950.0, CRVAL1=0.0, CRVAL2=0.0))
    assert arcsec_between(row, 50 * 3.0733 * 15 / 3600, 50 * 20.04 / 3600) < 3.0


def test_declination_may_come_first(tmp_path: Path):
    path = frame(tmp_path / "a.fits", CTYPE1="DEC--TAN", CTYPE2="RA---TAN", CRVAL1=-40.0, CRVAL2=150.0)
    assert arcsec_between(only_row(path), 150.0, -40.0) < 1e-6


@pytest.mark.parametrize("roll", [0.0, 30.0, 135.0, 270.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_roll_and_parity(tmp_path: Path, roll: float, mirrored: bool):
    # +y at position angle `roll` (east of north); +x a quarter turn west of it, or east in a mirror.
    s, c = np.sin(np.radians(roll)), np.cos(np.radians(roll))
    hand = 1.0 if mirrored else -1.0
    cards = {"CD1_2": s * 1e-4, "CD2_2": c * 1e-4, "CD1_1": hand * c * 1e-4, "CD2_1": -hand * s * 1e-4}
    row = only_row(frame(tmp_path / "a.fits", **cards))
    assert (row["solved_roll_deg"] - roll + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-3)
    assert bool(row["mirrored"]) is mirrored


def test_the_solution_may_be_in_an_extension_and_compressed(tmp_path: Path):
    primary = fits.PrimaryHDU(header=fits.Header(TAKEN))
    image = fits.CompImageHDU(np.zeros((80, 100), np.uint8), fits.Header(SOLVED))
    fits.HDUList([primary, fits.ImageHDU(np.zeros((3, 3))), image]).writeto(tmp_path / "a.fits")
    row = only_row(tmp_path / "a.fits")
    assert arcsec_between(row, 150.0, -40.0) < 1e-6
    assert row["time"] == "2025-03-01T20:00:05.000000"


def test_one_plane_of_a_cube_will_do(tmp_path: Path):
    header = fits.Header({**SOLVED, **TAKEN, "CTYPE3": "FREQ", "CRVAL3": 1e9, "CDELT3": 1e6})
    fits.PrimaryHDU(np.zeros((2, 80, 100), np.uint8), header).writeto(tmp_path / "a.fits")
    assert arcsec_between(only_row(tmp_path / "a.fits"), 150.0, -40.0) < 1e-6


# --- the time -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cards", "middle"),
    [
        ({}, "20:00:05"),
        ({"DATE__OBS": "2025-03-01T20:00:00.123", "EXPTIME": "30.0"}, "20:00:15.123"),
        ({"XPOSURE": 20.0}, "20:00:10"),
        ({"DATE__AVG": "2025-03-01T20:00:07"}, "20:00:07"),
        ({"DATE__AVG": "2025-03-01T20:00:07", "EXPTIME": None, "DATE__OBS": None}, "20:00:07"),
        ({"DATE__BEG": "2025-03-01T20:01:00"}, "20:01:05"),
        ({"DATE__OBS": None, "DATE__END": "2025-03-01T20:01:00"}, "20:00:55"),
        ({"EXPTIME": None, "DATE__END": "2025-03-01T20:00:30"}, "20:00:15"),
        ({"DATE__OBS": None, "MJD__OBS": 60735.8333333333333}, "20:00:05"),
        ({"DATE__OBS": None, "MJD__BEG": 60735.8333333333333}, "20:00:05"),
        ({"DATE__OBS": None, "MJD__AVG": 60735.8333333333333}, "20:00:00"),
        ({"DATE__OBS": "2025-03-01", "TIME-OBS": "20:00:00.5"}, "20:00:05.5"),
        ({"TIMESYS": "UTC"}, "20:00:05"),
        ({"TIMESYS": "UT"}, "20:00:05"),
        ({"TIMESYS": "TAI"}, "19:59:28"),
        ({"TIMESYS": "TT"}, "19:58:55.816"),
        ({"TIMESYS": "TT(BIPM)"}, "19:58:55.816"),
        ({"TIMESYS": "GPS"}, "19:59:47"),
        ({"TIMESYS": "TAI", "DATE__OBS": None, "MJD__OBS": 60735.8333333333333}, "19:59:28"),
        ({"TREFPOS": "TOPOCENTER"}, "20:00:05"),
    ],
)
def test_mid_exposure(tmp_path: Path, cards: dict[str, Any], middle: str):
    row = only_row(frame(tmp_path / "a.fits", **cards))
    found, expected = (Time(text, format="isot") for text in (str(row["time"]), f"2025-03-01T{middle}"))
    assert abs((found - expected).sec) < 2e-5


def test_barycentric_time_scale_agrees_with_astropy(tmp_path: Path):
    row = only_row(frame(tmp_path / "a.fits", TIMESYS="TDB"))
    expected = Time("2025-03-01T20:00:05", scale="tdb").utc
    assert abs((Time(str(row["time"])) - expected).sec) < 2e-5


@pytest.mark.parametrize(
    ("cards", "says"),
    [
        ({"EXPTIME": None}, "its mid-exposure is unknown"),
        ({"DATE__OBS": None}, "has no time"),
        ({"DATE__OBS": "01/03/25"}, "DATE-OBS: '01/03/25' is not a date-time"),
        ({"DATE__OBS": "2025-03-01"}, "is not a date-time"),
        ({"DATE__OBS": " "}, "has no time"),
        ({"DATE__OBS": None, "MJD__OBS": 2460735.5}, "modified Julian date"),
        ({"EXPTIME": -1.0}, "not a possible exposure"),
        ({"EXPTIME": "long"}, "the exposure is unknown: EXPTIME is 'long'"),
        ({"EXPTIME": None, "DATE__END": "2025-03-01T19:00:30"}, "after it begins"),
        ({"TIMESYS": "LOCAL"}, "TIMESYS is 'LOCAL'"),
        ({"TIMESYS": "TAI", "DATE__OBS": "2025-03-01T20:00:00Z"}, "offset from UTC"),
        ({"TREFPOS": "BARYCENTER"}, "do not hold at the telescope"),
    ],
)
def test_a_frame_without_a_good_time_is_skipped(tmp_path: Path, cards: dict[str, Any], says: str):
    assert says in reason(frame(tmp_path / "a.fits", **cards))


# --- what was asked for ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cards", "target"),
    [
        ({}, (150.0, -40.0)),
        ({"RA": "10 00 00", "DEC": "-40 30 00"}, (150.0, -40.5)),
        ({"RA": "150.5", "DEC": "-40.5"}, (150.5, -40.5)),
        ({"RA": None, "DEC": None, "RA_TARG": "10 02 00.0", "DEC_TARG": "-00 30 00.0"}, (150.5, -0.5)),
        ({"RA": None, "RA_TARG": "10:02:00.0", "DEC_TARG": "+00:30:36"}, (150.5, 0.51)),
    ],
)
def test_targets(tmp_path: Path, cards: dict[str, Any], target: tuple[float, float]):
    row = only_row(frame(tmp_path / "a.fits", **cards))
    assert (row["target_ra_deg"], row["target_dec_deg"]) == pytest.approx(target, abs=1e-12)


@pytest.mark.parametrize(
    ("cards", "says"),
    [
        ({"RA": None}, "the target is unknown: no RA, DEC or RA_TARG, DEC_TARG is present"),
        ({"RA": "ten"}, "RA is 'ten', not an angle"),
        ({"RA": 400.0}, "not a place on the sky"),
        ({"DEC": "-95 00 00"}, "not a place on the sky"),
    ],
)
def test_a_frame_without_a_target_is_skipped(tmp_path: Path, cards: dict[str, Any], says: str):
    assert says in reason(frame(tmp_path / "a.fits", **cards))


def test_readings_of_the_axes_from_keywords_of_one_s_own(tmp_path: Path):
    keywords = HeaderKeywords(primary=("HAENC",), secondary=("DECENC",), pier=("TUBESIDE",))
    path = frame(tmp_path / "a.fits", HAENC=-12.5, DECENC="-41.0", TUBESIDE="West")
    row = only_row(path, keywords=keywords)
    assert (row["primary_deg"], row["secondary_deg"], row["pier"]) == (-12.5, -41.0, "west")
    assert "target_ra_deg" not in row.colnames
    run = gather([path], make_site("german"), keywords=keywords, assume={"axes": "raw"})
    np.testing.assert_allclose(np.degrees(run.axes), [[167.5, 221.0]])
    assert (run.axes_kind, run.side.tolist()) == ("raw", [-1])
    assert "the primary axis reading is unknown: none of HAENC" in reason(
        frame(tmp_path / "b.fits"), keywords=keywords
    )


def test_the_side_of_the_pier_is_taken_where_it_is_said(tmp_path: Path):
    assert only_row(frame(tmp_path / "a.fits", PIER="WEST"))["pier"] == "west"
    assert np.ma.is_masked(only_row(frame(tmp_path / "b.fits", PIER="UNKNOWN"))["pier"])
    with pytest.raises(InputError, match="row 1: pier is missing"):
        gather([frame(tmp_path / "c.fits")], make_site("german"))


# --- frames that cannot be used -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cards", "says"),
    [
        (dict.fromkeys(SOLVED), "no plate solution"),
        ({"CTYPE1": "LINEAR", "CTYPE2": "LINEAR"}, "no plate solution"),
        ({"CTYPE1": "", "CTYPE2": ""}, "no plate solution"),
        ({"CD1_1": None, "CD1_2": None, "CD2_1": None, "CD2_2": None}, "lacks a scale"),
        ({"CRVAL1": None}, "lacks CRVAL1"),
        ({"CD1_1": 0.0, "CD2_2": 0.0}, "ingular"),
        ({"CTYPE1": "RA---XYZ", "CTYPE2": "DEC--XYZ"}, "XYZ"),
        ({"A_ORDER": 100000000, "B_ORDER": 2}, "A_ORDER is 100000000"),
        ({"RADESYS": "GAPPT"}, "celestial frame"),
        ({"EQUINOX": "now"}, "now"),
        ({"CTYPE1": "RA---SIN", "CTYPE2": "DEC--SIN", "CRPIX1": 1e6}, "no place for the frame centre"),
    ],
)
def test_a_frame_without_a_plate_solution_is_skipped(tmp_path: Path, cards: dict[str, Any], says: str):
    said = reason(frame(tmp_path / "a.fits", **cards))
    assert says in said
    assert "\n" not in said


def test_what_cannot_be_used_is_listed_and_the_rest_stands(tmp_path: Path):
    late = frame(tmp_path / "late.fits", DATE__OBS="2025-03-01T21:00:00", CRVAL1=151.0)
    early = frame(tmp_path / "early.fits", PIER="EAST")
    unsolved = frame(tmp_path / "unsolved.fits", **dict.fromkeys(SOLVED))
    (tmp_path / "text.fits").write_text("not a frame", encoding="utf-8")
    (tmp_path / "empty.fits").write_bytes(b"")
    (tmp_path / "half.fits").write_bytes(early.read_bytes()[:700])
    files = [
        late,
        tmp_path / "none.fits",
        unsolved,
        early,
        tmp_path / "text.fits",
        tmp_path / "empty.fits",
        tmp_path / "half.fits",
        tmp_path,
        early,
        "http://127.0.0.1:9/a.fits",
    ]
    gathered = gather_table(files)
    assert gathered.table["frame"].tolist() == [str(early), str(late)]
    assert gathered.points == 2
    reasons = {Path(entry["file"]).name: entry["reason"] for entry in gathered.skipped}
    assert reasons["none.fits"] == "there is no such file"
    assert reasons["a.fits"] == "there is no such file"
    assert reasons[tmp_path.name] == "is a folder"
    assert reasons["early.fits"] == "is named twice"
    assert reasons["unsolved.fits"].startswith("no plate solution")
    for name in ("text.fits", "empty.fits", "half.fits"):
        assert "cannot be read as FITS" in reasons[name]
    assert len(gathered.skipped) == len(files) - 2
    run = gather(files, make_site())
    assert len(run) == 2
    assert run.meta["skipped"] == [dict(entry) for entry in gathered.skipped]


def test_a_mangled_card_costs_its_frame_only(tmp_path: Path):
    mangled = tmp_path / "mangled.fits"
    good = frame(tmp_path / "good.fits")
    mangled.write_bytes(good.read_bytes().replace(b"'2025-03-01T20:00:00'", b"'2025-03-01T20:00:00 "))
    axes = tmp_path / "axes.fits"
    axes.write_bytes(
        good.read_bytes().replace(b"NAXIS   =                    2", b"NAXIS   =   2222222222222222")
    )
    gathered = gather_table([good, mangled, axes])
    assert gathered.points == 1
    assert "card DATE-OBS cannot be read" in gathered.skipped[0]["reason"]
    assert "NAXIS is above 999" in gathered.skipped[1]["reason"]


def test_nothing_usable(tmp_path: Path):
    with pytest.raises(InputError, match="no frames were named"):
        gather_table([])
    with pytest.raises(InputError, match="no such file; none of the 2 files named can be read"):
        gather_table([tmp_path / "a.fits", tmp_path / "b.fits"])
    with pytest.raises(NoSolution, match="none of the 2 frames can be used") as caught:
        gather_table([frame(tmp_path / "a.fits", RA=None), tmp_path / "b.fits"])
    assert isinstance(caught.value.partial, tuple)
    assert len(caught.value.partial) == 2


# --- into a run -----------------------------------------------------------------------------------


def test_frames_that_hit_their_target_give_axes_that_point_there(tmp_path: Path):
    from skysample.site.mount_axes import ideal_direction, mount_frame

    files = [
        frame(
            tmp_path / f"{k}.fits", CRVAL1=ra, CRVAL2=dec, RA=ra, DEC=dec, DATE__OBS=f"2025-03-01T2{k}:00:00"
        )
        for k, (ra, dec) in enumerate([(150.0, -40.0), (120.0, -60.0), (90.0, -10.0)])
    ]
    site = make_site()
    run = gather(files[::-1], site)
    assert run.frames == tuple(map(str, files))
    aimed = ideal_direction(mount_frame("fork", site.location.latitude_rad), run.axes)
    assert np.max(separation(aimed, run.directions)) < 1e-5 * ARCSEC
    np.testing.assert_allclose(run.roll_deg % 360.0, 0.0, atol=1e-6)


def test_the_written_table_is_a_run_file(tmp_path: Path):
    files = [frame(tmp_path / f"{k}.fits", CRVAL1=150.0 + k, EXPTIME=float(k)) for k in range(3)]
    write_run(tmp_path / "run.ecsv", gather_table(files).table)
    run, direct = read_run(tmp_path / "run.ecsv", make_site()), gather(files, make_site())
    np.testing.assert_array_equal(run.axes, direct.axes)
    np.testing.assert_array_equal(run.directions, direct.directions)
