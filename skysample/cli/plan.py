"""The command `plan`: what it takes, its JSON, its words."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from typer import Option

from skysample.cli import inputs
from skysample.cli.printing import columns, show, values
from skysample.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from astropy.time import Time

    from skysample.ordering import FrontPoint
    from skysample.planning.plan_table import Plan

_SUNRISE_DEG = -0.83
"""Altitude of the Sun's centre as its limb rises, with the usual refraction (Astronomical Almanac; from memory)."""


def plan(
    site: inputs.SiteArgument,
    points: Annotated[
        int | None,
        Option(metavar="N", help="Number of points; not needed with --plan.", min=1, max=inputs.MOST_POINTS),
    ] = None,
    when: Annotated[
        str | None, Option(metavar="UTC", help="Start (ISO 8601); the Sun is not checked without it.")
    ] = None,
    design: Annotated[
        str, Option(metavar="NAME", help="even, or informed (constrains the terms best).")
    ] = "even",
    order: Annotated[
        str | None, Option(metavar="NAME", help="annealed (default), snake, nearest, or a plugin's.")
    ] = None,
    dome_weight: Annotated[
        float | None,
        Option(metavar="X", help="From 0, least time (default), to 1, least dome motion.", min=0.0, max=1.0),
    ] = None,
    trade_off: Annotated[
        bool, Option("--trade-off", help="Also work out the cost of less dome motion.")
    ] = False,
    model: Annotated[
        Path | None, Option(metavar="MODEL", help="Add the axis readings that this model predicts.")
    ] = None,
    terms: Annotated[
        str | None,
        Option(metavar="NAME,...", help="Terms of an informed design; default the model's, or standard."),
    ] = None,
    resume: Annotated[
        Path | None, Option(metavar="RUN", help="Continue where this run of the plan stopped.")
    ] = None,
    of: Annotated[
        Path | None,
        Option(
            "--plan",
            metavar="PLAN",
            help="With --resume: the plan file; without it the same plan is made again.",
        ),
    ] = None,
    out: Annotated[Path | None, Option(metavar="FILE", help="Write the plan (ECSV).")] = None,
    chart: Annotated[Path | None, Option(metavar="FILE", help="Draw the sky chart (.svg or .png).")] = None,
    seed: Annotated[int, Option(metavar="N", help="The same seed gives the same plan.", min=0)] = 0,
    as_json: inputs.JsonOption = False,
) -> None:
    """Spread points evenly over the usable sky and order them.

    Example: skysample plan site.toml --points 15 --when 2026-11-25T20:00:00 --out plan.ecsv
    """
    from skysample.files.whole_files import check_place
    from skysample.fitting import load_model
    from skysample.planning import plan as make_plan
    from skysample.planning.plan_file import read_plan
    from skysample.planning.plan_table import PLAN_FORMAT
    from skysample.site import load_site

    place, start = load_site(site), inputs.read_when(when)
    if of is not None and resume is None:
        raise InputError("--plan goes with --resume; give the run too, or leave --plan out", key="--plan")
    sources = [site, *inputs.existing(model, resume, of)]
    if out is not None:
        check_place(out, sources, holds=PLAN_FORMAT)
    inputs.check_chart_path(chart, [*sources, *inputs.existing(out)])
    by = None if model is None else load_model(model)
    if resume is not None and of is not None:
        found = read_plan(of, place, check=False)
    elif points is None:
        raise InputError("--points is missing; say how many", key="--points")
    else:
        found = make_plan(
            place,
            points,
            None if resume else start,
            order,
            design,
            model=by,
            terms=inputs.read_terms(terms),
            seed=seed,
            dome_weight=dome_weight or 0.0,
        )
    if resume is not None:
        found = _resumed(found, resume, start, order, dome_weight)
    if out is not None:
        found.write(out)
    if chart is not None:
        from skysample.report.charts import sky_chart, write_chart

        write_chart(sky_chart(found), chart)
    show(as_json, plan_json, plan_lines, found, found.trade_off() if trade_off else None)


def _resumed(
    earlier: Plan, run: Path, start: Time | None, order: str | None, dome_weight: float | None
) -> Plan:
    from skysample.planning.plan_file import check_same_plan
    from skysample.planning.resuming import resume as resume_plan
    from skysample.runs import read_run
    from skysample.runs.points_done import read_points_done

    taken = read_points_done(run)
    if taken.done:
        check_same_plan(earlier, read_run(run, earlier.site))
    try:
        return resume_plan(earlier, taken, start, order=order, dome_weight=dome_weight)
    except InputError as error:
        raise InputError(error.message, file=error.file or str(run), row=error.row, key=error.key) from None


