"""A record as one page of HTML: no script, nothing loaded from anywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.alignment import cautions
from skysample.alignment.instructions import bolt_steps, told
from skysample.errors import InputError
from skysample.files.whole_files import write_whole
from skysample.report import facts, rows, sentences
from skysample.report.charts import as_svg, coverage_map, residual_map, residual_panels, size_chart, xml_text
from skysample.report.typography import typeset

if TYPE_CHECKING:
    import os

    from matplotlib.figure import Figure

    from skysample.report.record import AxisFinding, EarlierRun, Record

__all__ = ["render_report", "write_report"]


def write_report(record: Record, path: str | os.PathLike[str]) -> None:
    """Write a record as one self-contained HTML page, whole or not at all.

    Parameters
    ----------
    record : Record
        From `build_record`.
    path : path-like

    Raises
    ------
    InputError
        If the place cannot be written to, or jinja2 or matplotlib is not installed.
    """
    write_whole(path, render_report(record))


def render_report(record: Record) -> str:
    """Return a record as one self-contained HTML page, which is well-formed XML too.

    Parameters
    ----------
    record : Record

    Returns
    -------
    str

    Raises
    ------
    InputError
        If jinja2 or matplotlib is not installed.
    """
    try:
        from jinja2 import Environment, PackageLoader, StrictUndefined
    except ImportError:
        raise InputError("a report needs jinja2, which is missing; install skysample[report]") from None
    environment = Environment(
        loader=PackageLoader("skysample.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_cleaned,
    )
    environment.filters["typeset"] = typeset
    template = environment.get_template("record.html.jinja")
    return template.render(record=record, **_content(record))


def _cleaned(value: Any) -> Any:
    """Keep what XML cannot hold out of the page, whatever a file's name or a header contains."""
    # Markup is a kind of str that is escaped already, and has to stay that kind.
    return xml_text(value) if type(value) is str else value


def _content(record: Record) -> dict[str, Any]:
    """Build what the template puts down: sentences, facts, rows and charts."""
    comparison = record.comparison
    furthest_row, furthest = sentences.furthest(record.score)
    return {
        "summary": sentences.summary(record),
        "site_facts": facts.site_facts(record),
        "instrument_facts": facts.instrument_facts(record.site),
        "first": _run_content(record.before),
        "second": _run_content(record.after),
        "axis_now": _axis_content(record.axis),
        "final_facts": facts.run_facts(record.run, record.model),
        "done": [] if comparison is None else [sentences.change(comparison), *comparison.sentences],
        "verdict": "" if comparison is None else sentences.verdict(comparison),
        "to_turn": _to_turn(record),
        "cautions": [*cautions.WEDGE, *cautions.MOVING],
        "finish": cautions.FINISH,
        "axis_names": [name for name, _ in rows.axis_findings(record)],
        "axis_rows": rows.axis_rows(record),
        "enough": [] if record.trails is None else sentences.enough(record.trails),
        "trail_rows": [] if record.trails is None else rows.trail_rows(record.trails),
        "points_chosen": sentences.points_chosen(record),
        "size_rows": [] if record.need is None else rows.size_rows(record.need),
        "meanings": rows.TERM_MEANINGS,
        "term_rows": rows.term_rows(record.model),
        "score_facts": facts.score_facts(record),
        "furthest_row": furthest_row,
        "furthest_frame": record.run.frames[record.run.rows.tolist().index(furthest_row)],
        "furthest": furthest,
        "left_over": sentences.left_over(record.structure),
        "history": [] if record.history is None else list(map(sentences.capital, record.history.sentences)),
        "history_rows": [] if record.history is None else rows.history_rows(record.history),
        "tracking": [] if record.tracking is None else list(record.tracking.sentences),
        "tracking_names": [] if record.tracking is None else rows.tracking_names(record.tracking),
        "tracking_rows": [] if record.tracking is None else rows.tracking_rows(record.tracking),
        "charts": {name: as_svg(figure) for name, figure in _charts(record).items()},
        "panels": [as_svg(figure) for figure in residual_panels(record.run, record.score).values()],
    }


def _run_content(quick: EarlierRun | None) -> dict[str, Any] | None:
    if quick is None:
        return None
    return {"facts": facts.run_facts(quick.run, quick.model), **_axis_content(quick.axis)}


def _axis_content(finding: AxisFinding) -> dict[str, Any]:
    alignment = finding.alignment
    if alignment is None:
        return {"reason": finding.reason, "sentences": [], "moves": (), "hints": ()}
    return {
        "reason": "",
        "sentences": sentences.axis_sentences(alignment),
        "moves": alignment.moves,
        "hints": alignment.hints,
    }


def _to_turn(record: Record) -> list[tuple[str, list[str]]]:
    """List what is still to be turned, if anything is: each move, and how to make it."""
    comparison = record.comparison
    if comparison is not None:
        alignment, moves = comparison.after, comparison.next_moves
    elif record.axis.alignment is not None:
        alignment, moves = record.axis.alignment, record.axis.alignment.moves
    else:
        return []
    return [(told(move, alignment), list(bolt_steps(move, alignment))) for move in moves]


def _charts(record: Record) -> dict[str, Figure]:
    model, run, sky = record.model, record.run, record.sky
    drawn = {
        "coverage": coverage_map(model, run, sky=sky, error=record.error),
        "residuals": residual_map(model, run, record.score, sky=sky),
    }
    return drawn if record.need is None else {**drawn, "sizing": size_chart(record.need, record.learning)}
