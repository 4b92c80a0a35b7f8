"""Charts for a phone in a dark dome, a red-filtered screen and a client's folder.

Everything is drawn in one ink on paper: lightness and shape carry the meaning, never hue. matplotlib's global
state is not set, and pyplot is not used.
"""

from __future__ import annotations

from skysample.report.charts.graphs import residual_panels, size_chart
from skysample.report.charts.output import as_svg, chart_suffix, write_chart, xml_text
from skysample.report.charts.plan_chart import sky_chart
from skysample.report.charts.run_maps import coverage_map, residual_map

__all__ = [
    "as_svg",
    "chart_suffix",
    "coverage_map",
    "residual_map",
    "residual_panels",
    "size_chart",
    "sky_chart",
    "write_chart",
    "xml_text",
]
