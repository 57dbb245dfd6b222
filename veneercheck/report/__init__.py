"""The outcome written down: data first, then pictures and pages rendered from that data."""

from __future__ import annotations

from veneercheck.report.filed import (
    ZONES,
    FiledResult,
    clear,
    language_of,
    read_result,
    write_result,
)
from veneercheck.report.render import Paper, render
from veneercheck.report.result import SCHEMA_ID, document, fields_page, result_schema, zones_of
from veneercheck.report.words import Language

__all__ = [
    "SCHEMA_ID",
    "ZONES",
    "FiledResult",
    "Language",
    "Paper",
    "clear",
    "document",
    "fields_page",
    "language_of",
    "read_result",
    "render",
    "result_schema",
    "write_result",
    "zones_of",
]
