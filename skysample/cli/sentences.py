"""Results as a person reads them at night: the action first, short lines, every number with its error and unit."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.cautions import MOVING, WEDGE
from skysample.geometry import ARCSEC
from skysample.instructions import aim_sentences, bolt_steps, left_sentences
from skysample.star_instructions import star_sentences
from skysample.terms import STANDARD

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from astropy.table import Row

    from skysample.comparing import Comparison
    from skysample.fitting import FittedModel
    from skysample.leftovers import Structure
    from skysample.movements import History
    from skysample.ordering import FrontPoint
    from skysample.planning import Plan
    from skysample.plugins import Registry
    from skysample.polar_axis import PolarAlignment
    from skysample.scoring import Score, SkyError, TermEvidence
    from skysample.selection import TermSelection
    from skysample.sizing import LearningCurve, PointsNeeded
    from skysample.star_alignment import AdjustingStar
    from skysample.stopping import RunProgress
    from skysample.tracking_drift import Trails
    from skysample.tracking_quality import Tracking

__all__ = [
    "aim",
    "comparison_lines",
    "fit_lines",
    "history_lines",
    "learning_lines",
    "move_lines",
    "plan_lines",
    "plugin_lines",
    "polar_lines",
    "progress_lines",
    "selection_lines",
    "size_lines",
    "tracking_lines",
    "trail_lines",
]


def columns(header: tuple[str, ...], rows: list[tuple[str, ...]]) -> Iterator[str]:
    """Lay out a table: the first column to the left, numbers to the right, at most 80 columns wide."""
    widths = [max(len(row[i]) for row in (header, *rows)) for i in range(len(header))]
    for row in (header, *rows):
        cells = [
            row[0].ljust(widths[0]),
            *(cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True)),
        ]
        yield "  " + "  ".join(cells).rstrip()


def plan_lines(plan: Plan, choices: Sequence[FrontPoint] = ()) -> Iterator[str]:
    """Say what a plan will take, what less dome would cost, and list its points."""
    grid = plan.grid
    yield str(plan)
    for choice in choices[1:]:
        yield f"With --dome-weight {choice.dome_weight:g}: {choice.compared(choices[0])}."
    yield (
        f"Usable sky {plan.sky.area_sr:.2f} sr ({100.0 * plan.sky.area_sr / (2.0 * np.pi):.0f} % of the"
        f" hemisphere); no place in it"
        f" is more than {np.degrees(grid.covering_radius_rad):.1f} deg from a point,"
        f" no two points are closer than {np.degrees(grid.min_separation_rad):.1f} deg."
    )
    if grid.informed is not None:
        yield (
            f"Placed where {len(grid.informed.terms)} terms are learnt best: as good for them as"
            f" {grid.informed.even_points} even points. Even points also see what no term describes."
        )
    taken = [
        f"{loss.obstruction} {loss.removed_sr:.2f} sr" for loss in plan.sky.taken if loss.removed_sr > 0.0
    ]
    yield f"Taken from the hemisphere, each for itself: {', '.join(taken)}."
    dome = plan.site.dome is not None
    german = plan.site.mount.kind == "german"
    timed = plan.start is not None
    header = (
        "no",
        "point",
        "alt",
        "az",
        "ha",
        "dec",
        *(("pier",) if german else ()),
        *(("start UTC",) if timed else ()),
        "slew s",
    )
    rows = []
    for number, row in enumerate(plan.rows, 1):
        cells = [
            f"{number}",
            f"{row['point']}",
            *(f"{row[key]:.1f}" for key in ("alt_deg", "az_deg", "hour_angle_deg", "dec_deg")),
        ]
        if german:
            cells.append(str(row["pier"]))
        if timed:
            cells.append(str(row["start_utc"])[11:19])
        cells.append(f"{row['slew_s']:.1f}")
        if dome:
            cells.append(f"{row['dome_az_deg']:.0f}" + ("" if row["dome_move_deg"] else " stays"))
        rows.append(tuple(cells))
    yield from columns((*header, *(("dome az",) if dome else ())), rows)
    yield from MOVING


def fit_lines(
    model: FittedModel,
    score: Score,
    error: SkyError,
    hints: tuple[str, ...],
    evidence: Sequence[TermEvidence],
    left: Structure,
    selection: TermSelection | None = None,
) -> Iterator[str]:
    """Say what was fitted, term by term, and how far to trust it."""
    yield (
        f'{model.run.used} of {model.run.points} points used; residual {score.rms.value:.2f}" RMS on the sky,'
        f' noise {model.sigma.value:.2f}" per axis ({model.dof} degrees of freedom).'
    )
    yield (
        f"Left out in turn, a point is missed by {score.loo_rms.value:.2f}\" RMS. The model's own error"
        f" over the usable sky:"
        f' {error.rms.value:.2f}" RMS, {error.p95.value:.2f}" or better over 95 % of it.'
    )
    yield from columns(
        ("term", "value", "+- error", "95 % +-", "t", "p", "without"),
        [
            (
                each.name,
                f'{each.value_rad / ARCSEC:.2f}"',
                f'{each.stderr_rad / ARCSEC:.2f}"',
                f'{each.ci95_rad / ARCSEC:.2f}"',
                f"{each.t:.1f}",
                f"{each.p:.0e}" if each.p < 0.001 else f"{each.p:.3f}",
                f'{each.loo_rms_without_rad / ARCSEC:.2f}"',
            )
            for each in evidence
        ],
    )
    yield '"without": how far left-out points are missed (RMS) by a fit without the term.'
    yield from columns(
        ("term", "verdict", "error tied most to", ""),
        [
            (term.name, term.verdict, term.correlates_with or "-", f"{term.correlation:+.2f}")
            for term in evidence
        ],
    )
    for term in evidence:
        if term.verdict not in ("kept", "significant"):
            yield f"- {term.name}: {term.verdict}; {term.reason}."
    if selection is not None:
        yield from selection_lines(selection)
    _, judged, furthest = str(score).partition("furthest out is ")
    yield f"Furthest out: {furthest}." if judged else "The points are too few to judge any of them."
    for weak in model.weak_pairs:
        yield f"Hardly told apart by these points: {weak.pair[0]} and {weak.pair[1]} (condition {weak.condition:.0f})."
    for each in model.rejected:
        frame = f" ({each.frame})" if each.frame else ""
        yield f"Not used, row {each.row}{frame}: {each.reason}."
    for sentence in left.sentences:
        yield f"Left over: {sentence}."
    for hint in hints:
        yield f"Look: {hint}"


def selection_lines(selection: TermSelection) -> Iterator[str]:
    """Say what was tried, what was added, and how large a term would have been found."""
    yield f"Selection: {selection}."
    yield from columns(
        ("candidate", "t", "limit", "adj. p", "findable", "verdict"),
        [
            (
                each.name,
                _or_dash(each.t, f"{each.t:.1f}"),
                _or_dash(each.threshold, f"{each.threshold:.1f}"),
                _or_dash(each.adjusted_p, f"{each.adjusted_p:.2g}"),
                _or_dash(each.detectable_rad, f'{each.detectable_rad / ARCSEC:.2f}"'),
                each.verdict,
            )
            for each in selection.candidates
        ],
    )
    yield '"findable": the size that would be found in 80 % of nights like this one.'
    for each in selection.candidates:
        if each.verdict not in ("added", "not found"):
            yield f"- {each.name}: {each.verdict}; {each.reason}."
    yield selection.note
    if selection.added:
        standard = selection.started_from == STANDARD[selection.model.kind]
        terms = ["standard", *selection.added] if standard else selection.model.names
        yield f"The same terms for polar and report: --terms {','.join(terms)}"


def _or_dash(value: float, text: str) -> str:
    return text if np.isfinite(value) else "-"


def aim(alignment: PolarAlignment) -> Iterator[str]:
    """Say where the axis is aimed, and which way it must go."""
    if alignment.condition:
        yield alignment.condition
    yield from aim_sentences(alignment)
    first, second = (float(value) for value in np.degrees(alignment.stderr_rad) * 60.0)
    t = alignment.t_limit
    if alignment.equatorial:
        altitude, azimuth = alignment.altitude_error.value, alignment.azimuth_error.value  # type: ignore[union-attr]
        refracted = alignment.altitude_error_refracted.value  # type: ignore[union-attr]
        yield (
            f"95 % intervals: altitude {altitude - t * first:+.2f}' to {altitude + t * first:+.2f}', azimuth"
            f" {azimuth - t * second:+.2f}' to {azimuth + t * second:+.2f}'. All of this is against the true pole;"
            f" against the refracted pole the altitude error is {refracted:+.2f}'."
        )
        return
    share = 15.041 * float(np.cos(alignment.site.location.latitude_rad))
    yield (
        f'A clock that is 1 s wrong looks like a lean of {share:.1f}" to the east or west'
        ' (15" a second times the cosine of the latitude): check the clock before the base.'
    )


def move_lines(alignment: PolarAlignment) -> Iterator[str]:
    """Say what to beware of and what to turn, in order, one instruction a line."""
    yield "Before you touch a bolt:"
    for caution in WEDGE:
        yield f"  - {caution}"
    yield "Turn, in this order:" if alignment.equatorial else "Level the base:"
    for number, move in enumerate(alignment.moves, 1):
        yield f"  {number}. {move}."
        yield from (f"     {step}" for step in bolt_steps(move, alignment))
    # The feet take out the whole lean: they are no way to make one of its two moves alone.
    if alignment.feet and len(alignment.moves) == 2:
        yield "That is, by feet or shims (the highest foot stays, so that every move ends going up):"
        yield from (f"  - {foot}." for foot in alignment.feet)
    yield from left_sentences(alignment)


def polar_lines(
    alignment: PolarAlignment,
    star: AdjustingStar | None = None,
    no_star: str | None = None,
    trails: Trails | None = None,
) -> Iterator[str]:
    """Say where the axis is aimed, what to turn and what it costs to leave it; and how a star shows the move."""
    from skysample.tracking_drift import trail

    yield from aim(alignment)
    yield from (f"Look: {hint}" for hint in alignment.hints)
    yield from move_lines(alignment)
    if star is not None:
        yield from star_sentences(star)
    if no_star is not None:
        yield f"{no_star[0].upper()}{no_star[1:]}."
    yield from trail_lines(alignment, trails or trail(alignment))


def trail_lines(alignment: PolarAlignment, trails: Trails) -> Iterator[str]:
    """Say what the axis costs if it is left as it is, and whether this camera notices."""
    if trails.at_deg is None:
        tracking = alignment.tracking
        yield (
            f'Left as it is, an uncorrected star drifts up to {tracking.drift_arcsec_per_min:.2f}" a minute'
            f" ({_at(tracking.drift_place_deg)}) and, with the star held in both axes, the field turns up to"
            f" {tracking.rotation_deg_per_hour:.3f} deg an hour ({_at(tracking.rotation_place_deg)})."
        )
    up_to = "up to " if trails.at_deg is None else ""
    yield (
        f'Refraction alone drifts a star by {up_to}{trails.refraction_arcsec_per_min:.2f}" a minute'
        f" ({_at(trails.refraction_place_deg)}), on a perfect axis; tracking by the model follows it."
    )
    if trails.inherent_deg_per_hour is not None and trails.inherent_place_deg is not None:
        yield (
            f"An altaz turns the field even if level, by {up_to}{trails.inherent_deg_per_hour:.0f} deg an hour"
            f" ({_at(trails.inherent_place_deg)}): exposures need a rotator. What follows is what the lean adds."
        )
    yield f"Good enough? {trails}"
    yield from columns(
        ("tracking for", "drift", "corner", "enough", "turn*", "corner*", "enough*"),
        [
            (
                f"{60.0 * row.minutes:g} s" if row.minutes < 1.0 else f"{row.minutes:g} min",
                f'{row.drift_arcsec:.2f}"',
                _px(row.corner_without_arcsec, trails.pixel_arcsec),
                _limit(row.enough_without_arcmin),
                f"{row.turn_with_deg:.2g} deg",
                _px(row.corner_with_arcsec, trails.pixel_arcsec),
                _limit(row.enough_with_arcmin),
            )
            for row in trails.rows
        ],
    )
    yield (
        "* with the model, or a guider, tracking in both axes. Corner: how far a star in the corner of the chip trails;"
        " enough: the misalignment below which none trails by more than half a pixel."
    )


def _at(place: tuple[float, float]) -> str:
    return f"alt {place[0]:.0f}, az {place[1]:.0f}"


def _px(arcsec: float | None, pixel_arcsec: float | None) -> str:
    return "-" if arcsec is None or pixel_arcsec is None else f"{arcsec / pixel_arcsec:.2f} px"


def _limit(arcmin: float | None) -> str:
    return "-" if arcmin is None else f"{arcmin:.3g}'"


def comparison_lines(comparison: Comparison) -> Iterator[str]:
    """Say whether the adjustment worked."""
    yield str(comparison)
    names = (
        ("altitude", "azimuth") if comparison.before.equatorial else ("lean to the north", "lean to the east")
    )
    to_arcmin = float(np.degrees(1.0) * 60.0)
    before = (comparison.before.first_rad, comparison.before.second_rad)
    after = (comparison.after.first_rad, comparison.after.second_rad)
    yield from columns(
        ("error", "before", "after", "moved", "+-"),
        [
            (name, f"{b * to_arcmin:+.2f}'", f"{a * to_arcmin:+.2f}'", f"{change:+.2f}'", f"{error:.2f}'")
            for name, b, a, (change, error) in zip(
                names, before, after, comparison.changes_arcmin, strict=True
            )
        ],
    )
    yield from comparison.sentences[:-1]
    yield from columns(
        ("term", "before", "after", "changed", "+-", "p", "verdict"),
        [
            (
                str(row["term"]),
                f'{row["before"].value:.2f}"',
                f'{row["after"].value:.2f}"',
                f'{row["change"].value:+.2f}"',
                f'{row["stderr"].value:.2f}"',
                f"{row['p']:.2g}",
                str(row["verdict"]),
            )
            for row in comparison.terms
        ],
    )
    yield f"Next: {comparison.next_sentence}"
    if comparison.next_moves:
        yield from move_lines(replace(comparison.after, moves=comparison.next_moves))


def size_lines(need: PointsNeeded) -> Iterator[str]:
    """Say how many points, what more would buy, and what the other design would."""
    yield str(need)
    if need.informed is not None and need.informed.recommended is not None:
        rows = {int(row["points"]): row for row in need.informed.table}
        row = rows[need.informed.recommended]
        yield (
            f"Placed where the terms are learnt best (plan --design informed), {need.informed.recommended} would do:"
            f' {row["sky_rms"].value:.2f}", {row["minutes"].value:.0f} min. Even points also see what no term'
            " describes."
        )
    yield (
        f'Target {need.target.value:.2f}" over the sky; noise {need.sigma.value:.2f}" per axis in the pilot run;'
        f" {len(need.terms)}"
        f" terms; {100.0 * need.failed_share:.0f} % failed exposures allowed for."
    )
    if need.recommended > need.smallest:
        yield (
            f"{need.smallest} would do if the pilot's noise were exact; with 90 % confidence it is below"
            f' {need.sigma_upper.value:.2f}".'
        )
    yield from _size_table(need)
    yield "below: not exceeded in 90 % of nights. detects: the smallest term that is found."


def _size_table(need: PointsNeeded) -> Iterator[str]:
    header: tuple[str, ...] = ("even points", "rms", "below", "95 %", "detects", "min")
    rows = [_size_cells(row, mark=int(row["points"]) == need.recommended) for row in need.table]
    if need.informed is not None:
        header += ("informed", "rms", "below", "min")
        for cells, row in zip(rows, need.informed.table, strict=True):
            rms, below, _, _, minutes = _size_cells(row)[1:]
            cells += ["<-" if int(row["points"]) == need.informed.recommended else "", rms, below, minutes]
    yield from columns(header, [tuple(cells) for cells in rows])


def _size_cells(row: Row, *, mark: bool = False) -> list[str]:
    errors = [f'{row[name].value:.2f}"' for name in ("sky_rms", "sky_rms_upper", "sky_p95", "detectable")]
    return [f"{int(row['points'])}" + (" <-" if mark else ""), *errors, f"{row['minutes'].value:.0f}"]


def learning_lines(learning: LearningCurve) -> Iterator[str]:
    """Say what fewer points of the run would have given."""
    yield f"This run: {learning}"
    if np.isfinite(learning.missed_over_expected):
        yield (
            f"Models from parts of the run missed the points left out by {learning.missed_over_expected:.2f} of what"
            " noise and model error say."
        )
    yield from columns(
        ("of its points", "rms", "below", "missed", "expected"),
        [
            (
                f"{int(row['points'])}" + (" <-" if int(row["points"]) == learning.would_have_done else ""),
                *(
                    f'{row[name].value:.2f}"' if np.isfinite(row[name].value) else "-"
                    for name in ("sky_rms", "sky_rms_upper", "missed", "expected")
                ),
            )
            for row in learning.table
        ],
    )


_NEXT_SHOWN = 10


def progress_lines(found: RunProgress) -> Iterator[str]:
    """Say whether the run may stop, and which points to take next."""
    yield str(found)
    if found.more and np.isfinite(found.sky_rms.value):
        shown = found.next_points[:_NEXT_SHOWN]
        yield "Next, best first:"
        german = bool(shown["pier"][0])
        yield from columns(
            ("point", "alt", "az", *(("pier",) if german else ()), "then rms", "at most"),
            [
                (
                    f"{int(row['point'])}",
                    f"{row['alt'].value:.1f}",
                    f"{row['az'].value:.1f}",
                    *((str(row["pier"]),) if german else ()),
                    *(
                        f'{row[name].value:.2f}"' if np.isfinite(row[name].value) else "-"
                        for name in ("sky_rms", "sky_rms_upper95")
                    ),
                )
                for row in shown
            ],
        )
    if not found.enough:
        yield from MOVING


def history_lines(past: History) -> Iterator[str]:
    """Say what moved, and list every change."""
    for sentence in past.sentences:
        yield f"{sentence[0].upper()}{sentence[1:]}."
    yield from columns(
        ("term", "since", "until", "change", "+-", "sigma", "p", "verdict"),
        [
            (
                each.term,
                each.since,
                each.until,
                f'{each.change_rad / ARCSEC:+.2f}"',
                f'{each.stderr_rad / ARCSEC:.2f}"',
                f"{each.sigmas:.1f}",
                f"{each.p:.2g}",
                each.verdict,
            )
            for each in past.changes
        ],
    )
    if past.axis_moved:
        yield "Find out why before you correct it: a loose bolt, or a pier that settles. Before you touch a bolt:"
        for caution in WEDGE:
            yield f"  - {caution}"


def tracking_lines(found: Tracking) -> Iterator[str]:
    """Say how well the mount tracked, and what explains the rest."""
    lost = f"; the star was lost in {found.log.lost} more" if found.log.lost else ""
    yield f"{len(found.log)} rows over {found.log.span_s / 60.0:.1f} min{lost}."
    yield from found.sentences
    yield from columns(
        ("taken out", "of", "left, RMS", "share"),
        [
            (part.cause, each.name, f'{part.rms_arcsec:.3f}"', f"{100.0 * part.share:.1f} %")
            for each in found.components
            for part in each.removed
        ],
    )


def plugin_lines(registry: Registry) -> Iterator[str]:
    """List the plugins."""
    for each in registry.installed:
        what = each.problem or f"answers {', '.join(hook.removeprefix('skysample_') for hook in each.hooks)}"
        yield f"{each.name} ({each.distribution} {each.version}): {what}"
