"""What the alignment tells the technician."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align.polish import Body, Polished
from veneercheck.core.align.solver import rows
from veneercheck.core.align.trust import Certainty, slippage
from veneercheck.core.types import Floats, Reason

NO_CONTACT = Reason(
    "no_contact",
    "no part of the framework coincides with the wax-up: check that both scans are of the same "
    "work, in the same unit, and that some surface was left uncut in both",
)
GIVEN_WITHOUT_CONTACT = Reason(
    "given_without_contact",
    "in the shared frame next to nothing of the framework lies on the wax-up, so the frame "
    "cannot be checked",
)
CROSSING_ONLY = Reason(
    "crossing_only",
    "the surfaces merely cross where they should coincide: no pose fits the uncut surface",
)

SWAPPED = Reason(
    "swapped",
    "where the two scans differ the framework stands outside the wax-up: were they given the "
    "wrong way round?",
)
MIRRORED = Reason(
    "mirrored",
    "the mirror image of the framework fits: was one of the scans mirrored when it was saved?",
)
PAINTED = Reason(
    "painted",
    "the fit rests on nothing but what was painted as left uncut (green): look whether that was "
    "left uncut indeed, and paint more of it",
)


def too_little(area_mm2: float) -> Reason:
    """Too little uncut surface."""
    return Reason.of(
        "too_little",
        "only {area:.1f} mm² of uncut surface found: leave more of it in the scans (collar, "
        "model base, the inside), or mark it",
        area=area_mm2,
    )


def too_loose(bound_mm: float, body: Body, last: Polished, sure: Certainty) -> Reason:
    """The uncut surface does not hold the framework firmly enough."""
    lying = rows(last.pairs.point_mm, last.pairs.normal, sure.centre_mm)[last.weight > 0]
    _, like = slippage(lying, body.radius_mm) if len(lying) else (0, "")
    return Reason.of(
        "too_loose_sliding" if like else "too_loose",
        "the uncut surface holds the framework only to ±{bound:.0f} µm (k = 2) at the "
        "farthest point, least {least}"
        + ("; it is like {like} and slides along itself" if like else ""),
        bound=2000 * bound_mm,
        least=weakest(body, last, sure),
        like=like,
    )


def rival(rival_mm2: float, best_mm2: float) -> Reason:
    """Another pose fits nearly as well."""
    return Reason.of(
        "rival",
        "another pose fits nearly as well ({rival:.0f} against {best:.0f} mm² of contact): "
        "pick three points on both scans",
        rival=max(rival_mm2, 0.0),
        best=best_mm2,
    )


def rival_near(rival_mm2: float, best_mm2: float, apart_mm: float) -> Reason:
    """Another pose fits nearly as well, so near that picked places lead to either."""
    return Reason.of(
        "rival_near",
        "another pose, {apart:.1f} mm off, fits nearly as well ({rival:.0f} against {best:.0f} mm² "
        "of contact), too near to be told apart by picked points: scan more of what was not cut "
        "(collar, model, the inside)",
        rival=max(rival_mm2, 0.0),
        best=best_mm2,
        apart=apart_mm,
    )


def left_picked(apart_mm: float) -> Reason:
    """The fit did not stay where it was started by hand."""
    return Reason.of(
        "left_picked",
        "the fit lies {apart:.1f} mm from a place picked on both scans: pick the places anew",
        apart=apart_mm,
    )


NOT_SEATED = "not_seated"


def off_its_model(off_mm: float) -> Reason:
    """Metal that does not lie to its model as the wax did."""
    return Reason.of(
        f"{NOT_SEATED}_on_model",
        "beside the cut the metal lies {off:.0f} µm otherwise to its model than in the wax-up scan:"
        " not seated, or bent; the alignment goes by the model",
        off=1000 * off_mm,
    )


def not_seated(difference_mm: float, own_used: bool) -> Reason:
    """Bridge and model do not lie to each other as they did."""
    used = (
        "the bridge's own uncut surface was used"
        if own_used
        else "the fit is a compromise between the two"
    )
    return Reason.of(
        f"{NOT_SEATED}_own" if own_used else NOT_SEATED,
        "near the cut the work lies up to {difference:.0f} µm differently from the rest than "
        "in the wax-up scan: not seated, or bent; " + used,
        difference=1000 * difference_mm,
    )


def halves(apart_mm: float) -> Reason:
    """Two halves of the reference place the framework otherwise."""
    return Reason.of(
        "halves",
        "fits on either half of the uncut surface part by {apart:.0f} µm at the farthest "
        "point: some of it was changed between the scans",
        apart=1000 * apart_mm,
    )


def parted(bound_mm: float) -> Reason:
    """Parts of the reference disagree."""
    return Reason.of(
        "parted",
        "parts of the uncut surface do not agree; by that the fit is uncertain by "
        "±{bound:.0f} µm (k = 2) at the farthest point: a scan joined askew, spray, shrinkage "
        "or bent work",
        bound=2000 * bound_mm,
    )


SIZE = "another_size"
_CASTING = 0.005
"""Metal that is smaller by more did not merely cool: common practice, no source, is 0.1 to 0.3 %
that remains where alloy and investment are not balanced to each other."""


def another_size(scale: float, scale_u: float, ends_mm: float) -> Reason:
    """One scan is larger than the other."""
    which = "larger" if scale > 1 else "smaller"
    return Reason.of(
        f"{SIZE}_is_{which}",
        "the framework is {percent:.2f} ± {sure:.2f} % (k = 2) " + which + " than the wax-up where "
        "it was not cut, which moves layers at the ends of the work by up to {ends:.0f} µm: check "
        "unit and calibration, or shrinkage; the difference is told, not applied",
        percent=100 * abs(scale - 1),
        sure=200 * scale_u,
        ends=1000 * ends_mm,
    )


def as_metal(reason: Reason) -> Reason:
    """What is told of a framework that is smaller, of one that was cast; any other as it is."""
    said = reason.values
    if reason.code != f"{SIZE}_is_smaller" or float(said["percent"]) > 100 * _CASTING:
        return reason
    return Reason.of(
        f"{SIZE}_of_metal",
        "the metal is {percent:.2f} ± {sure:.2f} % (k = 2) smaller than the wax-up where it was "
        "not cut, which moves layers at the ends of the work by up to {ends:.0f} µm: metal shrinks "
        "when it cools, and 0.1 to 0.3 % remain where alloy and investment are not balanced to "
        "each other (common practice, no source); the difference is told, not applied",
        percent=said["percent"],
        sure=said["sure"],
        ends=said["ends"],
    )


def bowed(bow_mm: float) -> Reason:
    """The span springs."""
    return Reason.of(
        "bowed",
        "the middle of the span lies {bow:.0f} µm otherwise to its ends than in the wax-up "
        "scan: bent, or sprung",
        bow=1000 * bow_mm,
    )


def part_off(part_mm: float, at_mm: Floats | None) -> Reason:
    """One part lies otherwise than the rest."""
    told = Reason.of(
        "part_off",
        "a part of the work lies {part:.0f} µm otherwise to the rest than in the wax-up scan: "
        "die not seated, bent, or one scan untrue there (a holder in it, or joined askew)",
        part=1000 * part_mm,
    )
    return dataclasses.replace(told, at_mm=at_mm)


def beside(part_mm: float, at_mm: Floats | None) -> Reason:
    """Something of which little or nothing was cut lies otherwise than the rest."""
    told = Reason.of(
        "part_off_beside",
        "something beside what was cut lies {part:.0f} µm otherwise than in the wax-up scan: "
        "another tooth, the model, such as a removable die that is not home, or a unit that was "
        "not cut and is not seated; the fit does not rest on it",
        part=1000 * part_mm,
    )
    return dataclasses.replace(told, at_mm=at_mm)


def swollen(offset_mm: float, at_mm: Floats | None) -> Reason:
    """A collar was added to or scraped."""
    side = "outside" if offset_mm > 0 else "inside"
    told = Reason.of(
        f"swollen_{side}",
        "uncut surface lies evenly {offset:.0f} µm " + side + " the wax-up in places: collar "
        "resealed or scraped",
        offset=1000 * abs(offset_mm),
    )
    return dataclasses.replace(told, at_mm=at_mm)


def two_depths(taken_mm: float, other_mm: float) -> Reason:
    """Metal that was finished, and something in the same scan that was not."""
    return Reason.of(
        "two_depths",
        "what was not cut lies {taken:.2f} mm inside the wax-up beside the cut and "
        "{other:.2f} mm far from it: finished metal and its model in one scan; scan the metal "
        "alone, or mark what was not cut",
        taken=taken_mm,
        other=other_mm,
    )


def finished_otherwise(measured_mm: float, used_mm: float) -> Reason:
    """An amount of finishing that is not the one gone by, and by which nothing fits."""
    return Reason.of(
        "finished_otherwise",
        "what was not cut lies {measured:.2f} mm inside the wax-up, not {used:.2f} mm as "
        "finishing was taken for, and by that no pose is found: scan again, or pick three "
        "points on both scans",
        measured=measured_mm,
        used=used_mm,
    )


def frame_untrue(off_mm: float) -> Reason:
    """A shared frame that the uncut surface does not confirm."""
    return Reason.of(
        "frame_untrue",
        "the shared frame is not true: the uncut surface fits best {off:.0f} µm away from it; "
        "check without --aligned",
        off=1000 * off_mm,
    )


def frame_crossing(share: float) -> Reason:
    """In the shared frame the two surfaces cross."""
    return Reason.of(
        "frame_crossing",
        "the shared frame is not true: {percent:.0f} % of the framework beside the contour "
        "stands out of it, the two scans cross; check without --aligned",
        percent=100 * share,
    )


def frame_apart(share: float) -> Reason:
    """In the shared frame the two surfaces do not lie over each other."""
    return Reason.of(
        "frame_apart",
        "the shared frame is not true: only {percent:.0f} % of the framework runs beside the "
        "wax-up; check without --aligned",
        percent=100 * share,
    )


_ALONG = ("up and down", "across the bridge", "along the bridge")
_ABOUT = ("about its upright axis", "about its cross axis", "about its long axis")


def weakest(body: Body, last: Polished, sure: Certainty) -> str:
    """The direction that the reference holds least, along the bridge's own axes."""
    scale = np.array([body.radius_mm] * 3 + [1.0] * 3)
    value, vector = np.linalg.eigh(scale[:, None] * sure.covariance * scale)
    if not np.isfinite(value).all():
        return ""
    worst = vector[:, -1]
    axes = last.motion.turn(own_axes(body))
    turn, shift = axes @ worst[:3], axes @ worst[3:]
    if np.linalg.norm(turn) > np.linalg.norm(shift):
        return "in turning " + _ABOUT[int(np.argmax(np.abs(turn)))]
    return _ALONG[int(np.argmax(np.abs(shift)))]


def own_axes(body: Body) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Principal axes of the surface as rows, the shortest extent first."""
    share = body.surface.area_mm2 / body.surface.area_mm2.sum()
    arm = body.surface.mesh.points_mm - body.centre_mm
    _, axes = np.linalg.eigh((arm * share[:, None]).T @ arm)
    return np.asarray(axes.T)
