"""False plate solutions: are all found, are sound points spared, and does the polar error stay?

10 % of the solutions of a night (6 of 60, 2 of 15) are off by 3' to 3 degrees, uniform in the logarithm. 200
nights for each kind of mount, hemisphere and number of points. The default fit to such a night is compared with
plain fits, without any rejection, to its sound points alone and to the same night with those solutions sound too.
"""

from __future__ import annotations

import numpy as np
from figures import Figures, progress, reduced_run
from nights import CELLS, axis_terms, random_night

import skysample as ss

FALSE = {60: 6, 15: 2}
STILL = {60: 100.0, 15: 95.0}


def one_night(
    kind: str, hemisphere: str, points: int, rng: np.random.Generator
) -> tuple[int, int, bool, bool]:
    """False points kept, sound points rejected, whether the axis stays within a standard error of either fit."""
    night = random_night(kind, hemisphere, points, rng, false=FALSE[points])
    model = ss.fit(night.run, night.site)
    used = np.isin(night.run.rows, model.run.rows)
    value, _ = axis_terms(model)
    still = []
    for reference in (night.run.subset(~night.false), night.sound):
        expected, error = axis_terms(ss.fit(reference, night.site, reject=False))
        still.append(bool(np.all(np.abs(value - expected) < error)))
    kept, lost = np.sum(used & night.false), np.sum(~used & ~night.false)
    return int(kept), int(lost), still[0], still[1]


def main() -> None:
    nights = 20 if reduced_run(__doc__) else 200
    figures = Figures(f"10 % false plate solutions, {nights} nights for each mount and number of points")
    for points, false in FALSE.items():
        for cell, (kind, hemisphere) in enumerate(CELLS):
            rng = np.random.default_rng([points, cell])
            found = np.array([one_night(kind, hemisphere, points, rng) for _ in range(nights)])
            kept, lost, still, still_whole = found.sum(axis=0).tolist()
            name = f"{points} points, {kind} {hemisphere}"
            figures.at_most(f"{name}: false ones kept, of {false * nights}", kept, 0)
            figures.at_most(
                f"{name}: sound ones rejected", 100.0 * lost / (nights * (points - false)), 1.0, "%"
            )
            what = f"{name}: axis within 1 stderr of the sound points' fit"
            figures.at_least(what, 100.0 * still / nights, STILL[points], "%")
            what = f"{name}: axis within 1 stderr of the night with those points sound"
            figures.measured(what, 100.0 * still_whole / nights, "%")
            progress(f"{name} done")
    figures.show()


if __name__ == "__main__":
    main()
