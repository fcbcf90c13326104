"""Reports: one self-contained HTML file from a record, others to compare it with, and a build.

facts and prediction gather, drawing draws, page puts together. docs/report.md describes the page.
"""

from __future__ import annotations

from coilwright.report.making import Made, check_report_file, make_report

__all__ = ["Made", "check_report_file", "make_report"]
