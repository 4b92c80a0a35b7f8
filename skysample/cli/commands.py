"""The commands."""

from __future__ import annotations

import json
import re
import sys
import textwrap
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from skysample.cli import answers, sentences
from skysample.cli.terminal import printable
from skysample.errors import InputError, NoSolution
from skysample.files import check_place

if TYPE_CHECKING:
    from collections.abc import Iterable

    from astropy.coordinates import SkyCoord
    from astropy.time import Time
    from astropy.units import Quantity

    from skysample.fitting import FittedModel
    from skysample.gathering import HeaderKeywords
    from skysample.planning import Plan
    from skysample.polar_axis import PolarAlignment
    from skysample.runs import Run
    from skysample.site import Site
    from skysample.star_alignment import AdjustingStar

__all__ = ["app"]

app = typer.Typer(
    name="skysample",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Sample the usable sky, order the points, fit and judge the pointing model, and say what to turn.",
)

SiteArgument = Annotated[Path, typer.Argument(metavar="SITE", help="Site file (TOML).", show_default=False)]
SiteOption = Annotated[
    Path, typer.Option("--site", metavar="SITE", help="Site file (TOML).", show_default=False)
]
RunArgument = Annotated[
    Path, typer.Argument(metavar="RUN", help="Run table (ECSV or CSV).", show_default=False)
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]
AssumeOption = Annotated[
    list[str],
    typer.Option(
        "--assume",
        metavar="KEY=VALUE",
        help="What the run does not say: axes=raw|corrected|unknown, old_model=off|on|unknown,"
        " target_refraction=true|false.",
    ),
]
TermsOption = Annotated[
    str | None,
    typer.Option(
        "--terms", metavar="NAME,...", help="Terms to fit, or the sets standard (default) and extended."
    ),
]
TargetOption = Annotated[
    float | None,
    typer.Option(
        metavar="X", help="Wanted error of the model over the sky; default half the noise per axis."
    ),
]


MOST_POINTS = 20_000
"""Beyond it a plan takes hours to make, and a night has no room for it."""

_BULLET = re.compile(r"\s*(?:\d+\. |- )?")


def _print(lines: Iterable[str]) -> None:
    for line in [printable(each) for each in lines]:
        # A table's row holds runs of blanks and must not be folded.
        if "   " in line.strip() or len(line) <= 80:
            sys.stdout.write(line + "\n")
        else:
            bullet = _BULLET.match(line)
            hanging = " " * (bullet.end() if bullet else 0)
            folded = textwrap.fill(
                line, 80, subsequent_indent=hanging, break_on_hyphens=False, break_long_words=False
            )
            sys.stdout.write(folded + "\n")


def _show(answer: dict[str, Any], lines: Iterable[str], *, as_json: bool) -> None:
    if as_json:
        sys.stdout.write(json.dumps(answer, allow_nan=False) + "\n")
    else:
        _print(lines)


def _site(path: Path) -> Site:
    from skysample.site import load_site

    return load_site(path)


def _given(*paths: Path | None) -> list[Path]:
    return [path for path in paths if path is not None]


def _assumed(pairs: list[str]) -> dict[str, str]:
    assumed = {}
    for pair in pairs:
        key, equals, value = pair.partition("=")
        if not equals:
            raise InputError(f"--assume {pair}: write KEY=VALUE, as in --assume axes=raw", key="assume")
        assumed[key.strip()] = value.strip()
    return assumed


def _keywords(pairs: list[str]) -> HeaderKeywords:
    from skysample.gathering import HeaderKeywords

    known = [each.name for each in fields(HeaderKeywords)]
    chosen = {}
    for pair in pairs:
        name, equals, keyword = pair.partition("=")
        if not equals or name not in known or not keyword:
            raise InputError(
                f"--keyword {pair}: write NAME=KEYWORD, NAME being one of {', '.join(known)}", key="keyword"
            )
        chosen[name] = (keyword,)
    return HeaderKeywords(**chosen)


def _run(path: Path, site: Site, assume: list[str]) -> Run:
    from skysample.runs import read_run

    return read_run(path, site, assume=_assumed(assume))


