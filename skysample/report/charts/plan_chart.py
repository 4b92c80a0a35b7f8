"""The chart of a plan: points numbered in observing order, the route, and where the dome stands."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.geometry import direction, wrap_pi
from skysample.report.charts.canvas import INK, PAPER, SIZES, mark, write
from skysample.report.charts.sky_disc import disc_xy, freest, rim_below, rim_radius, sky_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.planning.plan_table import Plan

_MANY = 40
_REACH = 1.3
_DOT_PT = 4.5
_LARGEST_PT = 17.0
_SPACING_SHARE = 0.66
"""Of the distance between points, that a mark may take: the route must show between them."""
_NUMBER_PX, _PHONE_PX = 8.0, 400.0
"""Least height of a number on a phone, and the width of a phone."""
_MOST_BESIDE = 30


def sky_chart(plan: Plan) -> Figure:
    """Draw a plan on the whole sky.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Figure
        Zenith in the middle, north up, east to the left, as seen looking up. The disc ends a little below the
        usable sky. Where a number inside its point would be too small for a phone, every fifth, tenth or so
        stands beside its point.
    """
    stops = dome_stops(plan)
    width = 4.8 if plan.points <= _MANY else 5.6
    rim_deg = rim_below(plan.sky, plan.grid.directions)
    radius = rim_radius(rim_deg)
    places = disc_xy(plan.grid.directions[plan.order])
    unit_pt = 72.0 * width / (2.0 * _REACH * radius)
    number_pt = 72.0 * width * _NUMBER_PX / _PHONE_PX
    mark_pt = _mark_pt(plan, places, unit_pt)
    sparse = mark_pt * _digits_share(plan.points) < number_pt
    every = _every(plan.points) if sparse else 1
    spots = _spots_beside(places, every, unit_pt, number_pt) if sparse else dict(enumerate(places, start=1))
    west = plan.grid.sides[plan.order] < 0
    figure, axes = sky_axes(
        (f"{plan.site.name or 'Unnamed site'}: plan of {plan.points} points", _description(plan, stops)),
        f"{plan.points} points in {plan.total_s / 60.0:.1f} min",
        plan.sky,
        np.concatenate([places, 0.5 * (places[1:] + places[:-1]), list(spots.values())]),
        _legend(every, german=plan.site.mount.kind == "german", dome=bool(stops)),
        rim_deg=rim_deg,
        width_in=width,
        reach=_REACH,
    )
    axes.plot(*places.T, color=INK, alpha=0.6, linewidth=1.1, zorder=2.5, label="route")
    _mark_points(axes, places, west, _DOT_PT if sparse else mark_pt)
    for number, spot in spots.items():
        style: dict[str, Any] = {"on_lines": True, "zorder": 2.8}
        if not sparse:
            style = {"color": PAPER if number == 1 else INK, "zorder": 4.0}
        size = number_pt if sparse else mark_pt * _digits_share(number)
        write(axes, spot, f"{number}", size, va="center_baseline", weight="bold", **style)
    _mark_stops(axes, stops, radius, unit_pt)
    return figure


def dome_stops(plan: Plan) -> list[tuple[float, int]]:
    """Azimuths (radians) at which the dome stands, in order, each with its number of points; empty without a dome."""
    if plan.site.dome is None:
        return []
    stands = groupby(plan.schedule.dome_az.tolist(), key=lambda azimuth: round(azimuth, 9))
    return [(group[0], len(group)) for group in (list(each) for _, each in stands)]


def _description(plan: Plan, stops: list[tuple[float, int]]) -> str:
    altitude = np.degrees(np.arcsin(np.clip(plan.grid.directions[:, 2], -1.0, 1.0)))
    text = (
        f"All-sky chart, north up, east left. {plan.points} points between altitude {altitude.min():.0f} and"
        f" {altitude.max():.0f} degrees, numbered in observing order and joined by the route."
    )
    if stops:
        each = ", ".join(f"{np.degrees(azimuth) % 360.0:.0f} ({number})" for azimuth, number in stops)
        text += f" Dome azimuths in degrees, and the number of points taken from each: {each}."
    return text


def _mark_pt(plan: Plan, places: Array, unit_pt: float) -> float:
    """Size that leaves the route visible; where both sides of the pier share the sky, the closest pair decides."""
    spacing_pt = unit_pt * np.sqrt(plan.sky.area_sr / (2.0 * plan.points))
    apart = np.linalg.norm(places[:, None] - places, axis=-1) + 9.0 * np.eye(plan.points)
    return float(min(_SPACING_SHARE * spacing_pt, 0.95 * unit_pt * apart.min(), _LARGEST_PT))


def _digits_share(number: int) -> float:
    """Height of a number, of the mark that holds it."""
    return 0.53 if number < 100 else 0.42


def _every(points: int) -> int:
    """Which numbers are written where there is no room for all: every fifth, tenth and so on."""
    step = 5
    while points // step > _MOST_BESIDE:
        step *= 2
    return step


def _mark_points(axes: Axes, places: Array, west: NDArray[np.bool_], size_pt: float) -> None:
    """Mark the points: round, or square with the tube west of the pier; the first one filled."""
    first = np.arange(len(places)) == 0
    for shape, scale, chosen in (("o", 1.0, ~west), ("s", 0.88, west)):
        for face, which in ((INK, chosen & first), (PAPER, chosen & ~first)):
            axes.plot(
                *places[which].T,
                marker=shape,
                markersize=size_pt * scale,
                markerfacecolor=face,
                markeredgecolor=INK,
                markeredgewidth=1.0,
                linestyle="none",
                zorder=3.0,
            )


def _spots_beside(places: Array, every: int, unit_pt: float, number_pt: float) -> dict[int, Array]:
    """Choose where some of the numbers go: beside their points, where the points and numbers around leave most room."""
    around = np.radians(np.arange(0.0, 360.0, 30.0))
    ways = np.stack([np.cos(around), np.sin(around)], axis=-1)
    spots: dict[int, Array] = {}
    for number in (1, *range(every, len(places) + 1, every)):
        reach_pt = 0.5 * _DOT_PT + np.array([1.5 + 0.36 * number_pt * len(f"{number}"), 0.7 * number_pt])
        choice = places[number - 1] + ways * reach_pt / unit_pt
        spots[number] = choice[freest(choice, np.array([*places, *spots.values()]))[0]]
    return spots


def _mark_stops(axes: Axes, stops: list[tuple[float, int]], radius: float, unit_pt: float) -> None:
    """Mark the dome's stops on the rim, with the number of points where several, if there is room: largest first."""
    room = 2.0 * SIZES["small"] / (1.14 * radius * unit_pt)
    labelled: list[float] = []
    for azimuth, number in sorted(stops, key=lambda stop: -stop[1]):
        towards = radius * disc_xy(direction(0.0, azimuth))
        ends = np.outer([1.0, 1.06], towards)
        axes.plot(*ends.T, color=INK, linewidth=1.6, solid_capstyle="butt", zorder=2.2)
        if number > 1 and all(abs(wrap_pi(azimuth - other)) > room for other in labelled):
            labelled.append(azimuth)
            write(axes, 1.12 * towards, f"{number}", SIZES["small"])


def _legend(every: int, *, german: bool, dome: bool) -> list[Line2D]:
    points = "points, numbered in observing order" if every == 1 else f"points, every {every}th numbered"
    marks = [
        mark("point 1: start here", marker="o", markersize=9.0),
        mark(points, marker="o", markersize=9.0, markerfacecolor=PAPER),
    ]
    if german:
        marks.append(mark("square: tube west of the pier", marker="s", markersize=9.0, markerfacecolor=PAPER))
    if dome:
        marks.append(
            mark(
                "dome stands here (number: points from here)", marker="|", markersize=8.0, markeredgewidth=1.6
            )
        )
    return marks
