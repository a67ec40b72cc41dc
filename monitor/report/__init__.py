"""The report: a study as one HTML file that needs no network."""

from monitor.report.page import report_html

__all__ = ["report_html"]
