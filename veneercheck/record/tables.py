"""The register's tables: a chain of entries, and rows drawn from them for searching.

Notes
-----
The chain is the record, the tables are drawn from it. A register is searched by columns, but only
what is hashed can be trusted. Choice: `entries` holds canonical JSON in a chain; the other tables
follow from it by `rows_of`, and confirming compares them. Instead of: hashes over columns, which a
migration would break. Cost: everything is stored twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Column, Float, ForeignKey, Index, Integer, MetaData, String, Table, Text

from veneercheck.record.marks import marks_of
from veneercheck.report.counted import verdict_of

METADATA = MetaData()

ENTRIES = Table(
    "entries",
    METADATA,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("key", String(64), nullable=False, unique=True),
    Column("body", Text, nullable=False),
    Column("previous", String(64), nullable=False),
    Column("hash", String(64), nullable=False, unique=True),
)
"""The record itself: `body` is canonical JSON, `hash` that of `previous` and `body` together."""


def _drawn(name: str, *columns: Column[Any]) -> Table:
    seq = Column("seq", Integer, ForeignKey("entries.seq"), primary_key=True, autoincrement=False)
    return Table(name, METADATA, seq, *columns)


CHECKS = _drawn(
    "checks",
    Column("case_number", Text, index=True),
    Column("verdict", Text, nullable=False),
    Column("alignment", Text, nullable=False),
    Column("profile", Text, nullable=False),
    Column("limits_sha256", String(64), nullable=False),
    Column("stage", Text, nullable=False),
    Column("version", Text, nullable=False),
    Column("who", Text),
    Column("checked_at_utc", Text, nullable=False, index=True),
    Column("folder", Text, nullable=False),
)
SCANS = _drawn(
    "scans",
    Column("role", String(20), primary_key=True),
    Column("file", Text, nullable=False),
    Column("sha256", String(64), nullable=False, index=True),
)
ZONES = _drawn(
    "zones",
    Column("zone", Integer, primary_key=True, autoincrement=False),
    Column("finding", Text, nullable=False),
    Column("decision", Text, nullable=False),
    Column("tooth", Text),
    Column("surface", Text),
    Column("area_mm2", Float),
    Column("extreme_mm", Float),
    Column("u_mm", Float),
)
DECISIONS = _drawn(
    "decisions",
    Column("check_key", String(64), nullable=False, index=True),
    Column("case_number", Text, index=True),
    Column("who", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("decided_at_utc", Text, nullable=False),
)
IN_ORDER_OF_BYTES = Text().with_variant(Text(collation="C"), "postgresql")
"""Text that both databases sort alike, so that an index finds what begins with some signs."""

MARKS = Table(
    "marks",
    METADATA,
    Column("seq", Integer, ForeignKey("entries.seq"), primary_key=True, autoincrement=False),
    Column("name", String(20), primary_key=True),
    Column("value", IN_ORDER_OF_BYTES, primary_key=True),
    Index("ix_marks", "name", "value", "seq"),
    sqlite_with_rowid=False,
)
"""By what any entry is found: a name, a value, and the words that stand in it."""

FORMS: Mapping[str, tuple[Table, ...]] = {
    "0001": (CHECKS, SCANS, ZONES, DECISIONS),
    "0002": (CHECKS, SCANS, ZONES, DECISIONS, MARKS),
}
"""Tables drawn from the entries, by the form of the register that has them."""

DRAWN = FORMS["0002"]

Rows = dict[str, list[dict[str, Any]]]


def rows_of(seq: int, body: Mapping[str, Any], limits_sha256: str) -> Rows:
    """The rows that one entry gives to the tables for searching, by table name."""
    marks = [{"seq": seq, "name": name, "value": value} for name, value in marks_of(body)]
    if body["kind"] == "decision":
        names = ("check_key", "case_number", "who", "what", "decided_at_utc")
        own = [{"seq": seq} | {name: body[name] for name in names}]
        return {"decisions": own, "marks": marks}
    if body["kind"] != "check":
        return {"marks": marks}
    result = body["result"]
    return {
        "marks": marks,
        "checks": [
            {
                "seq": seq,
                "case_number": result["case"]["number"],
                "verdict": verdict_of(result, body.get("standing")),
                "alignment": result["alignment"]["state"],
                "profile": result["profile"]["name"],
                "limits_sha256": limits_sha256,
                "stage": result["case"]["stage"],
                "version": result["program"]["version"],
                "who": body["who"],
                "checked_at_utc": result["checked_at_utc"],
                "folder": body["folder"],
            }
        ],
        "scans": [
            {"seq": seq, "role": role, "file": scan["file"], "sha256": scan["sha256"]}
            for role, scan in sorted(result["scans"].items())
        ],
        "zones": [_zone_row(seq, zone) for zone in result["zones"]],
    }


def _zone_row(seq: int, zone: Mapping[str, Any]) -> dict[str, Any]:
    names = ("finding", "decision", "tooth", "surface", "area_mm2", "extreme_mm", "u_mm")
    return {"seq": seq, "zone": zone["id"]} | {name: zone[name] for name in names}
