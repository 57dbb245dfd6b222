"""The table of the veneer trials."""

from __future__ import annotations

from typing import Any

import numpy as np

Lines = list[dict[str, Any]]

CLEAR_MM = 0.1
"""From here on a sound bridge is clear of its limit, and should not be undecided."""

TRUE_MM2 = 0.25
"""Where the plan is beyond its limit over so much, a zone is no false one: where two cuts meet."""

SPARE_MM = 0.15
"""No amount may exceed the true need by more."""


TOO_DEEP_MM = 0.1
"""No place without support is told deeper than any contour there lies over metal, by more."""


def table(lines: Lines) -> str:
    """Sound and faulty bridges, class by class, and every false zone and missed fault."""
    torn = [line["name"] for line in lines if "torn" in line]
    lines = [line for line in lines if "torn" not in line]
    sound = [line for line in lines if "faults" not in line]
    faulty = [line for line in lines if "faults" in line]
    left_out = [f"left out, torn by their own plan: {', '.join(torn)}"] if torn else []
    return "\n".join(
        [*(_sound(sound) if sound else []), *(_faulty(faulty) if faulty else []), *left_out]
    )


def _firm(line: dict[str, Any], zones: str = "zones") -> Lines:
    """Firm zones of a sound bridge, but for those where its own plan is short of the limit."""
    return [zone for zone in line[zones] if zone["firm"] and zone["need_area"] < TRUE_MM2]


def still_left(line: dict[str, Any], round_: str = "left") -> Lines:
    """What is left after the knife, unless it was said that no cut makes room; elsewhere a cut to
    the limit itself may stay undecided."""
    clear = line["margin"] >= CLEAR_MM - 1e-9
    return [
        zone
        for zone in line.get(round_, [])
        if (zone["firm"] or zone.get("on_fault") or clear) and not zone.get("no_room")
    ]


def _sound(lines: Lines) -> list[str]:
    rows = [
        f"{'sound bridges':<18}{'trials':>7}{'false firm':>11}{'undecided':>10}"
        f"{'of clear':>14}{'amount off':>11}{'worst mm':>9}{'seconds':>8}"
    ]
    groups = [*((name, [ln for ln in lines if ln["class"] == name]) for name in _of(lines))]
    groups += [
        (f"margin {m:g}", [ln for ln in lines if ln["margin"] == m])
        for m in sorted({line["margin"] for line in lines})
    ]
    groups += [
        (kind, [ln for ln in lines if ln["runout"] == kind])
        for kind in sorted({line["runout"] for line in lines})
    ]
    groups += [
        (kind or "nothing added", [ln for ln in lines if _extra(ln) == kind])
        for kind in sorted({_extra(line) for line in lines})
    ]
    rows += [_sound_row(name, mine) for name, mine in [*groups, ("all", lines)]]
    rows += [
        f"  {line['name']}: {line['runout']} {line['width']}, margin {line['margin']}, "
        f"{line['scan']}: {_zone(zone)}"
        for line in lines
        for zone in _firm(line)
    ]
    return rows + _unsupported(lines)


def _unsupported(lines: Lines) -> list[str]:
    """What was told of composite without support, and how often it is not so."""
    told = [spot for line in lines for spot in line.get("spots", ())]
    if not told:
        return []
    asked = [spot for spot in told if spot["weight"] == "finding"]
    bridges = sum(any(s["weight"] == "finding" for s in line.get("spots", ())) for line in lines)
    wrong = [spot for spot in told if spot["value"] > spot["deepest"] + TOO_DEEP_MM]
    return [
        f"without support: {len(told)} places, wax asked for at {len(asked)} in {bridges} bridges; "
        f"told deeper than they are: {len(wrong)}"
    ]


def _extra(line: dict[str, Any]) -> str:
    last = line["scan"].rpartition(", ")[2]
    return "" if "µm" in last or last == "posed" else last


