"""The command `polar`: what it takes, its JSON, its words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any

from typer import Exit, Option

from skysample.cli import inputs
from skysample.cli.check import EarlierOption, PlanOption, trust_in, trust_json, trust_lines
from skysample.cli.printing import columns, plain, sentence, show, values
from skysample.errors import InputError, NoSolution, NotDetermined

if TYPE_CHECKING:
    from collections.abc import Iterator

    from astropy.coordinates import SkyCoord
    from astropy.time import Time

    from skysample.alignment import PolarAlignment
    from skysample.alignment.star import AdjustingStar
    from skysample.alignment.star.steps import StarStep
    from skysample.tracking_errors.trails import Trails
    from skysample.trust import Trust

_ROWS_NAMED = 8


def polar(
    run: inputs.RunArgument,
    site: inputs.SiteOption,
    terms: inputs.TermsOption = None,
    at: Annotated[
        str | None, Option(metavar="ALT,AZ", help="Where stars trail; default the worst of the usable sky.")
    ] = None,
    star: Annotated[bool, Option("--star", help="Choose a star to adjust with.")] = False,
    when: Annotated[
        str | None,
        Option(metavar="UTC", help="With --star: when you turn the bolts (ISO 8601); default now."),
    ] = None,
    centring_arcsec: Annotated[
        float | None,
        Option(
            metavar="X",
            help="With --star: centring error; default the larger of 2 arcsec and 2 pixels.",
            min=0.0,
            max=3600.0,
        ),
    ] = None,
    plan: PlanOption = None,
    earlier: EarlierOption = None,
    turn_anyway: Annotated[
        str | None,
        Option(metavar="REASON", help="Give the moves although `check` says do not turn; say why."),
    ] = None,
    details: Annotated[
        bool, Option("--details", help="Also every step, intervals, terms, rejected rows and trails.")
    ] = False,
    assume: inputs.AssumeOption = None,
    as_json: inputs.JsonOption = False,
) -> None:
    """Say how far the polar axis is off, and what to turn; exit code 1 if no bolt is to be turned.

    Example: skysample polar run.ecsv --site site.toml --star --when 2026-11-25T20:00:00
    """
    from skysample.alignment import polar as align
    from skysample.fitting import fit as fit_model
    from skysample.site import load_site
    from skysample.tracking_errors.trails import trail

    if not star and (when is not None or centring_arcsec is not None):
        key = "--when" if when is not None else "--centring-arcsec"
        raise InputError(f"{key} goes with --star; give that too, or leave {key} out", key=key)
    trailing_at = None if at is None else _alt_az(at)
    moment, place = inputs.read_when(when), load_site(site)
    turn_anyway = inputs.read_reason(turn_anyway)
    table = inputs.read_run_at(run, place, assume)
    trust = trust_in(table, place, plan, None, earlier, assume)
    withheld = trust.verdict == "do not turn" and turn_anyway is None
    try:
        model = fit_model(table, place, inputs.read_terms(terms))
        alignment = align(model, place)
    except (NoSolution, NotDetermined):
        if trust.verdict != "do not turn":
            raise
        show(as_json, _untrusted_json, _untrusted_lines, trust)
        raise Exit(1) from None
    trails = trail(alignment, at=trailing_at)
    found, no_star = None, None
    if star and not withheld:
        from astropy.time import Time

        from skysample.alignment.star import adjusting_star

        try:
            found = adjusting_star(
                model, place, moment or Time.now(), table, centring=inputs.quantity(centring_arcsec)
            )
        except NoSolution as error:
            # The moves are printed all the same.
            no_star = str(error)
    answer = PolarAnswer(alignment, trails, found, no_star, trust, turn_anyway, withheld=withheld)
    show(as_json, PolarAnswer.json, detail_lines if details else first_screen, answer)
    if no_star is not None or withheld:
        raise Exit(1)


def _alt_az(text: str) -> SkyCoord:
    from astropy.coordinates import AltAz, SkyCoord

    from skysample.files.tables import as_float

    try:
        altitude, azimuth = (as_float(part.strip()) for part in text.split(","))
    except ValueError:
        altitude = azimuth = float("nan")
    if not (0.0 < altitude <= 90.0 and -360.0 <= azimuth <= 360.0):
        raise InputError(f"--at {text}: write altitude and azimuth in degrees, as in --at 45,120", key="--at")
    return SkyCoord(az=azimuth, alt=altitude, unit="deg", frame=AltAz())


@dataclass(frozen=True, eq=False)
class PolarAnswer:
    """All that `polar` knows.

    Attributes
    ----------
    alignment : PolarAlignment
    trails : Trails
    star : AdjustingStar or None
    no_star : str or None
        Why there is none, although one was asked for.
    trust : Trust or None
        None if the run was not checked.
    turn_anyway : str or None
        Why the moves are given although the inputs are not trusted.
    withheld : bool
        Whether the moves are kept back.
    """

    alignment: PolarAlignment
    trails: Trails
    star: AdjustingStar | None = None
    no_star: str | None = None
    trust: Trust | None = None
    turn_anyway: str | None = None
    withheld: bool = False

    def json(self) -> dict[str, Any]:
        """Keys of `polar --json`."""
        answer = polar_json(self.alignment, self.star, self.no_star, self.trails)
        answer |= {**trust_json(self.trust), "turn_anyway": self.turn_anyway}
        if self.withheld:
            answer |= {"moves": [], "feet": [], "hints": [], "sentences": self.sentences}
        return answer

    @property
    def sentences(self) -> list[str]:
        """Where the axis points; which way to move it only where moves are given."""
        from skysample.alignment.instructions import aim_sentences

        alignment = replace(self.alignment, moves=()) if self.withheld else self.alignment
        return list(aim_sentences(alignment))


def _untrusted_json(trust: Trust) -> dict[str, Any]:
    """Keys of `polar --json` where the run gives no axis at all."""
    return {**trust_json(trust), "moves": [], "feet": [], "sentences": [], "turn_anyway": None}


def _untrusted_lines(trust: Trust) -> Iterator[str]:
    yield from trust_lines(trust)
    yield "No moves are given."


def polar_json(
    alignment: PolarAlignment,
    star: AdjustingStar | None = None,
    no_star: str | None = None,
    trails: Trails | None = None,
) -> dict[str, Any]:
    """Keys about the axis; those of the other kind of mount are null."""
    import numpy as np

    from skysample.alignment.instructions import aim_sentences, bolt_steps, instruction
    from skysample.tracking_errors.trails import TOLERANCE_PX, trail

    trails = trails or trail(alignment)
    tracking, model = alignment.tracking, alignment.model
    stderr = np.degrees(alignment.stderr_rad) * 60.0
    ci95 = alignment.t_limit * stderr
    equatorial = alignment.equatorial
    answer = {
        **values(alignment, "altitude_error_arcmin altitude_error_refracted_arcmin altitude_stderr_arcmin"),
        **values(alignment, "azimuth_error_arcmin azimuth_stderr_arcmin total_error_arcmin left_arcmin"),
        **values(alignment, "dof condition"),
        "altitude_ci95_arcmin": plain(ci95[0]) if equatorial else None,
        "azimuth_ci95_arcmin": plain(ci95[1]) if equatorial else None,
        **values(model.run, "points used rms_arcsec"),
        "moves": [
            {
                **values(move, "adjuster direction arcmin stderr_arcmin turns bolt arcmin_per_turn"),
                **values(move, "crosstalk_arcmin"),
                "steps": list(bolt_steps(move, alignment)) or [instruction(move, alignment)],
            }
            for move in alignment.moves
        ],
        "feet": [values(foot, "az_deg raise_mm stderr_mm turns bolt") for foot in alignment.feet],
        "sentences": list(aim_sentences(alignment)),
        **values(tracking, "drift_arcsec_per_min field_rotation_deg_per_hour=rotation_deg_per_hour"),
        "drift_place": _place(tracking.drift_place_deg),
        "field_rotation_place": _place(tracking.rotation_place_deg),
        **values(trails, "refraction_drift_arcsec_per_min=refraction_arcsec_per_min"),
        **values(trails, "inherent_rotation_deg_per_hour=inherent_deg_per_hour"),
        "refraction_drift_place": _place(trails.refraction_place_deg),
        "inherent_rotation_place": _place(trails.inherent_place_deg),
        "at": _place(trails.at_deg),
        "tolerance_px": TOLERANCE_PX,
        "trails": [
            {
                **values(row, "minutes drift_arcsec turn_without_deg turn_with_deg"),
                **values(row, "enough_without_arcmin enough_with_arcmin"),
                "turn_place": _place(row.turn_place_deg),
                "corner_without_px": _pixels(row.corner_without_arcsec, trails.pixel_arcsec),
                "corner_with_px": _pixels(row.corner_with_arcsec, trails.pixel_arcsec),
            }
            for row in trails.rows
        ],
        "pole": "true" if equatorial else "zenith",
        "hints": list(alignment.hints),
        "star": None if star is None else _star_json(star),
        "no_star": no_star,
    }
    if not equatorial:
        answer |= {
            **values(alignment, "tilt_north_arcmin tilt_east_arcmin"),
            "tilt_north_stderr_arcmin": plain(stderr[0]),
            "tilt_east_stderr_arcmin": plain(stderr[1]),
            "tilt_north_ci95_arcmin": plain(ci95[0]),
            "tilt_east_ci95_arcmin": plain(ci95[1]),
            **values(alignment, "clock_error_arcsec_per_s"),
        }
    return answer


def _pixels(arcsec: float | None, pixel_arcsec: float | None) -> Any:
    return None if arcsec is None or pixel_arcsec is None else plain(arcsec / pixel_arcsec)


def _place(place: tuple[float, float] | None) -> dict[str, float] | None:
    return None if place is None else {"alt_deg": place[0], "az_deg": place[1]}


def _star_json(star: AdjustingStar) -> dict[str, Any]:
    """Keys of `star`, within `polar --json`."""
    from skysample.alignment.star.instructions import command_times
    from skysample.astrometry.times import iso

    place, view = star.place(), star.view
    return {
        **values(star, "name=star up_now pier amplification centring_arcsec model_error_arcsec"),
        **values(star, "accuracy_arcsec creep_arcsec_per_min"),
        **values(star.candidate, "magnitude"),
        "when_utc": str(iso(star.when, 0)),
        "alt_deg": plain(place.alt.deg),
        "az_deg": plain(place.az.deg),
        "camera": None
        if view is None
        else values(view, "roll_in_tube_deg=angle_deg mirrored parity_known source"),
        "commands": [
            {"utc": str(iso(moment, 0)), **_command_json(star, moment)} for moment in command_times(star)
        ],
        "whole": _step_json(star.blind) | _command_json(star),
        "steps": [
            _step_json(step) | _command_json(star, step=number) for number, step in enumerate(star.steps)
        ],
    }


def _command_json(star: AdjustingStar, moment: Time | None = None, step: int = -1) -> dict[str, Any]:
    hour_angle, dec = star.axes(moment, step)
    place = star.icrs(moment, step)
    return {
        "hour_angle_deg": plain(hour_angle),
        "dec_deg": plain(dec),
        "ra_icrs_deg": plain(place.ra.deg),
        "dec_icrs_deg": plain(place.dec.deg),
    }


def _step_json(step: StarStep) -> dict[str, Any]:
    return {
        **values(step, "share on_chip"),
        "places": [
            {
                **values(place, "moment offset_arcmin on_chip"),
                "x_px": None if place.pixels is None else plain(place.pixels[0], "x_px"),
                "y_px": None if place.pixels is None else plain(place.pixels[1], "y_px"),
            }
            for place in step.places
        ],
    }


def first_screen(answer: PolarAnswer) -> Iterator[str]:
    """The verdict, where the axis is, and what to turn, on one screen of a terminal."""
    from skysample.alignment.instructions import aim_sentences, brief_lines

    alignment, trust = answer.alignment, answer.trust
    yield from _verdict_lines(answer, 1)
    if answer.withheld:
        return
    if alignment.condition:
        yield alignment.condition
    yield _run_line(alignment)
    yield from aim_sentences(alignment)
    yield from brief_lines(alignment)
    yield from _star_lines(answer)
    if trust is None or trust.verdict == "turn":
        yield f"Good enough? {answer.trails}"
    if trust is not None and trust.cautions:
        yield f"Caution: {trust.cautions[0].partition(':')[0]} (see `skysample check`)."
    elif trust is not None and trust.verdict == "turn":
        yield trust.worth_sentence
    yield "Every step, intervals and trails: --details"


def detail_lines(answer: PolarAnswer) -> Iterator[str]:
    """All of it: the steps of each move, intervals, terms, rejected rows, and how far stars trail meanwhile."""
    from skysample.alignment.instructions import adjustment_lines

    alignment, trust = answer.alignment, answer.trust
    found = answer.json()
    yield from _verdict_lines(answer, None)
    if alignment.condition:
        yield alignment.condition
    yield _run_line(alignment)
    yield f"Terms: {', '.join(alignment.model.names)}."
    for each in alignment.model.rejected:
        yield f"Not used: row {each.row}{f' ({each.frame})' if each.frame else ''}: {each.reason}."
    yield from answer.sentences
    yield _interval_line(found)
    if not answer.withheld:
        yield from adjustment_lines(alignment)
    yield from _star_lines(answer)
    yield from _trail_lines(found, str(answer.trails))
    if trust is not None:
        yield from map(sentence, trust.cautions)
        if trust.worth_sentence:
            yield trust.worth_sentence


def _verdict_lines(answer: PolarAnswer, reasons: int | None) -> Iterator[str]:
    """The verdict and its first reasons (None: all), and why the moves are given all the same."""
    if answer.trust is None:
        return
    verdict, *causes = answer.trust.sentences
    yield verdict
    yield from causes[:reasons]
    if reasons is not None and len(causes) > reasons:
        harmful = [each.cause for each in answer.trust.causes if each.harmful]
        others = [each for each in dict.fromkeys(harmful) if each not in harmful[:reasons]]
        if others:
            yield f"Also possible: {', '.join(others)} (see `skysample check`)."
    if answer.withheld:
        yield "No moves are given. If you know better: --turn-anyway REASON"
    elif answer.turn_anyway is not None:
        yield f"Moves given all the same: {answer.turn_anyway}"


def _star_lines(answer: PolarAnswer) -> Iterator[str]:
    if answer.star is not None:
        from skysample.alignment.star.instructions import star_sentences

        yield from star_sentences(answer.star)
    if answer.no_star is not None:
        yield sentence(answer.no_star)


def _run_line(alignment: PolarAlignment) -> str:
    """Say what the answer rests on, and which rows were rejected."""
    model = alignment.model
    line = (
        f'{model.run.used} of {model.run.points} points used; residual {model.rms.value:.2f}" RMS on the sky'
    )
    rows = [str(each.row) for each in model.rejected]
    more = f" and {len(rows) - _ROWS_NAMED} more" if len(rows) > _ROWS_NAMED else ""
    listed = (
        f"; rejected: row{'s' if len(rows) > 1 else ''} {', '.join(rows[:_ROWS_NAMED])}{more}" if rows else ""
    )
    return f"{line}{listed}."


def _interval_line(answer: dict[str, Any]) -> str:
    if answer["pole"] == "zenith":
        return (
            "Check the clock before the base: an error of 1 s looks like a lean of"
            f' {answer["clock_error_arcsec_per_s"]:.1f}" to the east or west (15" a second times the cosine of the'
            " latitude)."
        )
    intervals = []
    for name in ("altitude", "azimuth"):
        error, half = answer[f"{name}_error_arcmin"], answer[f"{name}_ci95_arcmin"]
        intervals.append(f"{name} {error - half:+.2f}' to {error + half:+.2f}'")
    return (
        f"95 % intervals: {', '.join(intervals)}. These are from the true pole; from the refracted pole the altitude"
        f" error is {answer['altitude_error_refracted_arcmin']:+.2f}'."
    )


def _trail_lines(answer: dict[str, Any], verdict: str) -> Iterator[str]:
    """What the axis costs if it is left as it is, and whether this camera notices."""
    at, trails = answer["at"], answer["trails"]
    up_to = "up to " if at is None else ""
    if at is None:
        yield (
            f'With the axis left as it is, an uncorrected star drifts up to {answer["drift_arcsec_per_min"]:.2f}" a'
            f" minute ({_at(answer['drift_place'])}); with the star held in both axes, the field rotates up to"
            f" {answer['field_rotation_deg_per_hour']:.3f} deg an hour ({_at(answer['field_rotation_place'])})."
        )
    elif trails:
        longest = trails[-1]
        yield (
            f"With the axis left as it is, at altitude {at['alt_deg']:g}, azimuth {at['az_deg']:g} an uncorrected star"
            f' drifts {longest["drift_arcsec"]:.2f}" in {longest["minutes"]:g} min; with the star held in both axes,'
            f" the field rotates {longest['turn_with_deg']:.3f} deg."
        )
    yield (
        f'Refraction alone makes a star drift {up_to}{answer["refraction_drift_arcsec_per_min"]:.2f}" a minute'
        f" ({_at(answer['refraction_drift_place'])}), even on a perfect axis; tracking with the model takes it out."
    )
    if answer["inherent_rotation_place"] is not None:
        yield (
            "On an altaz the field rotates even if the base is level,"
            f" {up_to}{answer['inherent_rotation_deg_per_hour']:.0f} deg an hour"
            f" ({_at(answer['inherent_rotation_place'])}): exposures need a rotator. Below is what the lean adds."
        )
    yield f"Good enough? {verdict}"
    yield from columns(
        [
            {
                **row,
                "time": f"{60.0 * row['minutes']:g} s" if row["minutes"] < 1.0 else f"{row['minutes']:g} min",
            }
            for row in trails
        ],
        ("tracking for", "{time}"),
        ("drift", '{drift_arcsec:.2f}"'),
        ("corner", "{corner_without_px:.2f} px"),
        ("enough", "{enough_without_arcmin:.3g}'"),
        ("turn*", "{turn_with_deg:.2g} deg"),
        ("corner*", "{corner_with_px:.2f} px"),
        ("enough*", "{enough_with_arcmin:.3g}'"),
    )
    note = "* tracking in both axes, with the model or a guider. Turn: how far the field rotates"
    if any(row["enough_with_arcmin"] is not None for row in trails):
        note += "; corner: how far a star in the corner of the chip trails; enough: the axis error below which none"
        note += " trails by more than half a pixel"
    yield f"{note}."


def _at(place: dict[str, float]) -> str:
    return f"alt {place['alt_deg']:.0f}, az {place['az_deg']:.0f}"
