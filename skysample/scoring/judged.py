"""A fit, and all that `fit` says about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from skysample.fitting import FittedModel, fit
from skysample.scoring import Score, SkyError, TermEvidence, score, sky_error, term_evidence
from skysample.scoring.residual_tests import Structure, structure
from skysample.scoring.selection import TermSelection, select_terms
from skysample.sky import UsableSky, usable_sky

if TYPE_CHECKING:
    from collections.abc import Sequence

    from skysample.plugins.registry import Registry
    from skysample.runs import Run
    from skysample.site import Site


@dataclass(frozen=True, slots=True)
class JudgedFit:
    """A fitted model with what speaks for it and against it.

    Attributes
    ----------
    model : FittedModel
    score : Score
    error : SkyError
        The model's own, over the usable sky.
    evidence : sequence of TermEvidence
    left : Structure
    hints : tuple of str
        What zeros of an unlikely size point to.
    selection : TermSelection or None
        How the terms were chosen; None if they were given.
    """

    model: FittedModel
    score: Score
    error: SkyError
    evidence: Sequence[TermEvidence]
    left: Structure
    hints: tuple[str, ...] = ()
    selection: TermSelection | None = None


def judge(
    run: Run,
    site: Site,
    terms: Sequence[str] | None = None,
    *,
    select: bool = False,
    sky: UsableSky | None = None,
    registry: Registry | None = None,
) -> JudgedFit:
    """Fit a run, or choose its terms, and judge the model by every measure there is.

    Parameters
    ----------
    run : Run
    site : Site
    terms : sequence of str, optional
        See `skysample.fit`.
    select : bool
        Whether further terms may be added, see `skysample.select_terms`.
    sky : UsableSky, optional
        If already computed.
    registry : Registry, optional
        Default: all installed plugins.

    Returns
    -------
    JudgedFit
    """
    selection = select_terms(run, site, terms, registry=registry) if select else None
    model = fit(run, site, terms, registry=registry) if selection is None else selection.model
    return JudgedFit(
        model=model,
        score=score(model, run),
        error=sky_error(model, sky or usable_sky(site, registry=registry)),
        evidence=term_evidence(model, run) if selection is None else selection.evidence,
        left=structure(model, run),
        hints=model.zero_hints(site),
        selection=selection,
    )
