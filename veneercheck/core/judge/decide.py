"""Decide each zone with its uncertainty, say what to do, and sum the check up in a verdict."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence

import numpy as np

from veneercheck.core.divide.excess import GUARD
from veneercheck.core.divide.zones import Patch
from veneercheck.core.measure.metal import answer
from veneercheck.core.types import (
    BEADS,
    CAST,
    DENTINE,
    FINISHED,
    OPAQUED,
    VENEER,
    WAX,
    Answer,
    Decision,
    FindingKind,
    Ints,
    Limits,
    PlaceWords,
    Question,
    Zone,
)

_KNIFE_STEP_MM = 0.05
"""Amounts are told in steps a hand can work to."""

_FINER_MM = 0.01
"""For so little of the reserve no further step is asked."""

_ORDER = (FindingKind.OVER_CONTOUR, FindingKind.TOO_THIN, FindingKind.TOO_THICK)


STOP, CONNECTOR, BEAD = "stop", "connector", "bead"
"""What was left standing may be meant as."""


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Advised:
    """A zone before it is ranked, with the volume that the knife takes off or adds."""

    patch: Patch
    volume_mm3: float = math.nan
    metal_mm: float = math.nan
    """Least metal under the zone."""
    spot_metal_mm: float = math.nan
    metal_left_mm: float = math.nan
    """Of the worst spot: its metal, and what the least layer would leave of it."""
    spare_mm: float = math.nan
    """Of the worst spot: metal that may be taken off; NaN where it is not known or none is cut."""
    tried_mm: float = math.nan
    """What the knife takes off or adds at the worst spot, as it was tried; NaN where it was not."""
    in_all_mm: float = math.nan
    """Over contour amid the veneer: what comes off its worst spot until the veneer has room."""
    room_mm: float = math.nan
    """Over contour between collar and cut: what a veneer would need there besides."""
    slopes: Ints | None = None
    """And the vertices that lead up to it, where the veneer has no room either."""
    perhaps: str = ""
    """What its worst spot may be meant as, `STOP`, `CONNECTOR` or `BEAD`: then it is asked."""
    doubtful: bool = False
    """The pose it was read in is in doubt, by more than `u_mm` holds."""


def _nowhere(_: Ints) -> tuple[str | None, str | None, str]:
    return None, None, ""


def _never(_: Ints) -> bool:
    return False


def within_metal(
    advised: Advised, limits: Limits, surface: str | None, stage: str
) -> tuple[str, float] | None:
    """What the budget of space says instead of «take off», and what may be taken off.

    None where there is room enough, the metal's other side or the limit is not known, or the veneer
    is made.
    """
    patch = advised.patch
    if patch.finding is not FindingKind.TOO_THIN or patch.beads or not patch.known:
        return None
    if stage == FINISHED:
        return None
    left = advised.metal_left_mm
    told = answer(left, limits)
    if told is Answer.NO_ROOM:
        return _NO_ROOM.format(amount=f"{limits.least_metal_mm - left:.2f} mm"), 0.0
    if told is not Answer.METAL_TOO_THIN:
        return None
    least = f"{limits.least_metal_mm:.2f} mm"
    spare_mm = max(advised.spot_metal_mm - limits.least_metal_mm, 0.0)
    spare_mm = _KNIFE_STEP_MM * math.floor(spare_mm / _KNIFE_STEP_MM + 1e-6)
    if surface in _BETWEEN_TEETH or not spare_mm > 0:
        return _LEAVE.format(amount=f"{left:.2f} mm", least=least), 0.0
    amount, metal = f"{spare_mm:.2f} mm", f"{left:.2f} mm"
    return _AT_MOST.format(amount=amount, metal=metal, least=least), spare_mm


_BETWEEN_TEETH = ("mesial", "distal")
_AT_MOST = (
    "take off {amount} at most: the least layer would leave {metal} of metal, below its limit of "
    "{least}"
)
_LEAVE = (
    "do not cut, the least layer would leave {amount} of metal, below its limit of {least}: "
    "stain or opaquer here"
)
_NO_ROOM = "no room for metal and veneer, {amount} short: a question for the dentist or the contour"


def decide(
    advised: Sequence[Advised],
    place: PlaceWords = _nowhere,
    functional: Callable[[Ints], bool] = _never,
    *,
    stage: str,
    limits: Limits,
    doubtful: bool = False,
) -> tuple[Zone, ...]:
    """Judge every patch and rank them.

    Firm ones first, among them functional cusps, then by depth beyond the limit × area.

    Parameters
    ----------
    advised : sequence of Advised
    place : callable, optional
        Says where some vertices lie.
    functional : callable, optional
        Whether some vertices lie on functional cusps.
    stage : str
        Of the work: what can be done about a zone depends on it.
    limits : Limits
        For the least metal.
    doubtful : bool
        The pose is in doubt by more than its uncertainty says: then nothing is firm.
    """
    if doubtful:
        advised = [dataclasses.replace(one, doubtful=True) for one in advised]
    bites = [functional(one.patch.vertices) for one in advised]

    def rank(index: int) -> tuple[bool, bool, float]:
        one, patch = advised[index], advised[index].patch
        depth = max(patch.excess_mm, 0.0)
        return decision(one) is not Decision.FIRM, not bites[index], -depth * patch.area_mm2

    ranked = sorted(range(len(advised)), key=rank)
    return tuple(
        _zone(number, advised[index], place, bites[index], stage=stage, limits=limits)
        for number, index in enumerate(ranked, start=1)
    )


def decision(advised: Advised) -> Decision:
    """ISO 14253-1: firm where the mean clears the limit by 1.645 of its own uncertainty.

    That spot is the worst of many, so what noise alone makes the worst one look worse is allowed
    for first: without it 6 of 100 large zones were firm though 10 µm within their limit.
    A zone of which too little could be read, whose limit does not show, that may be a metal stop,
    a connector or a bead, or was read in a doubtful pose is undecided however far it lies beyond:
    no uncertainty holds the doubt.
    """
    firm = advised.patch.firmly_beyond and advised.patch.known
    open_yet = advised.perhaps or advised.doubtful
    return Decision.FIRM if firm and not open_yet else Decision.UNDECIDED


_STATED = {
    CAST: (FindingKind.TOO_THICK,),
    OPAQUED: (FindingKind.TOO_THIN, FindingKind.TOO_THICK),
    FINISHED: (FindingKind.TOO_THIN, FindingKind.TOO_THICK),
}
"""What a stage's words state: how much is short or over, and not what a hand works."""


