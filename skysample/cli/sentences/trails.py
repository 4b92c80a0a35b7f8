"""What a polar error costs, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from skysample.cli.sentences.columns import columns

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.alignment import PolarAlignment
    from skysample.tracking_errors.trails import Trails

__all__ = ["trail_lines"]


def trail_lines(alignment: PolarAlignment, trails: Trails) -> Iterator[str]:
    """Say what the axis costs if it is left as it is, and whether this camera notices."""
    if trails.at_deg is None:
        tracking = alignment.tracking
        yield (
            f'Left as it is, an uncorrected star drifts up to {tracking.drift_arcsec_per_min:.2f}" a minute'
            f" ({_at(tracking.drift_place_deg)}) and, with the star held in both axes, the field turns up to"
            f" {tracking.rotation_deg_per_hour:.3f} deg an hour ({_at(tracking.rotation_place_deg)})."
        )
    elif trails.rows:
        longest = trails.rows[-1]
        yield (
            f"At altitude {trails.at_deg[0]:g}, azimuth {trails.at_deg[1]:g}, left as it is, an uncorrected star drifts"
            f' {longest.drift_arcsec:.2f}" in {longest.minutes:g} min and, with the star held in both axes, the field'
            f" turns {longest.turn_with_deg:.3f} deg."
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
