"""Structure in the residuals of a fit: tests that say in plain words what they found, and are silent otherwise.

What the tests share is in `residual_space`.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.fitting.multiple_tests import holm
from skysample.geometry import ARCSEC
from skysample.scoring.residual_tests.distribution import neighbours, tails
from skysample.scoring.residual_tests.movement import drift, pier_side, step, temperature
from skysample.scoring.residual_tests.residual_space import TestResult, residual_space

if TYPE_CHECKING:
    from collections.abc import Callable

    from astropy.table import QTable

    from skysample.fitting import FittedModel
    from skysample.runs import Run
    from skysample.scoring.residual_tests.residual_space import ResidualSpace

__all__ = ["Finding", "Structure", "structure"]

_TESTS: dict[str, Callable[[ResidualSpace], TestResult | str]] = {
    "drift": drift,
    "step": step,
    "temperature": temperature,
    "pier": pier_side,
    "neighbours": neighbours,
    "tails": tails,
}
_MOVEMENTS = ("drift", "step", "temperature")
"""Tests that may see one and the same movement; with as many columns each, the largest F explains it best."""

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
        Whether nearby points have similar residuals even beside the movement found, which then may be no movement.
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

        A run goes over the sky in time, so an error that depends on the place can look like a movement: where nearby
        points are alike beside the movement too, that comes first.
        """
        movements = [each for each in self.found if each.name in _MOVEMENTS]
        likeliest = max(movements, key=lambda each: each.statistic or 0.0, default=None)
        listed = [each for each in self.found if each is likeliest or each.name not in _MOVEMENTS]
        if not self.place_first:
            return tuple(each.sentence for each in listed)
        listed.sort(key=lambda each: each.name != "neighbours")
        return tuple(
            f"recheck after fixing the first finding: {each.sentence}" if each is likeliest else each.sentence
            for each in listed
        )

    @property
    def table(self) -> QTable:
        """One row a test; statistic and p are nan where it could not be done."""
        from astropy.table import QTable

        return QTable(
            {
                "name": [each.name for each in self.findings],
                "statistic": np.array([each.statistic for each in self.findings], float),
                "p": np.array([each.p for each in self.findings], float),
                "found": [each.found for each in self.findings],
                "not_done": [each.not_done for each in self.findings],
            }
        )

    def summary(self) -> str:
        """The sentences, or that nothing was found."""
        done = [each.name for each in self.findings if each.p is not None]
        if not done:
            return "The residuals could not be tested."
        return (
            "\n".join(self.sentences) or f"No structure found in the residuals (tested: {', '.join(done)})."
        )

    def __str__(self) -> str:
        return self.summary()

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
    left = residual_space(model, run, seed)
    rounding = model.sigma_rad < _NOISE_FLOOR_RAD
    results = {
        name: "the residuals are rounding, not noise" if rounding else test(left)
        for name, test in _TESTS.items()
    }
    done = {name: each for name, each in results.items() if isinstance(each, TestResult)}
    stands = holm([each.p for each in done.values()])
    counted = {name: done[name] for name, found in zip(done, stands, strict=True) if found}
    findings = []
    for name, each in results.items():
        if isinstance(each, str):
            findings.append(Finding(name, None, None, found=False, sentence="", not_done=each))
        else:
            sentence = each.sentence if name in counted else ""
            findings.append(Finding(name, each.statistic, each.p, name in counted, sentence, not_done=""))
    return Structure(tuple(findings), _place_first(counted, left))


def _place_first(found: dict[str, TestResult], left: ResidualSpace) -> bool:
    """Whether nearby points are still alike once the likeliest movement is taken out."""
    movements = [found[name] for name in _MOVEMENTS if name in found]
    likeliest = max(movements, key=lambda each: each.statistic, default=None)
    if likeliest is None or likeliest.course is None or "neighbours" not in found:
        return False
    again = neighbours(left.without_course(likeliest.course))
    return isinstance(again, TestResult) and again.p <= _LEVEL
