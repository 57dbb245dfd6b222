"""The outcome written down: data first, then pictures and pages rendered from that data."""

from __future__ import annotations

from veneercheck.report.document import SCHEMA_ID, document, zones_of
from veneercheck.report.filed import FiledResult, read_result, write_result
from veneercheck.report.render import Paper, render
from veneercheck.report.words import Language

__all__ = [
    "SCHEMA_ID",
    "FiledResult",
    "Language",
    "Paper",
    "document",
    "read_result",
    "render",
    "write_result",
    "zones_of",
]
