"""The commands that show one check, and the entries of one kind."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

from veneercheck.cli.finding import AsJson, LangOption, Since, Until, table
from veneercheck.cli.options import Lang, tell
from veneercheck.cli.plans import plain_plan
from veneercheck.cli.register import DEFAULT_REGISTER, CaseArgument, RegisterOption, open_register

if TYPE_CHECKING:
    from collections.abc import Mapping

    from veneercheck.record import Entry, Register
    from veneercheck.report.words import Words


def show_command(
    case: CaseArgument,
    register: RegisterOption = DEFAULT_REGISTER,
    as_json: AsJson = False,
    lang: LangOption = Lang.EN,
) -> None:
    """Show what is on record of a case: with what, by which limits, who decided, what is kept."""
    from veneercheck.record.located import folder_of, number_of
    from veneercheck.record.planning import PLAN, one_check_or_plan
    from veneercheck.record.plans_found import found_plan
    from veneercheck.record.standing import entries_with
    from veneercheck.report.standing import check_rows, plan_rows
    from veneercheck.report.words import Words

    with open_register(register) as opened:
        check = one_check_or_plan(opened, case)
        number = number_of(check)
        planned = entries_with(opened, kind=PLAN, case_number=number) if number else []
        plans = [plain_plan(opened, found_plan(one)) for one in planned if one.key != check.key]
        decisions = [
            {**one.body, "entry": one.seq, **_signed(opened, one)}
            for one in opened.decisions_on(check.key)
        ]
        folder, kept = str(folder_of(opened, check)), _kept(opened, check)
    if as_json:
        shown = {
            "entry": {"seq": check.seq, "key": check.key, "hash": check.hash},
            "folder": folder,
            **kept,
            check.body["kind"]: check.body,
            "decisions": decisions,
            "plans": plans,
        }
        tell(json.dumps(shown, indent=1, ensure_ascii=False))
        return
    words = Words(lang.value)
    rows = plan_rows if check.body["kind"] == PLAN else check_rows
    facts = rows(check.key, check.body, words)
    facts.append([words("records.entry"), f"{check.seq}, {check.hash}"])
    facts.append([words("records.folder"), folder])
    if (gone := kept["disposed"]) is not None:
        told = words(
            "records.gone_by",
            who=gone["who"],
            day=words.day(gone["entered_at_utc"]),
            why=gone["why"],
        )
        facts.append([words("records.gone"), told])
    if (held := kept["held"]) is not None:
        facts.append([words("records.held"), f"{held['who']}, {held['why']}"])
    facts += [[words("records.plan"), f"{one['key'][:12]}, {one['folder']}"] for one in plans]
    table([words("records.what"), words("records.value")], facts)
    if check.body["kind"] == PLAN:
        return  # a plan is checked, and the check is decided on
    tell("")
    if not decisions:
        tell(words("records.not_decided"))
        return
    heads = ("decided", "who", "signed", "decision", "why")
    table([words(f"records.{name}") for name in heads], [_decided(one, words) for one in decisions])


def _decided(one: Mapping[str, Any], words: Words) -> list[str]:
    signed = (
        f"{one['signed_by']}, {words.known('role', one['role'])}"
        if one["signed_by"]
        else words("format.none")
    )
    when = words.minute(one["decided_at_utc"])
    return [when, one["who"], signed, words.known("decided", one["what"]), one["why"]]


def _signed(register: Register, entry: Entry) -> dict[str, str | None]:
    """Who signed an entry, and in which role they stood on record at that place."""
    from veneercheck.record.signing import role_at

    by = (entry.body.get("signature") or {}).get("by")
    return {"signed_by": by, "role": role_at(register, by, entry.seq) if by else None}


def _kept(register: Register, check: Entry) -> dict[str, Any]:
    """The hold that stands on a check, and the entry by which its files went."""
    from veneercheck.record.keeping import disposal_of, hold_of

    gone, held = disposal_of(register, check.key), hold_of(register, check.key)
    return {"disposed": gone.body if gone else None, "held": held.body if held else None}


_MOMENTS = ("entered_at_utc", "decided_at_utc")


def entries_command(
    kind: Annotated[
        str,
        typer.Argument(
            help="check, plan, decision, person, scanner, calibration, limits, approval, "
            "verification, repeatability, hold or disposal."
        ),
    ],
    register: RegisterOption = DEFAULT_REGISTER,
    since: Since = None,
    until: Until = None,
    as_json: AsJson = False,
    lang: LangOption = Lang.EN,
) -> None:
    """List the entries of one kind, who made and who signed each."""
    from veneercheck.record.standing import entries_with
    from veneercheck.report.words import Words

    with open_register(register) as opened:
        known = entries_with(opened, kind=kind)
    found = [one for one in known if _within(_when(one.body), since, until)]
    if as_json:
        shown = [{"seq": one.seq, "key": one.key, "hash": one.hash, **one.body} for one in found]
        tell(json.dumps(shown, indent=1, ensure_ascii=False))
        return
    words = Words(lang.value)
    table(
        [words(f"records.{name}") for name in ("entry", "when", "who", "signed", "what")],
        [_entry_cells(one.seq, one.body, words) for one in found],
    )
    tell(words("records.count", count=len(found)))


def _when(body: Mapping[str, Any]) -> str:
    when = next((body[name] for name in _MOMENTS if name in body), "")
    return str(when or body.get("result", {}).get("checked_at_utc", ""))


def _within(when: str, since: str | None, until: str | None) -> bool:
    """Whether a moment lies between two days, both included."""
    return (since is None or when >= since) and (until is None or when[: len(until)] <= until)


def _entry_cells(seq: int, body: Mapping[str, Any], words: Words) -> list[str]:
    when, none = _when(body), words("format.none")
    left_out = (*_MOMENTS, "kind", "who", "signature")
    told = [
        f"{name} {value}"
        for name, value in body.items()
        if name not in left_out and isinstance(value, str | int | float) and value != ""
    ]
    signed = (body.get("signature") or {}).get("by", none)
    who = body.get("who") or body.get("initials") or none
    return [str(seq), words.minute(when) if when else none, who, signed, ", ".join(told)]
