"""The chart of a plan: points numbered in the order to take them, the route, and where the dome stands."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.charts.canvas import INK, PAPER, SIZES, mark, new_figure, write
from skysample.charts.sky_disc import blocked_swatch, disc_xy, legend, sheet_height_in, sky_axes
from skysample.geometry import direction

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from skysample.geometry import Array
    from skysample.planning import Plan

__all__ = ["DomeStop", "dome_stops", "sky_chart"]

_MANY = 40
_REACH = 1.4
_LABEL_RAD = 0.14
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
        Zenith in the middle, north up, east named and to the left, as seen looking up.
    """
    german = plan.site.mount.kind == "german"
    stops = dome_stops(plan)
    width = 4.8 if plan.points <= (_MANY // 2 if german else _MANY) else 6.6
    lines = 3 + german + bool(stops)
    title = f"{plan.points} points in {plan.total_s / 60.0:.1f} min"
    figure = new_figure(width, sheet_height_in(width, lines), _name(plan), _in_words(plan, stops))
    places = disc_xy(plan.grid.directions[plan.order])
    axes = sky_axes(figure, title, plan.sky, places, reach=_REACH)
    axes.plot(*places.T, color=INK, alpha=0.6, linewidth=1.1, zorder=2.5, label="route")
    _number(axes, plan, places, width)
    _mark_stops(axes, stops)
    legend(axes, _handles(german, bool(stops)))
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


def _number(axes: Axes, plan: Plan, places: Array, width_in: float) -> None:
    """Write each point's place in the order into its mark: round, or square with the tube on the west."""
    side = plan.grid.sides[plan.order]
    radius_pt = 72.0 * width_in / (2.0 * _REACH)
    spacing_pt = radius_pt * np.sqrt(plan.sky.area_sr / (2.0 * plan.points))
    apart = np.linalg.norm(places[:, None] - places, axis=-1) + 9.0 * np.eye(plan.points)
    # Two sides of the pier interleave: the closest pair decides, so that no number is hidden.
    mark_pt = float(np.clip(min(0.8 * spacing_pt, 0.95 * radius_pt * apart.min()), 9.0, 17.0))
    for number, ((x, y), each) in enumerate(zip(places, side, strict=True), start=1):
        axes.plot(
            x,
            y,
            marker="o" if each > 0 else "s",
            markersize=mark_pt * (1.0 if each > 0 else 0.88),
            markerfacecolor=INK if number == 1 else PAPER,
            markeredgecolor=INK,
            markeredgewidth=1.0,
            linestyle="none",
            zorder=3.0 + number / 1e3,
        )
        write(
            axes,
            float(x),
            float(y),
            f"{number}",
            mark_pt * (0.53 if number < 100 else 0.42),
            va="center_baseline",
            color=PAPER if number == 1 else INK,
            weight="bold",
            zorder=3.0005 + number / 1e3,
        )


def _mark_stops(axes: Axes, stops: list[DomeStop]) -> None:
    """Thick marks on the rim, each with its count; neighbours that would run into each other share a label."""
    last = -np.inf
    out = False
    for azimuths, counts in _neighbours(stops):
        for azimuth in azimuths:
            ends = np.outer([1.0, 1.07], disc_xy(direction(0.0, azimuth)))
            axes.plot(*ends.T, color=INK, linewidth=2.5, solid_capstyle="butt", zorder=2.2)
        middle = 0.5 * (azimuths[0] + azimuths[-1])
        out = not out and middle - last < _LABEL_RAD * 0.8
        last = middle
        x, y = (1.2 if out else 1.13) * disc_xy(direction(0.0, middle))
        write(axes, x, y, "+".join(f"{count}" for count in counts), SIZES["small"])


def _neighbours(stops: list[DomeStop]) -> list[tuple[list[float], list[int]]]:
    """Azimuths and counts of stops too close for labels of their own, going round from the widest gap."""
    around = sorted((azimuth % (2.0 * np.pi), count) for azimuth, count in stops)
    azimuths = np.array([azimuth for azimuth, _ in around])
    first = int(np.argmax(np.diff(azimuths, prepend=azimuths[-1:] - 2.0 * np.pi))) if around else 0
    around = [*around[first:], *((azimuth + 2.0 * np.pi, count) for azimuth, count in around[:first])]
    groups: list[tuple[list[float], list[int]]] = []
    for azimuth, count in around:
        if not groups or azimuth - groups[-1][0][0] > _LABEL_RAD / 2.0:
            groups.append(([], []))
        groups[-1][0].append(azimuth)
        groups[-1][1].append(count)
    return groups


def _handles(german: bool, dome: bool) -> list[Artist]:
    handles: list[Artist] = [
        mark("point 1: begin here", marker="o", markersize=9.0),
        mark("points, in the order to take them", marker="o", markersize=9.0, markerfacecolor=PAPER),
    ]
    if german:
        side = "square: tube on the west side"
        handles.append(mark(side, marker="s", markersize=9.0, markerfacecolor=PAPER))
    if dome:
        stop = "dome stands here, for so many points"
        handles.append(mark(stop, marker="|", markersize=8.0, markeredgewidth=3.0))
    return [*handles, blocked_swatch()]
