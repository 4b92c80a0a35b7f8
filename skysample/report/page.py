"""A record as one page of HTML: no script, nothing loaded from anywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.charts import as_svg, coverage_map, printable, residual_map, size_chart
from skysample.errors import InputError
from skysample.files import write_whole
from skysample.polar_axis import tracking_error
from skysample.report import facts, sentences
from skysample.report.typography import typeset

if TYPE_CHECKING:
    import os

    from matplotlib.figure import Figure

    from skysample.report.record import AxisFinding, Record

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
    return printable(value) if type(value) is str else value


def _content(record: Record) -> dict[str, Any]:
    """Build what the template puts down: sentences, facts, rows and charts."""
    site, model = record.site, record.model
    before, comparison = record.before, record.comparison
    furthest_row, furthest = sentences.furthest(record.score)
    return {
        "summary": sentences.summary(record),
        "site_facts": facts.site_facts(record),
        "instrument_facts": facts.instrument_facts(site),
        "before": None if before is None else _axis_content(before.axis, record),
        "before_facts": None if before is None else facts.run_facts(before.run, before.model),
        "after": _axis_content(record.axis, record),
        "after_facts": facts.run_facts(record.run, model),
        "change": "" if comparison is None else sentences.change(comparison),
        "verdict": "" if comparison is None else sentences.verdict(comparison),
        "axis_rows": facts.axis_rows(record),
        "push_pull": site.wedge is not None and site.wedge.push_pull,
        "term_rows": facts.term_rows(model),
        "score_facts": facts.score_facts(record),
        "furthest_row": furthest_row,
        "furthest_frame": record.run.frames[record.run.rows.tolist().index(furthest_row)],
        "furthest": furthest,
        "size_rows": [] if record.need is None else facts.size_rows(record.need),
        "charts": {name: as_svg(figure) for name, figure in _charts(record).items()},
    }


def _axis_content(finding: AxisFinding, record: Record) -> dict[str, Any]:
    alignment = finding.alignment
    if alignment is None:
        return {"reason": finding.reason, "sentences": [], "moves": ()}
    tracking = sentences.tracking(tracking_error(alignment, record.sky))
    return {
        "reason": "",
        "sentences": [*sentences.axis_sentences(alignment), tracking],
        "moves": alignment.moves,
    }


def _charts(record: Record) -> dict[str, Figure]:
    model, run, sky = record.model, record.run, record.sky
    drawn = {
        "coverage": coverage_map(model, run, sky=sky, error=record.error),
        "residuals": residual_map(model, run, record.score, sky=sky),
    }
    return drawn if record.need is None else {**drawn, "sizing": size_chart(record.need)}