def advise(advised: Advised, stage: str = WAX) -> float:
    """What the knife takes off or adds at a zone's worst spot, along its path, in mm.

    In steps of 0.05 mm, and so much that the limit is kept surely; to the contour, and not under
    it, where the framework stands out of it. What was not tried follows from the reading alone.
    Nothing where too little could be read, or the limit is not known. Where the words of the stage
    state what is short, there is no reserve in it.
    """
    patch, amount = advised.patch, advised.tried_mm
    if not patch.known:
        return 0.0
    if patch.finding in _STATED.get(stage, ()):
        return max(round(patch.excess_mm / _KNIFE_STEP_MM), 1) * _KNIFE_STEP_MM
    if not math.isfinite(amount):
        amount = patch.sure_mm * patch.path
    over = patch.finding is FindingKind.OVER_CONTOUR
    steps = amount / _KNIFE_STEP_MM if over else (amount - _FINER_MM) / _KNIFE_STEP_MM
    told = max(round(steps) if over else math.ceil(steps), 1)
    if math.isfinite(advised.spare_mm):
        told = max(min(told, math.floor(advised.spare_mm / _KNIFE_STEP_MM + 1e-6)), 1)
    return told * _KNIFE_STEP_MM


def _zone(
    number: int,
    advised: Advised,
    place: PlaceWords,
    functional: bool,
    *,
    stage: str,
    limits: Limits,
) -> Zone:
    patch = advised.patch
    x, y, z = (float(c) for c in patch.centre_mm)
    tooth, surface, words = place(patch.vertices if patch.spot is None else patch.spot)
    within = within_metal(advised, limits, surface, stage)
    amount = within[1] if within else advise(advised, stage)
    return Zone(
        id=number,
        finding=patch.finding,
        decision=decision(advised),
        area_mm2=patch.area_mm2,
        extreme_mm=patch.extreme_mm,
        u_mm=patch.u_mm,
        centre_mm=(x, y, z),
        tooth=tooth,
        surface=surface,
        place=words,
        action=within[0] if within else action_words(advised, stage),
        metal_mm=advised.metal_mm,
        metal_left_mm=advised.metal_left_mm,
        about=BEADS if patch.beads else VENEER,
        limit_mm=patch.limit_mm,
        typical_mm=patch.typical_mm,
        amount_mm=0.0 - amount if patch.finding is FindingKind.TOO_THICK else amount,
        volume_mm3=advised.volume_mm3,
        functional=functional,
        measured_share=patch.measured_share,
        across_mm=patch.across_mm,
        vertices=patch.vertices
        if advised.slopes is None
        else np.union1d(patch.vertices, advised.slopes),
    )


