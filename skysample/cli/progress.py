"""The command `progress`: what it takes, its JSON, its words."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from typer import Exit, Option

from skysample.cli import inputs
from skysample.cli.check import doubt_lines, explained, trust_in, trust_json
from skysample.cli.printing import columns, show, values

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.sizing.stopping import RunProgress
    from skysample.trust import Trust

_NEXT_SHOWN = 10


def progress(
    run: inputs.RunArgument,
    site: inputs.SiteOption,
    of: Annotated[Path, Option("--plan", metavar="PLAN", help="Plan being observed (ECSV).")],
    target_arcsec: inputs.TargetOption = None,
    terms: inputs.FinalTermsOption = None,
    assume: inputs.AssumeOption = None,
    as_json: inputs.JsonOption = False,
) -> None:
    """During a run: say whether to stop, or which points to take next.

    Exit code 1 while there are not enough.

    Example: skysample progress run.ecsv --site site.toml --plan plan.ecsv --target-arcsec 1
    """
    from skysample.planning.plan_file import check_same_plan, read_plan
    from skysample.runs.points_done import read_points_done
    from skysample.site import load_site
    from skysample.sizing.stopping import progress as progress_of

    place = load_site(site)
    earlier, taken = read_plan(of, place), inputs.read_run_at(run, place, assume)
    check_same_plan(earlier, taken)
    with explained([taken], place, as_json=as_json):
        found = progress_of(
            taken,
            earlier,
            inputs.quantity(target_arcsec),
            terms=inputs.read_terms(terms),
            skipped=read_points_done(run).failed,
        )
    trust = trust_in(taken, place, of)
    show(as_json, progress_json, progress_lines, found, trust)
    if not found.enough:
        raise Exit(1)


def progress_json(found: RunProgress, trust: Trust | None = None) -> dict[str, Any]:
    """Keys of `progress --json`."""
    return {
        **values(found, "taken target_arcsec sigma_arcsec sky_rms_arcsec sky_rms_upper95_arcsec"),
        **values(found, "enough reachable more terms"),
        "next_points": [
            values(row, "point alt_deg az_deg pier sky_rms_arcsec sky_rms_upper95_arcsec")
            for row in found.next_points
        ],
        "sentence": str(found),
        **trust_json(trust),
    }


def progress_lines(found: RunProgress, trust: Trust | None = None) -> Iterator[str]:
    """Whether the run may stop, and which points to take next."""
    from skysample.alignment.cautions import MOVING

    answer = progress_json(found)
    yield from doubt_lines(trust)
    yield answer["sentence"]
    if answer["more"] and answer["sky_rms_arcsec"] is not None:
        yield "Next, best first:"
        yield from columns(
            answer["next_points"][:_NEXT_SHOWN],
            ("point", "{point}"),
            ("alt", "{alt_deg:.1f}"),
            ("az", "{az_deg:.1f}"),
            ("pier", "{pier:s}"),
            ("RMS then", '{sky_rms_arcsec:.2f}"'),
            ("95 % limit", '{sky_rms_upper95_arcsec:.2f}"'),
        )
    if not found.enough:
        yield from MOVING
