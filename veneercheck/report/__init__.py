"""The outcome written down: data first, then pictures and pages rendered from that data."""

from __future__ import annotations

from veneercheck.report.document import SCHEMA_ID, document, zones_of
from veneercheck.report.filed import (
    ZONES,
    FiledResult,
    clear,
    language_of,
    read_result,
    write_result,
)
from veneercheck.report.render import Paper, render
from veneercheck.report.words import Language

__all__ = [
    "SCHEMA_ID",
    "ZONES",
    "FiledResult",
    "Language",
    "Paper",
    "clear",
    "document",
    "language_of",
    "read_result",
    "render",
    "write_result",
    "zones_of",
]