def _resumed(
    earlier: Plan, run: Path, start: Time | None, order: str | None, dome_weight: float | None
) -> Plan:
    from skysample.resuming import check_same_plan, read_progress
    from skysample.resuming import resume as resume_plan
    from skysample.runs import read_run

    progress = read_progress(run)
    if progress.done:
        check_same_plan(earlier, read_run(run, earlier.site))
    try:
        return resume_plan(earlier, progress, start, order=order, dome_weight=dome_weight)
    except InputError as error:
        raise InputError(error.message, file=error.file or str(run), row=error.row, key=error.key) from None


def _terms(text: str | None) -> list[str] | None:
    return None if text is None else [name.strip() for name in text.split(",") if name.strip()]


def _alt_az(text: str) -> SkyCoord:
    from astropy.coordinates import AltAz, SkyCoord

    from skysample.tables import as_float

    try:
        altitude, azimuth = (as_float(part.strip()) for part in text.split(","))
    except ValueError:
        altitude = azimuth = float("nan")
    if not (0.0 < altitude <= 90.0 and -360.0 <= azimuth <= 360.0):
        raise InputError(f"--at {text}: write altitude and azimuth in degrees, as in --at 45,120", key="--at")
    return SkyCoord(az=azimuth, alt=altitude, unit="deg", frame=AltAz())


def _target(target_arcsec: float | None) -> Quantity | None:
    from astropy import units as u

    return None if target_arcsec is None else target_arcsec * u.arcsec


def _polar(path: Path, site: Site, assume: list[str]) -> PolarAlignment:
    from skysample.fitting import fit
    from skysample.polar_axis import polar

    return polar(fit(_run(path, site, assume), site), site)


def _version(wanted: bool) -> None:
    if wanted:
        from skysample import __version__

        sys.stdout.write(f"skysample {__version__}\n")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    pass


@app.command()
def demo(
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder for the files; made if it is not there.")
    ] = Path("skysample-demo"),
    seed: Annotated[int, typer.Option(help="Of the invented night.", min=0)] = 1,
    as_json: JsonOption = False,
) -> None:
    """Run the whole job on an invented observatory and write every file.

    Example: skysample demo --out night
    """
    from skysample.demo import night

    story = night(out, seed)
    for lines in story.chapters():
        if not as_json:
            _print(lines)
    if as_json:
        sys.stdout.write(json.dumps(story.answer, allow_nan=False) + "\n")


@app.command()
def plan(
    site: SiteArgument,
    points: Annotated[
        int | None,
        typer.Option(
            help="How many points; needed unless --plan says.", show_default=False, min=1, max=MOST_POINTS
        ),
    ] = None,
    when: Annotated[
        str | None, typer.Option(metavar="UTC", help="Start, ISO 8601; without it the Sun is not checked.")
    ] = None,
    design: Annotated[str, typer.Option(help="even, or informed: where the terms are learnt best.")] = "even",
    order: Annotated[
        str | None, typer.Option(metavar="NAME", help="annealed (default), snake, nearest, or a plugin's.")
    ] = None,
    dome_weight: Annotated[
        float | None,
        typer.Option(metavar="X", help="From 0, least time (default), to 1, least dome.", min=0.0, max=1.0),
    ] = None,
    model: Annotated[
        Path | None, typer.Option(metavar="MODEL", help="Add what the axes have to read, by this model.")
    ] = None,
    terms: Annotated[
        str | None,
        typer.Option(
            "--terms",
            metavar="NAME,...",
            help="What an informed design is for; default the model's terms, or the standard set.",
        ),
    ] = None,
    resume: Annotated[
        Path | None, typer.Option(metavar="RUN", help="Go on where this run of the plan stopped.")
    ] = None,
    of: Annotated[
        Path | None,
        typer.Option(
            "--plan",
            metavar="PLAN",
            help="With --resume: the plan's file; else it is made again from its points and seed.",
        ),
    ] = None,
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the plan (ECSV).")] = None,
    chart: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw the sky chart (.svg or .png).")
    ] = None,
    seed: Annotated[int, typer.Option(help="The same seed gives the same plan.", min=0)] = 0,
    as_json: JsonOption = False,
) -> None:
    """Spread points evenly over the usable sky and order them.

    Example: skysample plan site.toml --points 15 --when 2026-11-25T20:00:00 --out plan.ecsv
    """
    from skysample.fitting import load_model
    from skysample.planning import plan as make_plan

    place = _site(site)
    start = None
    if when is not None:
        from skysample.times import parse_utc

        start = parse_utc(when, key="--when")
    if of is not None and resume is None:
        raise InputError("--plan goes with --resume; give the run too, or leave --plan out", key="--plan")
    sources = _given(site, model, resume, of)
    if out is not None:
        check_place(out, sources)
    if chart is not None:
        from skysample.charts import chart_suffix

        chart_suffix(chart)
        check_place(chart, [*sources, *_given(out)])
    by = None if model is None else load_model(model)
    if resume is not None and of is not None:
        from skysample.resuming import read_plan

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
            terms=_terms(terms),
            seed=seed,
            dome_weight=dome_weight or 0.0,
        )
    if resume is not None:
        found = _resumed(found, resume, start, order, dome_weight)
    if out is not None:
        found.write(out)
    if chart is not None:
        from skysample.charts import sky_chart, write_chart

        write_chart(sky_chart(found), chart)
    choices = found.trade_off() if dome_weight is None else []
    _show(answers.plan_answer(found, choices), sentences.plan_lines(found, choices), as_json=as_json)


