"""Does the axis end within the stated accuracy when the bolts bring a star to the centre?

500 axes up to 3 degrees off for each way to build a wedge (`--quick`: 50): a night of 15 points with 1.5 arcsec of
noise, the fit, the star that is chosen at a random moment, a simulated mount on a simulated wedge whose joints are
turned until the star stands in the centre, but for an error in centring.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.time import Time

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import skysample as ss
from tests.alignment.star.watched_moves import night, turned_until_centred
from tests.simulated_wedge import WEDGES, random_misalignments

NIGHT = Time("2026-06-14T20:00:00")


def trial(built: str, number: int, misalignment: np.ndarray, rng: np.random.Generator) -> tuple[float, ...]:
    """Error over stated accuracy, stated accuracy (arcsec), amplification."""
    kind, latitude = ("fork", "german")[number % 2], (-27.0, 52.0)[number // 2 % 2]
    site, terms, model, metal = night(kind, latitude, built, misalignment, rng)
    star = ss.adjusting_star(model, site, NIGHT + rng.uniform(0.0, 3.0) * u.h)
    kick = rng.normal(size=2) * star.centring.to_value(u.rad) / np.sqrt(2.0)
    off = metal.off_pole(turned_until_centred(star, metal, terms, kick))
    return off / star.accuracy.to_value(u.rad), star.accuracy.to_value(u.arcsec), star.amplification


def main() -> None:
    trials = 50 if "--quick" in sys.argv else 500
    print(
        f"{trials} misalignments up to 3 degrees for each wedge; error of the axis over the accuracy stated"
    )
    print(
        f"{'wedge':30} {'rms':>5} {'below 1':>8} {'below 2':>8} {'largest':>8} {'stated, arcsec':>15} {'amplif.':>8}"
    )
    for built in WEDGES:
        rng = np.random.default_rng(3)
        found = [
            trial(built, number, each, rng) for number, each in enumerate(random_misalignments(rng, trials))
        ]
        ratio, stated, growth = np.array(found).T
        shares = [f"{100.0 * np.mean(ratio < limit):.1f} %" for limit in (1.0, 2.0)]
        print(
            f"{built:30} {np.sqrt(np.mean(ratio**2)):5.2f} {shares[0]:>8} {shares[1]:>8} {ratio.max():8.2f}"
            f" {np.median(stated):15.1f} {np.median(growth):8.2f}"
        )


if __name__ == "__main__":
    main()
