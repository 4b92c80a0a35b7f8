"""The command `compare`: what it takes, its JSON, its words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from typer import Argument, Exit, Option

from skysample.cli import inputs
from skysample.cli.check import doubt_lines, explained, trust_in, trust_json
from skysample.cli.polar import polar_json
from skysample.cli.printing import columns, plain, show, values

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.alignment import PolarAlignment
    from skysample.alignment.comparing import Comparison
    from skysample.trust import Trust

WITHIN_ERROR = '"within error": no larger than chance, all terms tested together.'
"""Under a table of changes."""


def compare(
    before: Annotated[Path, Argument(metavar="BEFORE", help="Run before the adjustment.")],
    after: Annotated[Path, Argument(metavar="AFTER", help="Run after the adjustment.")],
    site: inputs.SiteOption,
    limit_arcmin: Annotated[float, Option(metavar="X", help="Largest total error allowed.")] = 30.0,
    assume: inputs.AssumeOption = None,
    as_json: inputs.JsonOption = False,
) -> None:
    """Check whether the adjustment worked.

    Exit code 1 if the axis is not shown to be within the limit.

    Example: skysample compare before.ecsv after.ecsv --site site.toml --limit-arcmin 5
    """
    from astropy import units as u

    from skysample.alignment import polar
    from skysample.alignment.comparing import compare as compare_alignments
    from skysample.fitting import fit
    from skysample.site import load_site

    place = load_site(site)
    tables = [inputs.read_run_at(run, place, assume) for run in (before, after)]
    with explained(tables, place, as_json=as_json):
        first, second = (polar(fit(table, place), place) for table in tables)
    comparison = compare_alignments(first, second, limit_arcmin * u.arcmin)
    trust = trust_in(tables[1], place, earlier=[before], assume=assume)
    show(as_json, compare_json, compare_lines, comparison, trust)
    if not comparison.within_limit or not trust.turns_allowed:
        raise Exit(1)


def compare_json(comparison: Comparison, trust: Trust | None = None) -> dict[str, Any]:
    """Keys of `compare --json`; no moves where the second run contradicts its inputs."""
    withheld = trust is not None and not trust.turns_allowed
    sentences = list(comparison.sentences)
    after = polar_json(comparison.after) | ({"moves": [], "feet": []} if withheld else {})
    return {
        "before": polar_json(comparison.before),
        "after": after,
        **values(comparison, "limit_arcmin upper_total_arcmin within_limit"),
        "sentences": sentences[:-1] if withheld else sentences,
        "adjusters": [
            values(
                each,
                "adjuster asked_arcmin made_arcmin made_stderr_arcmin=stderr_arcmin miss_arcmin p verdict sentence",
            )
            for each in comparison.adjusters
        ],
        **_changes_json(comparison),
        "next_moves": [] if withheld else [move.adjuster for move in comparison.next_moves],
        **trust_json(trust),
    }


def _changes_json(comparison: Comparison) -> dict[str, Any]:
    """Keys for what changed between the runs."""
    names = ("altitude", "azimuth") if comparison.before.equatorial else ("tilt_north", "tilt_east")
    return {
        "changes": [
            {"term": name, "arcmin": plain(change), "stderr_arcmin": plain(error)}
            for name, (change, error) in zip(names, comparison.changes_arcmin, strict=True)
        ],
        "terms": [
            {
                "before_arcsec": _term_json(comparison.before, each.term),
                "after_arcsec": _term_json(comparison.after, each.term),
                **values(each, "name=term change_arcsec change_stderr_arcsec=stderr_arcsec p verdict"),
            }
            for each in comparison.changes
        ],
    }


def _term_json(alignment: PolarAlignment, term: str) -> Any:
    return plain(alignment.model.value(term))


def compare_lines(comparison: Comparison, trust: Trust | None = None) -> Iterator[str]:
    """Whether the adjustment worked, what each bolt and each term did, and what to do next."""
    from skysample.alignment.adjustment import DEFAULT_LIMIT_ARCMIN
    from skysample.tracking_errors.trails import trail

    found = trail(comparison.after)
    answer = _changes_json(comparison)
    yield from doubt_lines(trust)
    yield str(comparison)
    if comparison.before.equatorial:
        axis = {"altitude": "altitude_error_arcmin", "azimuth": "azimuth_error_arcmin"}
    else:
        axis = {"lean to the north": "tilt_north_arcmin", "lean to the east": "tilt_east_arcmin"}
    yield from columns(
        [
            {
                "error": name,
                "before": values(comparison.before, key)[key],
                "after": values(comparison.after, key)[key],
                **change,
            }
            for (name, key), change in zip(axis.items(), answer["changes"], strict=True)
        ],
        ("error", "{error}"),
        ("before", "{before:+z.2f}'"),
        ("after", "{after:+z.2f}'"),
        ("moved", "{arcmin:+z.2f}'"),
        ("+-", "{stderr_arcmin:.2f}'"),
    )
    yield from comparison.sentences[:-1]
    yield from columns(
        answer["terms"],
        ("term", "{name}"),
        ("before", '{before_arcsec:.1f}"'),
        ("after", '{after_arcsec:.1f}"'),
        ("change", '{change_arcsec:+z.2f}"'),
        ("+-", '{change_stderr_arcsec:.2f}"'),
        ("p", "{p:.2g}"),
        ("verdict", "{verdict}"),
    )
    if any(each.verdict == "within error" for each in comparison.changes):
        yield WITHIN_ERROR
    if found.exposure is not None:
        # The limit is a habit; what this camera needs may differ.
        yield f"For your camera: {found}"
    if trust is not None and not trust.turns_allowed:
        yield f"Next: {trust.causes[0].fix}" if trust.causes else "Next: repeat the run."
        return
    default = comparison.within_limit and comparison.limit.value == DEFAULT_LIMIT_ARCMIN
    change = " The limit is the default; change it with --limit-arcmin." if default else ""
    yield f"Next: {comparison.next_sentence}{change}"
    if comparison.next_moves:
        from skysample.alignment.instructions import adjustment_lines

        yield from adjustment_lines(replace(comparison.after, moves=comparison.next_moves))
