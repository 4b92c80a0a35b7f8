"""Coordinates of date to ICRS: mean places (precession alone) and apparent ones (nutation and aberration too)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.astrometry.times import terrestrial

if TYPE_CHECKING:
    from astropy.time import Time

    from skysample.geometry import Array


def icrs_from_mean(places_rad: Array, time: Time) -> Array:
    """ICRS right ascension and declination of mean places of date.

    Parameters
    ----------
    places_rad : ndarray, shape (n, 2)
        Right ascension and declination on the mean equator and equinox of date.
    time : astropy.time.Time, shape () or (n,)

    Returns
    -------
    ndarray, shape (n, 2)
        Source: the precession of IAU 2006 with frame bias, ERFA `pmat06`.
    """
    import erfa

    matrix = erfa.pmat06(*terrestrial(time))
    vectors = erfa.s2c(places_rad[:, 0], places_rad[:, 1])
    return _angles(np.einsum("...ji,...j->...i", matrix, vectors))


def icrs_from_apparent(places_rad: Array, time: Time) -> Array:
    """ICRS right ascension and declination of apparent (true) places of date, counted from the equinox.

    Parameters
    ----------
    places_rad : ndarray, shape (n, 2)
    time : astropy.time.Time, shape () or (n,)

    Returns
    -------
    ndarray, shape (n, 2)
        Source: ERFA `atic13`, and the equation of the origins `eo06a`.
    """
    import erfa

    date = terrestrial(time)
    ra, dec, _ = erfa.ufunc.atic13(places_rad[:, 0] + erfa.eo06a(*date), places_rad[:, 1], *date)
    return np.stack([ra, dec], axis=-1)


def _angles(vectors: Array) -> Array:
    import erfa

    return np.stack(erfa.c2s(vectors), axis=-1)
