"""The chart of a plan: points numbered in the order to take them, the route, and where the dome stands."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import direction
from skysample.report.charts.canvas import INK, PAPER, SIZES, halo, mark, new_figure, write
from skysample.report.charts.sky_disc import (
    blocked_swatch,
    disc_xy,
    legend,
    rim_below,
    rim_radius,
    sheet_height_in,
    sky_axes,
)

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from skysample.geometry import Array
    from skysample.planning.plan_table import Plan

__all__ = ["DomeStop", "dome_stops", "sky_chart"]

_MANY = 40
_REACH = 1.3
_DOT_PT = 4.5
_LARGEST_PT = 17.0
_DIGITS_SHARE = (0.53, 0.53, 0.42)
"""Size of a number of one, two and three digits in the mark that holds it."""
_SPACING_SHARE = 0.66
"""Of the distance between points, that a mark may take: the route has to be seen between them."""
_NUMBER_PX, _PHONE_PX = 8.0, 400.0
"""A number's least height on a phone, and the width of one."""
_MOST_BESIDE = 30

DomeStop = tuple[float, int]
"""Azimuth at which the dome stands, radians, and how many points in a row it serves from there."""


def sky_chart(plan: Plan) -> Figure:
    """Draw a plan on the whole sky.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Figure
        Zenith in the middle, north up, east named and to the left, as seen looking up. The disc ends a little
        below what is usable. Where a number would not be legible in its point on a phone, every fifth, tenth or
        so stands beside its point.
    """
    german = plan.site.mount.kind == "german"
    stops = dome_stops(plan)
    width = 4.8 if plan.points <= _MANY else 5.6
    rim_deg = rim_below(plan.sky, plan.grid.directions)
    radius = rim_radius(rim_deg)
    places = disc_xy(plan.grid.directions[plan.order])
    unit_pt = 72.0 * width / (2.0 * _REACH * radius)
    number_pt = 72.0 * width * _NUMBER_PX / _PHONE_PX
    mark_pt = _mark_pt(plan, places, unit_pt)
    sparse = mark_pt * _DIGITS_SHARE[len(f"{plan.points}"[:3]) - 1] < number_pt
    every = _every(plan.points) if sparse else 1
    handles = _handles(every, german=german, dome=bool(stops))
    title = f"{plan.points} points in {plan.total_s / 60.0:.1f} min"
    height = sheet_height_in(width, len(handles))
    figure = new_figure(width, height, _name(plan), _in_words(plan, stops))
    beside = _spots_beside(places, every, unit_pt, number_pt) if sparse else {}
    busy = np.concatenate([places, *(spot[None] for spot in beside.values())])
    axes = sky_axes(figure, title, plan.sky, busy, reach=_REACH, rim_deg=rim_deg)
    axes.plot(*places.T, color=INK, alpha=0.6, linewidth=1.1, zorder=2.5, label="route")
    _mark_points(axes, plan, places, _DOT_PT if sparse else mark_pt)
    if sparse:
        _number_beside(axes, beside, number_pt)
    else:
        _number_inside(axes, places, mark_pt)
    _mark_stops(axes, stops, radius, unit_pt)
    legend(axes, handles)
    return figure


def dome_stops(plan: Plan) -> list[DomeStop]:
    """Group a plan's points by where the dome stands, in order; empty without a dome."""
    if plan.site.dome is None:
        return []
    azimuth = plan.schedule.dome_az
    starts = np.flatnonzero(np.concatenate([[True], np.abs(np.diff(azimuth)) > 1e-9]))
    counts = np.diff([*starts, len(azimuth)])
    return [(float(azimuth[start]), int(count)) for start, count in zip(starts, counts, strict=True)]


def _name(plan: Plan) -> str:
    name = f"plan of {plan.points} points"
    return f"{plan.site.name}: {name}" if plan.site.name else name.capitalize()


def _in_words(plan: Plan, stops: list[DomeStop]) -> str:
    altitude = np.degrees(np.arcsin(np.clip(plan.grid.directions[:, 2], -1.0, 1.0)))
    text = (
        f"All-sky chart, north up, east left. {plan.points} points between altitude {altitude.min():.0f} and"
        f" {altitude.max():.0f} degrees, numbered in the order to take them and joined by the route."
    )
    if stops:
        each = ", ".join(f"{np.degrees(azimuth) % 360.0:.0f} ({count})" for azimuth, count in stops)
        text += f" The dome stands at azimuth (points served): {each}."
    return text


