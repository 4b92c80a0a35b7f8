"""A record as one page of HTML: no script, nothing loaded from anywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.alignment import cautions
from skysample.errors import InputError
from skysample.files.whole_files import write_whole
from skysample.report import rows, sentences
from skysample.report.charts import as_svg, coverage_map, residual_map, residual_panels, size_chart, xml_text

if TYPE_CHECKING:
    import os

    from skysample.report.record import Record


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
        If the file cannot be written, or jinja2 or matplotlib is not installed.
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
        raise InputError("a report needs jinja2, which is not installed; install skysample[report]") from None
    environment = Environment(
        loader=PackageLoader("skysample.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_cleaned,
    )
    environment.filters.update(typeset=rows.typeset, sentence=sentences.sentence)
    environment.globals.update(rows=rows, sentences=sentences, cautions=cautions)
    model, score, run, sky = record.final.model, record.final.score, record.run, record.sky
    return environment.get_template("record.html.jinja").render(
        record=record,
        coverage=as_svg(coverage_map(model, run, sky=sky, error=record.final.error)),
        residuals=as_svg(residual_map(model, run, score, sky=sky)),
        sizing=as_svg(size_chart(record.need, record.learning)) if record.need else "",
        panels=[as_svg(figure) for figure in residual_panels(run, score).values()],
    )


def _cleaned(value: Any) -> Any:
    """Keep what XML cannot hold out of the page, whatever a file's name or a header contains."""
    # Markup is a kind of str that is escaped already, and has to stay that kind.
    return xml_text(value) if type(value) is str else value