def plan_json(plan: Plan, trade_off: Sequence[FrontPoint] | None = None) -> dict[str, Any]:
    """Keys of `plan --json`."""
    grid = plan.grid
    return {
        **values(plan, "points total_s slew_s bound_s gap order=ordering dome_weight sun_checked"),
        **values(plan.sky, "sky_sr=area_sr"),
        "sky_losses": [values(loss, "obstruction removed_sr only_sr") for loss in plan.sky.taken],
        **values(grid, "covering_radius_deg min_separation_deg design"),
        **values(plan.schedule, "dome_deg dome_moves"),
        "even_points": None if grid.informed is None else grid.informed.even_points,
        "front": [
            {
                "dome_weight": choice.dome_weight,
                **values(choice.schedule, "slew_s=total_slew_s dome_deg dome_moves"),
            }
            for choice in trade_off or ()
        ],
        "rows": plan.rows,
    }


def plan_lines(plan: Plan, trade_off: Sequence[FrontPoint] | None = None) -> Iterator[str]:
    """How long a plan takes, what less dome motion would cost, and its points."""
    from skysample.alignment.cautions import MOVING

    answer, informed = plan_json(plan), plan.grid.informed
    yield from plan.summary().splitlines()
    if trade_off is not None:
        yield from _trade_off_lines(trade_off)
    yield (
        f"Usable sky: {_share(answer['sky_sr'])} of the hemisphere. No part of it is more than"
        f" {answer['covering_radius_deg']:.1f} deg from a point; no two points are closer than"
        f" {answer['min_separation_deg']:.1f} deg."
    )
    if informed is not None:
        yield (
            f"Placed where they constrain the {len(informed.terms)} terms best: for those terms, worth"
            f" {informed.even_points} even points. An even grid also reveals errors that no term describes."
        )
    lost = [
        f"{loss.obstruction} {_share(loss.removed_sr)}" for loss in plan.sky.taken if loss.removed_sr > 0.0
    ]
    yield f"Sky lost to each cause alone (they overlap): {', '.join(lost)}."
    rows = [
        {
            **row,
            "order": number,
            "start": row["start_utc"] and row["start_utc"][11:19],
            "stays": "" if row["dome_move_deg"] else " (no move)",
        }
        for number, row in enumerate(plan.rows, 1)
    ]
    yield "Angles in degrees; hour angle (ha) positive west."
    yield from columns(
        rows,
        ("order", "{order}"),
        ("point", "{point}"),
        ("alt", "{alt_deg:.1f}"),
        ("az", "{az_deg:.1f}"),
        ("ha", "{hour_angle_deg:.1f}"),
        ("dec", "{dec_deg:.1f}"),
        ("pier", "{pier:s}"),
        ("expose UTC", "{start:s}"),
        ("slew s", "{slew_s:.1f}"),
        ("dome az", "{dome_az_deg:.0f}{stays}"),
    )
    if plan.start is not None:
        yield from _sun_lines(plan)
    yield from MOVING


def _share(solid_angle_sr: float) -> str:
    """Write a solid angle as a share of the hemisphere, and in steradians."""
    return f"{50.0 * solid_angle_sr / math.pi:.0f} % ({solid_angle_sr:.2f} sr)"


def _trade_off_lines(trade_off: Sequence[FrontPoint]) -> Iterator[str]:
    if not trade_off:
        yield "No trade-off: that needs the annealed order, no --dome-weight, and at most 400 points."
    elif len(trade_off) == 1:
        yield "No dome weight saves a tenth of the dome moves."
    for choice in trade_off[1:]:
        yield f"With --dome-weight {choice.dome_weight:g}: {choice.compared(trade_off[0])}."


def _sun_lines(plan: Plan) -> Iterator[str]:
    """Warn if the Sun is up at any time of the plan: points keep away from it, slews between them may not."""
    import numpy as np
    from astropy import units as u

    from skysample.astrometry.observed_place import sun_direction
    from skysample.geometry import alt_az

    times = plan.start + np.linspace(0.0, plan.total_s, 13) * u.s
    sun = sun_direction(plan.site, times)
    altitude, azimuth = (float(np.degrees(each)) for each in alt_az(sun[np.argmax(sun[:, 2])]))
    if altitude > _SUNRISE_DEG:
        yield (
            f"The Sun is up: altitude {altitude:.0f}, azimuth {azimuth % 360.0:.0f}. Points keep away from it, but"
            " slews may cross it: do not run this unattended, and cover the tube while it slews."
        )
