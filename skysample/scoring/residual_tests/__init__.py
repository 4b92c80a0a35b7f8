"""Structure that a fit leaves over: tests of the residuals, in plain words, silent where there is nothing.

One test a file; what they share is in `residual_space`.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import TYPE_CHECKING

from skysample.fitting.multiple_tests import holm
from skysample.geometry import ARCSEC
from skysample.scoring.residual_tests.drift import drift
from skysample.scoring.residual_tests.neighbours import neighbours
from skysample.scoring.residual_tests.pier_side import pier_side
from skysample.scoring.residual_tests.residual_space import leftovers
from skysample.scoring.residual_tests.step import step
from skysample.scoring.residual_tests.tails import tails
from skysample.scoring.residual_tests.temperature import temperature

if TYPE_CHECKING:
    from astropy.table import QTable

    from skysample.fitting import FittedModel
    from skysample.runs import Run
    from skysample.scoring.residual_tests.residual_space import Examined, Leftovers

__all__ = ["Finding", "Structure", "structure"]

_TESTS = (drift, step, temperature, pier_side, neighbours, tails)
_COURSES = ("drift", "step", "temperature")
"""Tests that may see one and the same movement; with as many columns each, the largest F explains it best."""

_PLACES = "neighbours"
_LEVEL = 0.05

_NOISE_FLOOR_RAD = 1e-3 * ARCSEC
"""Below this residuals are rounding, and have a structure of their own."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What one test found.

    Attributes
    ----------
    name : str
        `drift`, `step`, `temperature`, `pier`, `neighbours` or `tails`.
    statistic : float or None
        F, Moran's I or kurtosis; None where the test could not be done.
    p : float or None
        Chance of so large a statistic from noise alone, of this test by itself.
    found : bool
        By Holm's step-down over all tests done, at a family-wise 5 %.
    sentence : str
        What it means and what to do; empty where nothing was found.
    not_done : str
        Why the test could not be done; empty where it was.
    """

    name: str
    statistic: float | None
    p: float | None
    found: bool
    sentence: str
    not_done: str


@dataclass(frozen=True, slots=True)
class Structure:
    """What the residuals of a fitted run still hold.

    Attributes
    ----------
    findings : tuple of Finding
        One a test, done or not.
    place_first : bool
        Whether neighbours are alike beside the movement that was found too, which then may be no movement.
    """

    findings: tuple[Finding, ...]
    place_first: bool = False

    @property
    def found(self) -> tuple[Finding, ...]:
        """The tests that found something."""
        return tuple(each for each in self.findings if each.found)

    @property
    def sentences(self) -> tuple[str, ...]:
        """What to tell a person; of drift, step and temperature only the one that explains most.

        A run goes over the sky in time, so what depends on the place can look like a movement: where neighbours are
        alike beside the movement too, that comes first.
        """
        courses = [each for each in self.found if each.name in _COURSES]
        told = max(courses, key=lambda each: each.statistic or 0.0, default=None)
        said = [each for each in self.found if each is told or each.name not in _COURSES]
        if not self.place_first:
            return tuple(each.sentence for each in said)
        said.sort(key=lambda each: each.name != _PLACES)
        return tuple(
            f"if it stays once that is mended: {each.sentence}" if each is told else each.sentence
            for each in said
        )

    @property
    def table(self) -> QTable:
        """One row a test; statistic and p are nan where it could not be done."""
        from astropy.table import QTable

        return QTable(
            {
                "name": [each.name for each in self.findings],
                "statistic": [
                    float("nan") if each.statistic is None else each.statistic for each in self.findings
                ],
                "p": [float("nan") if each.p is None else each.p for each in self.findings],
                "found": [each.found for each in self.findings],
                "not_done": [each.not_done for each in self.findings],
            }
        )

    def __str__(self) -> str:
        done = [each.name for each in self.findings if each.p is not None]
        if not done:
            return "Nothing could be tested."
        return "\n".join(self.sentences) or f"Nothing left over by {', '.join(done)}."

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(str(self))}</p>{self.table._repr_html_()}"


def structure(model: FittedModel, run: Run, *, seed: int = 0) -> Structure:
    """Look for structure in the residuals of a fitted run.

    Parameters
    ----------
    model : FittedModel
    run : Run
        The run that the model was fitted to; points that the fit does not use are left out.
    seed : int
        Of the simulated noise that some statistics are ranked among; the same seed gives the same p.

    Returns
    -------
    Structure

    Raises
    ------
    InputError
        If the run is not the one that the model was fitted to.
    """
    left = leftovers(model, run, seed)
    if model.sigma_rad < _NOISE_FLOOR_RAD:
        names = [test(left).name for test in _TESTS]
        return Structure(
            tuple(
                Finding(name, None, None, False, "", "the residuals are rounding, not noise")
                for name in names
            )
        )
    examined = [test(left) for test in _TESTS]
    done = {each.name: each.p for each in examined if each.p is not None}
    counted = {name for name, stands in zip(done, holm(list(done.values())), strict=True) if stands}
    findings = tuple(_judged(each, found=each.name in counted) for each in examined)
    return Structure(findings, _place_first([each for each in examined if each.name in counted], left))


def _place_first(found: list[Examined], left: Leftovers) -> bool:
    """Whether neighbours are still alike once the likeliest movement is taken out."""
    courses = [each for each in found if each.course is not None]
    if not courses or _PLACES not in {each.name for each in found}:
        return False
    likeliest = max(courses, key=lambda each: each.statistic or 0.0).course
    p = None if likeliest is None else neighbours(left.beside(likeliest)).p
    return p is not None and p <= _LEVEL


def _judged(each: Examined, *, found: bool) -> Finding:
    done = each.p is not None
    return Finding(
        each.name,
        each.statistic,
        each.p,
        found,
        each.sentence if found else "",
        "" if done else each.sentence,
    )
