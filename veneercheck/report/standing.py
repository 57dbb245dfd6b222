"""With what, by which limits and by whom a check was made, as its report tells it."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

from veneercheck.report.counted import verdict_of
from veneercheck.report.words import Words

CODE = "code.svg"

_CODE_STARTS = "VENEERCHECK:"
"""What tells this code from any other; capital letters and digits make it the smallest."""

_OF_STATE = {"absent": "absent", "out of date": "overdue", "failed": "failed"}


def standing_cautions(document: Mapping[str, Any], words: Words) -> list[str]:
    """What must be said on the first page of what the check was made with."""
    told = document.get("standing")
    if not told:
        return []
    found = [words("standing.undecided")] if told["undecided"] else []
    scanner, calibration = told["scanner"], told["calibration"]
    if scanner is None:
        found.append(words("standing.no_scanner"))
    elif calibration["state"] in _OF_STATE:
        until = calibration.get("valid_until", "")
        key = f"standing.{_OF_STATE[calibration['state']]}"
        found.append(words(key, scanner=scanner["name"], until=until))
    if told["limits"]["state"] != "approved":
        found.append(words("standing.limits_unapproved", profile=told["limits"]["profile"]))
    return found


def standing_rows(document: Mapping[str, Any], words: Words) -> list[list[str]]:
    """Names and values: program, who, key, materials, scanner, limits, decision, hashes."""
    told, case = document.get("standing") or {}, document["case"]
    lots = ", ".join(f"{name} {lot}" for name, lot in (case.get("lots") or {}).items())
    decided = [
        f"{words.known('decided', one['what'])}, {one['who']}, {words.day(one['decided_at_utc'])}"
        for one in document.get("decisions", [])
    ]
    values = {
        "program": " ".join(document["program"].values()),
        "who": told.get("who"),
        "key": told.get("key"),
        "alloy": case.get("alloy"),
        "composite": case.get("composite"),
        "shade": case.get("shade"),
        "lots": lots,
        "scanner": _scanner(told, words),
        "calibration": _calibration(told, words),
        "limits": _limits(told, words),
        "decision": decided[-1] if decided else words("standing.none_yet") if told else "",
    }
    hashes = {"result.json": told["result_sha256"]} if told else {}
    hashes |= {scan["file"]: scan["sha256"] for scan in document["scans"].values()}
    rows = [[words(f"standing.{name}"), str(value)] for name, value in values.items() if value]
    return [*rows, *([f"{words('standing.hashes')} {name}", sha] for name, sha in hashes.items())]


def check_rows(key: str, body: Mapping[str, Any], words: Words) -> list[list[str]]:
    """What is on record of a check: its case and verdict, then what its printed report tells.

    Parameters
    ----------
    key : str
    body : mapping
        Of the check's entry.
    words : Words
    """
    result, case, none = body["result"], body["result"]["case"], words("format.none")
    standing = {"who": body["who"], **(body.get("standing") or {}), "key": key,
                "result_sha256": body["files"].get("result.json", none)}  # fmt: skip
    first = {
        "checked": words.moment(result["checked_at_utc"]),
        "case": case["number"] or none,
        "units": " ".join(str(unit) for unit in case.get("units") or ()) or none,
        "verdict": words.known("verdict_short", verdict_of(result, body.get("standing"))),
        "stage": words.known("stage", case["stage"]),
    }
    if "limits" not in standing:
        first["limits"] = result["profile"]["name"]
    rows = [[words(f"records.{name}"), value] for name, value in first.items()]
    rows += _imported(body, words)
    told = standing_rows({**result, "standing": standing, "decisions": []}, words)
    return rows + [row for row in told if row[0] != words("standing.decision")]


def plan_rows(key: str, body: Mapping[str, Any], words: Words) -> list[list[str]]:
    """What is on record of a plan: names and values.

    Parameters
    ----------
    key : str
    body : mapping
        Of the plan's entry.
    words : Words
    """
    plan, case, none = body["plan"], body["order"]["case"], words("format.none")
    lots = ", ".join(f"{name} {lot}" for name, lot in (case.get("lots") or {}).items())
    values = {
        "records.planned": words.moment(plan["planned_at_utc"]),
        "records.case": body["case_number"] or none,
        "records.units": " ".join(str(unit) for unit in case.get("units") or ()) or none,
        "records.conflicts": words.count(len(plan["conflicts"])),
        "records.limits": plan["limits"]["name"],
        "standing.program": plan["program"],
        "standing.who": body["who"] or none,
        "standing.key": key,
        **{f"standing.{name}": case.get(name) for name in ("alloy", "composite", "shade")},
        "standing.lots": lots,
    }
    rows = [[words(name), str(value)] for name, value in values.items() if value]
    hashes = {"plan.json": body["files"].get("plan.json", none)}
    hashes |= {one["called"]: one["sha256"] for one in body["order"]["scans"].values()}
    rows += [[f"{words('standing.hashes')} {name}", sha] for name, sha in hashes.items()]
    return rows + _imported(body, words)


def _imported(body: Mapping[str, Any], words: Words) -> list[list[str]]:
    """Where an entry of another register came from."""
    if (origin := body.get("imported")) is None:
        return []
    from_there = words("records.from_there", mark=origin["register"][:12], seq=origin["seq"],
                       who=origin["who"], day=words.day(origin["imported_at_utc"]))  # fmt: skip
    return [[words("records.imported"), from_there]]


def code_words(document: Mapping[str, Any]) -> str | None:
    """What the code on paper says: the check's key and its result's hash; None without a key.

    Examples
    --------
    >>> code_words({"standing": {"key": "ab", "result_sha256": "cd"}})
    'VENEERCHECK:AB:CD'
    """
    told = document.get("standing") or {}
    return f"{_CODE_STARTS}{told['key']}:{told['result_sha256']}".upper() if "key" in told else None


def read_code(words: str) -> tuple[str, str] | None:
    """The key of the check and the SHA-256 that a code says; None where it is another code.

    Examples
    --------
    >>> read_code("VENEERCHECK:AB:CD")
    ('ab', 'cd')
    """
    start, _, rest = words.strip().partition(":")
    key, _, sha = rest.partition(":")
    return (key.lower(), sha.lower()) if f"{start}:" == _CODE_STARTS and key and sha else None


def code_svg(words: str) -> str:
    """The code as a drawing; a fifth of it may be unreadable (level Q of ISO/IEC 18004)."""
    import segno

    drawn = io.BytesIO()
    segno.make(words, error="q", micro=False).save(drawn, kind="svg", scale=4, xmldecl=False)
    return drawn.getvalue().decode("utf-8")


def can_code() -> bool:
    """Whether the library that draws codes is installed."""
    import importlib.util

    return importlib.util.find_spec("segno") is not None


def _scanner(told: Mapping[str, Any], words: Words) -> str:
    scanner = told.get("scanner")
    if not scanner:
        return ""
    serial = scanner.get("serial")
    return (
        f"{scanner['name']}, {words('standing.serial', serial=serial)}"
        if serial
        else scanner["name"]
    )


def _calibration(told: Mapping[str, Any], words: Words) -> str:
    found = told.get("calibration")
    if not found:
        return ""
    state = words.known("calibration", found["state"])
    if "measured_on" not in found:
        return state
    return words(
        "standing.calibrated",
        state=state,
        artefact=found["artefact"],
        measured=found["measured_on"],
        until=found["valid_until"],
    )


def _limits(told: Mapping[str, Any], words: Words) -> str:
    found = told.get("limits")
    if not found:
        return ""
    if found["state"] == "approved":
        return words(
            "standing.approved",
            profile=found["profile"],
            revision=found["revision"],
            by=found["approved_by"],
            day=words.day(found["approved_at_utc"]),
        )
    name = "unapproved" if found["revision"] else "built_in"
    return words(f"standing.{name}", profile=found["profile"], revision=found["revision"])
