"""Where a result came from, as W3C PROV in its JSON form (from memory; read back in the tests)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from veneercheck.record.canonical import canonical, sha256_of
from veneercheck.record.register import Entry

_SPACE = "urn:veneercheck:"


def provenance(check: Entry, decisions: Iterable[Entry]) -> dict[str, Any]:
    """Scans and limits, the check or plan that used them, what it made, and decisions on it.

    Parameters
    ----------
    check : Entry
    decisions : iterable of Entry

    Returns
    -------
    dict
        PROV-JSON; every entity bears its SHA-256.
    """
    body = check.body
    order, kind = body["order"], body["kind"]
    planned = kind == "plan"
    file, ended = (
        ("plan.json", body["plan"]["planned_at_utc"])
        if planned
        else ("result.json", body["result"]["checked_at_utc"])
    )
    act, made = f"vc:{kind}-{check.key}", f"vc:{'target' if planned else 'result'}-{check.key}"
    program = {"prov:type": {"$": "prov:SoftwareAgent", "type": "prov:QUALIFIED_NAME"}}
    agent = f"vc:program-{order['version']}"
    used = {
        f"vc:scan-{role}-{scan['sha256']}": {"vc:sha256": scan["sha256"], "vc:role": role}
        for role, scan in order["scans"].items()
    }
    for name in ("limits", "case"):
        sha = sha256_of(canonical(order[name]))
        used[f"vc:{name}-{sha}"] = {"vc:sha256": sha, "vc:content": canonical(order[name])}
    found: dict[str, Any] = {
        "prefix": {"vc": _SPACE},
        "entity": {**used, made: {"vc:sha256": body["files"][file]}},
        "activity": {
            act: {
                "prov:endTime": ended,
                **({} if planned else {"vc:aligned": order["aligned"]}),
            }
        },
        "agent": {agent: {**program, "vc:version": order["version"]}},
        "used": {
            f"_:used{number}": {"prov:activity": act, "prov:entity": entity}
            for number, entity in enumerate(used)
        },
        "wasGeneratedBy": {
            "_:made": {
                "prov:entity": made,
                "prov:activity": act,
                "prov:time": ended,
            }
        },
        "wasDerivedFrom": {
            f"_:from{number}": {"prov:generatedEntity": made, "prov:usedEntity": entity}
            for number, entity in enumerate(used)
        },
        "wasAssociatedWith": {"_:by": {"prov:activity": act, "prov:agent": agent}},
    }
    _add_person(found, body["who"], act, "_:who")
    for entry in decisions:
        _add_decision(found, entry, made)
    return found


def _add_person(found: dict[str, Any], who: str | None, activity: str, name: str) -> None:
    if who is None:
        return
    person = {"prov:type": {"$": "prov:Person", "type": "prov:QUALIFIED_NAME"}}
    found["agent"][f"vc:person-{who}"] = {**person, "vc:initials": who}
    found["wasAssociatedWith"][name] = {
        "prov:activity": activity,
        "prov:agent": f"vc:person-{who}",
    }


def _add_decision(found: dict[str, Any], entry: Entry, made: str) -> None:
    body: Mapping[str, Any] = entry.body
    act = f"vc:decision-{entry.key}"
    found["activity"][act] = {
        "prov:endTime": body["decided_at_utc"],
        "vc:what": body["what"],
        "vc:why": body["why"],
    }
    found["used"][f"_:weighed{entry.seq}"] = {"prov:activity": act, "prov:entity": made}
    _add_person(found, body["who"], act, f"_:decided{entry.seq}")