def _mark_pt(plan: Plan, places: Array, unit_pt: float) -> float:
    """Size that leaves the route visible; where two sides of the pier interleave, the closest pair decides."""
    spacing_pt = unit_pt * np.sqrt(plan.sky.area_sr / (2.0 * plan.points))
    apart = np.linalg.norm(places[:, None] - places, axis=-1) + 9.0 * np.eye(plan.points)
    return float(min(_SPACING_SHARE * spacing_pt, 0.95 * unit_pt * apart.min(), _LARGEST_PT))


def _every(points: int) -> int:
    """Which numbers are written where there is no room for all: every fifth, tenth and so on."""
    step = 5
    while points // step > _MOST_BESIDE:
        step *= 2
    return step


def _mark_points(axes: Axes, plan: Plan, places: Array, size_pt: float) -> None:
    """Mark the points: round, or square with the tube on the west; the first one filled."""
    side = plan.grid.sides[plan.order]
    for number, ((x, y), each) in enumerate(zip(places, side, strict=True), start=1):
        axes.plot(
            x,
            y,
            marker="o" if each > 0 else "s",
            markersize=size_pt * (1.0 if each > 0 else 0.88),
            markerfacecolor=INK if number == 1 else PAPER,
            markeredgecolor=INK,
            markeredgewidth=1.0,
            linestyle="none",
            zorder=3.0 + number / 1e6,
        )


def _number_inside(axes: Axes, places: Array, mark_pt: float) -> None:
    for number, (x, y) in enumerate(places, start=1):
        write(
            axes,
            float(x),
            float(y),
            f"{number}",
            mark_pt * _DIGITS_SHARE[len(f"{number}"[:3]) - 1],
            va="center_baseline",
            color=PAPER if number == 1 else INK,
            weight="bold",
            zorder=3.0 + number / 1e6 + 5e-7,
        )


def _spots_beside(places: Array, every: int, unit_pt: float, number_pt: float) -> dict[int, Array]:
    """Where to write some of the numbers: off each other, and where the points around leave most room."""
    around = np.radians(np.arange(0.0, 360.0, 30.0))
    numbers = (1, *range(every, len(places) + 1, every))
    box = np.array([0.72 * number_pt * len(f"{numbers[-1]}"), 1.1 * number_pt]) / unit_pt
    spots: dict[int, Array] = {}
    for number in numbers:
        reach_pt = 0.5 * _DOT_PT + np.array([1.5 + 0.36 * number_pt * len(f"{number}"), 0.7 * number_pt])
        choice = places[number - 1] + np.stack([np.cos(around), np.sin(around)], axis=-1) * reach_pt / unit_pt
        room = np.linalg.norm(choice[:, None] - places, axis=-1).min(axis=1)
        hidden = [(np.abs(choice - other) < box).all(axis=1) for other in spots.values()]
        free = ~np.any(hidden, axis=0) if hidden else np.ones(len(choice), bool)
        spots[number] = choice[int(np.argmax(room + free))]
    return spots


def _number_beside(axes: Axes, spots: dict[int, Array], number_pt: float) -> None:
    for number, (x, y) in spots.items():
        write(
            axes,
            float(x),
            float(y),
            f"{number}",
            number_pt,
            va="center_baseline",
            weight="bold",
            zorder=4.0,
            path_effects=halo(),
        )


def _mark_stops(axes: Axes, stops: list[DomeStop], radius: float, unit_pt: float) -> None:
    """Marks on the rim; a count where a stop serves several points, the larger first, while there is room."""
    room = 2.0 * SIZES["small"] / (1.14 * radius * unit_pt)
    labelled: list[float] = []
    for azimuth, count in sorted(stops, key=lambda stop: -stop[1]):
        towards = radius * disc_xy(direction(0.0, azimuth))
        axes.plot(
            *np.outer([1.0, 1.06], towards).T, color=INK, linewidth=1.6, solid_capstyle="butt", zorder=2.2
        )
        apart = [abs((azimuth - other + np.pi) % (2.0 * np.pi) - np.pi) for other in labelled]
        if count > 1 and all(each > room for each in apart):
            labelled.append(azimuth)
            x, y = 1.12 * towards
            write(axes, x, y, f"{count}", SIZES["small"])


def _handles(every: int, *, german: bool, dome: bool) -> list[Artist]:
    told = (
        "points, in the order to take them"
        if every == 1
        else f"points; every {every}th is numbered, in order"
    )
    handles: list[Artist] = [
        mark("point 1: begin here", marker="o", markersize=9.0),
        mark(told, marker="o", markersize=9.0, markerfacecolor=PAPER),
    ]
    if german:
        side = "square: tube on the west side"
        handles.append(mark(side, marker="s", markersize=9.0, markerfacecolor=PAPER))
    if dome:
        stop = "dome stands here (number: for so many points)"
        handles.append(mark(stop, marker="|", markersize=8.0, markeredgewidth=1.6))
    return [*handles, blocked_swatch()]
