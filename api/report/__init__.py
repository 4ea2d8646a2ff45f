"""The offload report: one page of HTML and one PDF that say what an offload did."""

from __future__ import annotations

from api.report.html import CONTENT_POLICY, render_html
from api.report.model import OffloadSheet, read_sheet
from api.report.pdf import draw_pdf
from api.report.write import write_report

__all__ = ["CONTENT_POLICY", "OffloadSheet", "draw_pdf", "read_sheet", "render_html", "write_report"]