@app.command()
def gather(
    frames: Annotated[
        list[Path], typer.Argument(metavar="FITS...", help="Plate-solved frames.", show_default=False)
    ],
    out: Annotated[Path, typer.Option(metavar="RUN", help="Run table to write (ECSV).", show_default=False)],
    site: Annotated[
        Path | None, typer.Option("--site", metavar="SITE", help="Site file, to check the run against.")
    ] = None,
    keyword: Annotated[
        list[str],
        typer.Option(
            metavar="NAME=KEYWORD",
            help="Header keyword to read instead: target_ra, target_dec, primary, secondary, pier, exposure, begin,"
            " middle or end.",
        ),
    ] = [],  # noqa: B006 - typer reads the default, nobody changes it
    as_json: JsonOption = False,
) -> None:
    """Make a run table from plate-solved frames.

    Example: skysample gather night/*.fits --out run.ecsv
    """
    from skysample.gathering import gather_table
    from skysample.runs import Run, write_run

    place = None if site is None else _site(site)
    check_place(out, [*frames, *_given(site)])
    gathered = gather_table(frames, keywords=_keywords(keyword))
    if place is not None:
        Run.from_table(gathered.table, place)
    write_run(out, gathered.table)
    answer = {"points": len(gathered.table), "skipped": gathered.skipped, "file": str(out)}
    lines = [f"{len(gathered.table)} frames gathered into {out}."]
    lines += [f"Skipped {each['file']}: {each['reason']}." for each in gathered.skipped]
    _show(answer, lines, as_json=as_json)


@app.command()
def fit(
    run: RunArgument,
    site: SiteOption,
    terms: TermsOption = None,
    select: Annotated[
        bool, typer.Option("--select", help="Add the further terms that the run calls for; the others stay.")
    ] = False,
    out: Annotated[Path | None, typer.Option(metavar="MODEL", help="Save the model (JSON).")] = None,
    assume: AssumeOption = [],  # noqa: B006 - typer reads the default, nobody changes it
    as_json: JsonOption = False,
) -> None:
    """Fit the pointing model and score it: every term, every point.

    Example: skysample fit run.ecsv --site site.toml --select --out model.json
    """
    from skysample.fitting import fit as fit_model
    from skysample.fitting.zero_hints import zero_hints
    from skysample.leftovers import structure
    from skysample.scoring import score, sky_error, term_evidence
    from skysample.selection import select_terms
    from skysample.sky import usable_sky

    place = _site(site)
    if out is not None:
        check_place(out, [site, run])
    table = _run(run, place, assume)
    selection = select_terms(table, place, _terms(terms)) if select else None
    model = fit_model(table, place, _terms(terms)) if selection is None else selection.model
    evidence = term_evidence(model, table) if selection is None else selection.evidence
    scored, hints, left = score(model, table), zero_hints(model, place), structure(model, table)
    error = sky_error(model, usable_sky(place))
    if out is not None:
        model.save(out)
    _show(
        answers.fit_answer(model, scored, error, hints, evidence, left, selection),
        [
            *_declared(model.run.axes_kind, model.run.old_model),
            *sentences.fit_lines(model, scored, error, hints, evidence, left, selection),
        ],
        as_json=as_json,
    )