def _sound_row(name: str, lines: Lines) -> str:
    false = sum(bool(_firm(line)) for line in lines)
    open_ = sum(any(not zone["firm"] for zone in line["zones"]) for line in lines)
    clear = [line for line in lines if line["margin"] >= CLEAR_MM - 1e-9]
    of_clear = sum(any(not zone["firm"] for zone in line["zones"]) for line in clear)
    off = sum(line["amount_beyond"] > SPARE_MM for line in lines)
    worst = max(line["amount_beyond"] for line in lines)
    seconds = np.median([line["seconds"] for line in lines])
    share = f"{of_clear} of {len(clear)}"
    return (
        f"{name:<18}{len(lines):>7}{false:>11}{open_:>10}{share:>14}{off:>11}{worst:>9.2f}"
        f"{seconds:>8.1f}"
    )


def _of(lines: Lines) -> list[str]:
    return list(dict.fromkeys(line["class"] for line in lines))


def _zone(zone: dict[str, Any]) -> str:
    return (
        f"{zone['finding']} {zone['extreme']:.2f} ± {2 * zone['u']:.2f} "
        f"(true {zone['true']:.2f}, limit {zone['limit']:.2f}, need {zone['need']:.2f} over "
        f"{zone['need_area']:.1f}), {zone['area']:.2f} mm², "
        f"amount {zone['amount']:+.2f}, {zone['from_line']:.1f} from the line, at {zone['at']} "
        f"{zone['place']}"
    )


def _faulty(lines: Lines) -> list[str]:
    rows = [
        f"{'faulty bridges':<18}{'faults':>7}{'found':>7}{'pointed':>9}{'within ±':>10}"
        f"{'extra':>7}{'worked':>8}{'left':>6}{'again':>7}{'below':>7}{'above':>7}"
        f"{'amount off':>11}"
    ]
    for name in [*_of(lines), None]:
        mine = [line for line in lines if name in (None, line["class"])]
        rows.append(_faulty_row(name or "all", [f for ln in mine for f in ln["faults"]], mine))
    for kind in ("too_thin", "too_thick", "over_contour"):
        rows.append(
            _faults_row(kind, [f for ln in lines for f in ln["faults"] if f["kind"] == kind])
        )
    rows += [
        f"  {line['name']}: {fault['kind']} by {fault['beyond']} over {fault['area']} mm²: "
        f"{_told(fault)}"
        for line in lines
        for fault in line["faults"]
        if not (fault["found"] and fault["pointed"] and fault["within_u"])
    ]
    rows += [
        f"  {line['name']}: extra {_zone(zone)}" for line in lines for zone in _firm(line, "extra")
    ]
    rows += [
        f"  {line['name']}: left {'firm' if zone['firm'] else 'undecided'} {_zone(zone)}: "
        f"{zone.get('action', '')}"
        for line in lines
        for zone in still_left(line)
    ]
    return rows


def _told(fault: dict[str, Any]) -> str:
    if not fault["found"]:
        return "not found"
    return (
        f"read {fault['read']:.2f} for {fault['true']:.2f}, "
        f"pointer {fault['off_pointer']:+.1f} mm from its flat part"
    )


def _faults_row(name: str, faults: Lines) -> str:
    found = [fault for fault in faults if fault["found"]]
    pointed = sum(fault["pointed"] for fault in found)
    within = sum(fault["within_u"] for fault in found)
    return f"{name:<18}{len(faults):>7}{len(found):>7}{pointed:>9}{within:>10}"


def _faulty_row(name: str, faults: Lines, lines: Lines) -> str:
    worked = [line for line in lines if "left" in line]
    return (
        _faults_row(name, faults)
        + f"{sum(bool(_firm(line, 'extra')) for line in lines):>7}{len(worked):>8}"
        + f"{sum(bool(still_left(line)) for line in worked):>6}"
        + f"{sum(bool(still_left(line, 'left again')) for line in worked):>7}"
        + f"{sum(line['ends_below'] > 0 for line in worked):>7}"
        + f"{sum(line['ends_above'] > 0 for line in worked):>7}"
        + f"{sum(line['amount_beyond'] > SPARE_MM for line in lines):>11}"
    )
