"""The record that is left with the client: one self-contained page about a job done."""

from __future__ import annotations

from skysample.report.page import render_report, write_report
from skysample.report.record import AxisFinding, EarlierRun, Record, SourceFile, build_record

__all__ = [
    "AxisFinding",
    "EarlierRun",
    "Record",
    "SourceFile",
    "build_record",
    "render_report",
    "write_report",
]