_ACTIONS = {
    "wax": (
        "take off {amount} of the framework",
        "add {amount} of wax to the framework",
        "take off {amount} if it is the framework that stands proud",
    ),
    "cast": (
        "grind off {amount} of metal",
        "{amount} more than the greatest layer: add metal, or build up in increments",
        "grind off {amount} of metal to reach the contour",
    ),
    "opaqued": (
        "{amount} of space short: opaquer and metal would have to come off",
        "{amount} more than the greatest layer: build up in increments",
        "{amount} of opaquer and metal out of the contour",
    ),
    "dentine": (
        "take off {amount} of dentine",
        "add {amount} of dentine",
        "take off {amount} of dentine to reach the contour",
    ),
    "finished": (
        "{amount} of composite short: build up, or veneer again",
        "{amount} of composite more than the greatest layer",
        "{amount} of metal out of the surface",
    ),
}
"""What is done about too thin, too thick and over contour at each stage of the work."""


def action_words(advised: Advised, stage: str = WAX) -> str:
    """What the hand does, such as «take off 0.35 mm of the framework»."""
    patch = advised.patch
    if patch.unlike:
        return _UNLIKE
    if not patch.known:
        said = _UNSEEN if patch.measured_share < _NOTHING else _UNREAD
        return said.format(share=f"{100 * patch.measured_share:.0f} %")
    if advised.perhaps:
        return _OR_ELSE[advised.perhaps].format(what=_what(advised, stage))
    if advised.doubtful and patch.firmly_beyond:
        return _IF_IT_HOLDS.format(what=_what(advised, stage))
    if decision(advised) is Decision.UNDECIDED:
        return (
            f"within {GUARD * patch.u_mm:.2f} mm of the limit: measure by hand or scan again; "
            f"to be sure, {_what(advised, stage)}"
        )
    return _what(advised, stage)


_OR_ELSE = {
    STOP: "built up to the contour: {what}, unless a metal stop is meant here",
    CONNECTOR: "left standing: {what}, unless it is a connector, which would lose as much",
    BEAD: "perhaps a retention bead: {what}, unless it is one",
}
_IF_IT_HOLDS = "if the two scans lie rightly: {what}"
_NOTHING = 0.005
"""A share that is told as 0 %."""

_UNREAD = "only {share} of it could be read: measure by hand or scan again"
_UNSEEN = "no contour shows over it, only beside it: measure by hand or scan again"
_UNLIKE = (
    "the two scans do not show the same here, and the limit is not known: measure by hand, or scan "
    "both alike"
)


def _what(advised: Advised, stage: str) -> str:
    patch = advised.patch
    amount = f"{advise(advised, stage):.2f} mm"
    if patch.beads:
        return f"lower the beads by {amount}, or take them off"
    thin, thick, over = _ACTIONS[stage]
    words = {FindingKind.TOO_THIN: thin, FindingKind.TOO_THICK: thick}.get(patch.finding, over)
    told = words.format(amount=amount)
    # Where a bump cannot be brought farther than to the contour, no more is said.
    worked = stage in (WAX, CAST, DENTINE)
    if worked and math.isfinite(advised.room_mm):
        return _IF_VENEER.format(
            what=told, all=f"{advise(advised, stage) + advised.room_mm:.2f} mm"
        )
    if not (worked and advised.in_all_mm > advise(advised, stage) + _KNIFE_STEP_MM):
        return told
    in_all = _KNIFE_STEP_MM * math.ceil((advised.in_all_mm - _FINER_MM) / _KNIFE_STEP_MM)
    return _IN_ALL.format(what=told, all=f"{in_all:.2f} mm")


_IN_ALL = "{what}; {all} in all to make room for the veneer"
_IF_VENEER = "{what}; {all} in all if veneer is to lie there"


def chamfers(patches: Sequence[Patch], place: PlaceWords = _nowhere) -> tuple[Question, ...]:
    """Tell where the finish line has no chamfer yet: at the wax stage no fault."""
    asked = []
    for patch in patches:
        x, y, z = (float(c) for c in patch.centre_mm)
        _, _, where = place(patch.vertices)
        asked.append(Question("chamfer", patch.area_mm2, (x, y, z), NO_CHAMFER, where))
    return tuple(asked)


NO_CHAMFER = "no chamfer at the finish line yet: it may be cut in metal after casting"