def _declared(axes_kind: str, old_model: str) -> list[str]:
    if axes_kind == "corrected" or old_model == "on":
        return ["A model was active in the mount: these terms are only what is left over that model."]
    return []


@app.command()
def polar(
    run: RunArgument,
    site: SiteOption,
    terms: TermsOption = None,
    at: Annotated[
        str | None,
        typer.Option(
            metavar="ALT,AZ", help="How far stars trail at this place; default the worst of the usable sky."
        ),
    ] = None,
    star: Annotated[
        bool, typer.Option("--star", help="Choose a star that shows the move, and say how to use it.")
    ] = False,
    when: Annotated[
        str | None,
        typer.Option(
            metavar="UTC", help="With --star: when the bolts are turned, ISO 8601; without it, now."
        ),
    ] = None,
    centring_arcsec: Annotated[
        float | None,
        typer.Option(
            metavar="X",
            help="With --star: how well it will be centred; default 2 arcsec or 2 pixels, whichever is more.",
            min=0.0,
            max=3600.0,
        ),
    ] = None,
    assume: AssumeOption = [],  # noqa: B006 - typer reads the default, nobody changes it
    as_json: JsonOption = False,
) -> None:
    """Say how far the polar axis is off, and what to turn.

    Example: skysample polar run.ecsv --site site.toml --star --when 2026-11-25T20:00:00
    """
    from skysample.fitting import fit as fit_model
    from skysample.polar_axis import polar as align
    from skysample.tracking_drift import trail

    if not star and (when is not None or centring_arcsec is not None):
        key = "--when" if when is not None else "--centring-arcsec"
        raise InputError(f"{key} goes with --star; give that too, or leave {key} out", key=key)
    trailing_at = None if at is None else _alt_az(at)
    moment = None
    if when is not None:
        from skysample.times import parse_utc

        moment = parse_utc(when, key="--when")
    place = _site(site)
    table = _run(run, place, assume)
    model = fit_model(table, place, _terms(terms))
    alignment = align(model, place)
    trails = trail(alignment, at=trailing_at)
    found, reason = _star(model, place, table, moment, centring_arcsec) if star else (None, None)
    _show(
        answers.polar_answer(alignment, found, reason, trails),
        sentences.polar_lines(alignment, found, reason, trails),
        as_json=as_json,
    )
    if reason is not None:
        raise typer.Exit(1)


def _star(
    model: FittedModel, site: Site, run: Run, when: Time | None, centring_arcsec: float | None
) -> tuple[AdjustingStar | None, str | None]:
    """A star, or the reason why there is none: the moves are told all the same."""
    from astropy import units as u
    from astropy.time import Time

    from skysample.star_alignment import adjusting_star

    centring = None if centring_arcsec is None else centring_arcsec * u.arcsec
    try:
        return adjusting_star(model, site, when or Time.now(), run, centring=centring), None
    except NoSolution as error:
        return None, str(error)


@app.command()
def size(
    site: SiteArgument,
    model: Annotated[
        Path, typer.Option(metavar="MODEL", help="Model of the pilot run (JSON).", show_default=False)
    ],
    target_arcsec: TargetOption = None,
    max_points: Annotated[
        int, typer.Option(metavar="N", help="Where to stop.", min=4, max=MOST_POINTS)
    ] = 300,
    failed_share: Annotated[
        float, typer.Option(metavar="X", help="Share of exposures that fail.", min=0.0, max=0.9)
    ] = 0.05,
    terms: TermsOption = None,
    run: Annotated[
        Path | None,
        typer.Option(
            "--run", metavar="RUN", help="The model's own run: say how few of its points would have done."
        ),
    ] = None,
    assume: AssumeOption = [],  # noqa: B006 - typer reads the default, nobody changes it
    chart: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw error against number of points (.svg or .png).")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say how many points the final model needs.

    Example: skysample size site.toml --model pilot.json --target-arcsec 1
    """
    from skysample.fitting import load_model
    from skysample.sizing import learning_curve, points_needed

    if chart is not None:
        from skysample.charts import chart_suffix

        chart_suffix(chart)
        check_place(chart, _given(site, model, run))
    place, fitted, target = _site(site), load_model(model), _target(target_arcsec)
    learning = None if run is None else learning_curve(fitted, _run(run, place, assume), place, target)
    need = points_needed(
        place, fitted, target, terms=_terms(terms), max_points=max_points, failed_share=failed_share
    )
    if chart is not None:
        from skysample.charts import size_chart, write_chart

        write_chart(size_chart(need, learning), chart)
    lines = [*([] if learning is None else sentences.learning_lines(learning)), *sentences.size_lines(need)]
    _show(answers.size_answer(need, learning), lines, as_json=as_json)


@app.command()
def progress(
    run: RunArgument,
    site: SiteOption,
    of: Annotated[
        Path, typer.Option("--plan", metavar="PLAN", help="The plan being taken (ECSV).", show_default=False)
    ],
    target_arcsec: TargetOption = None,
    terms: Annotated[
        str | None,
        typer.Option(
            "--terms", metavar="NAME,...", help="What the model is to carry; default the extended set."
        ),
    ] = None,
    assume: AssumeOption = [],  # noqa: B006 - typer reads the default, nobody changes it
    as_json: JsonOption = False,
) -> None:
    """While a run goes on: is it enough, and which points are next? Exit code 1 while it is not enough.

    Example: skysample progress run.ecsv --site site.toml --plan plan.ecsv --target-arcsec 1
    """
    from skysample.resuming import check_same_plan, read_plan, read_progress
    from skysample.stopping import progress as progress_of

    place = _site(site)
    earlier, taken = read_plan(of, place), _run(run, place, assume)
    check_same_plan(earlier, taken)
    found = progress_of(
        taken, earlier, _target(target_arcsec), terms=_terms(terms), skipped=read_progress(run).failed
    )
    _show(answers.progress_answer(found), sentences.progress_lines(found), as_json=as_json)
    if not found.enough:
        raise typer.Exit(1)


@app.command()
def compare(
    before: Annotated[
        Path, typer.Argument(metavar="BEFORE", help="Run before the adjustment.", show_default=False)
    ],
    after: Annotated[Path, typer.Argument(metavar="AFTER", help="Run after it.", show_default=False)],
    site: SiteOption,
    limit_arcmin: Annotated[
        float, typer.Option(metavar="X", help="What the total error has to be within.")
    ] = 30.0,
    assume: AssumeOption = [],  # noqa: B006 - typer reads the default, nobody changes it
    as_json: JsonOption = False,
) -> None:
    """Say whether the adjustment worked; exit code 1 if the axis is not shown to be within the limit.

    Example: skysample compare before.ecsv after.ecsv --site site.toml --limit-arcmin 5
    """
    from astropy import units as u

    from skysample.comparing import compare as compare_alignments

    place = _site(site)
    comparison = compare_alignments(
        _polar(before, place, assume), _polar(after, place, assume), limit_arcmin * u.arcmin
    )
    _show(answers.compare_answer(comparison), sentences.comparison_lines(comparison), as_json=as_json)
    if not comparison.within_limit:
        raise typer.Exit(1)


@app.command()
def history(
    models: Annotated[
        list[Path],
        typer.Argument(metavar="MODEL...", help="Two or more models of one telescope.", show_default=False),
    ],
    site: Annotated[
        Path | None, typer.Option("--site", metavar="SITE", help="Site file, to check the models against.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say what moved between models of one telescope.

    Example: skysample history march.json may.json --site site.toml
    """
    from skysample.fitting import load_model
    from skysample.movements import history as compare_models

    place = None if site is None else _site(site)
    past = compare_models([load_model(each) for each in models], place)
    _show(answers.history_answer(past), sentences.history_lines(past), as_json=as_json)


@app.command()
def tracking(
    log: Annotated[
        Path, typer.Argument(metavar="LOG", help="Tracking log (ECSV or CSV).", show_default=False)
    ],
    site: Annotated[
        Path | None, typer.Option("--site", metavar="SITE", help="Site file: refraction is taken out.")
    ] = None,
    model: Annotated[
        Path | None,
        typer.Option(metavar="MODEL", help="With --site: polar error and the rest of this model too."),
    ] = None,
    assume: Annotated[
        list[str],
        typer.Option(
            "--assume",
            metavar="KEY=VALUE",
            help="What the log does not say: source=guide|encoder, error_of=tube|star,"
            " corrections=none|model|guider|unknown, target_ra_deg, target_dec_deg (ICRS), pier=east|west.",
        ),
    ] = [],  # noqa: B006 - typer reads the default, nobody changes it
    as_json: JsonOption = False,
) -> None:
    """Say how well the mount tracks: what is left without drift, and its periods.

    Example: skysample tracking guide.csv --site site.toml --model model.json
    """
    from skysample.fitting import load_model
    from skysample.tracking_log import read_tracking_log
    from skysample.tracking_quality import tracking as judge

    place = None if site is None else _site(site)
    by = None if model is None else load_model(model)
    if by is not None and place is None:
        raise InputError("--model goes with --site; give the site too, or leave --model out", key="--model")
    found = judge(read_tracking_log(log, assume=_assumed(assume)), place, by)
    _show(answers.tracking_answer(found), sentences.tracking_lines(found), as_json=as_json)


@app.command()
def report(
    run: RunArgument,
    site: SiteOption,
    before: Annotated[
        Path | None, typer.Option(metavar="RUN", help="First run, before the adjustment.")
    ] = None,
    after: Annotated[
        Path | None,
        typer.Option(
            metavar="RUN", help="Second run, right after it, by which the number of points is decided."
        ),
    ] = None,
    earlier: Annotated[
        list[Path],
        typer.Option(metavar="MODEL", help="Earlier model, to say what moved since; may be repeated."),
    ] = [],  # noqa: B006 - typer reads the default, nobody changes it
    tracking: Annotated[
        Path | None, typer.Option(metavar="LOG", help="Tracking log, if one was taken.")
    ] = None,
    target_arcsec: TargetOption = None,
    terms: TermsOption = None,
    out: Annotated[Path, typer.Option(metavar="FILE.html", help="Page to write.")] = Path("record.html"),
    assume: AssumeOption = [],  # noqa: B006 - typer reads the default, nobody changes it
    as_json: JsonOption = False,
) -> None:
    """Write the record left with the client: one self-contained page that prints on two sheets.

    Example: skysample report final.ecsv --site site.toml --before first.ecsv --after second.ecsv
    """
    from astropy.time import Time

    from skysample.report import build_record, write_report

    check_place(out, [run, site, *_given(before, after, tracking), *earlier])
    record = build_record(
        _site(site),
        site,
        run,
        before,
        made=Time.now(),
        after_path=after,
        model_paths=earlier,
        tracking_path=tracking,
        terms=_terms(terms),
        assume=_assumed(assume),
        target=_target(target_arcsec),
    )
    write_report(record, out)
    _show({"file": str(out)}, [f"The record is in {out}."], as_json=as_json)


@app.command()
def plugins(as_json: JsonOption = False) -> None:
    """List what is installed and which hooks it answers."""
    from skysample.plugins import default_registry

    registry = default_registry()
    _show(answers.plugins_answer(registry), sentences.plugin_lines(registry), as_json=as_json)
