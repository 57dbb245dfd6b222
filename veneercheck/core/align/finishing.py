"""How much finishing took off the metal everywhere, or spray added to wax: by what was not cut.

Notes
-----
A cast is fitted as it was before finishing: the surface of the whole, moved out by what was taken.
Where that is another amount than the fit goes by, the fit shifts and turns until what was not cut
touches all the same: 0.04 to 0.1 mm of difference moved trusted poses by 0.06 to 0.17 mm (two
bodies of `align_bodies`), or the bridge was told as not seated. Choice: after a fit an even
offset is solved with the pose, and where it surely differs from what was gone by, the fit is made
anew. Instead of: the profile's amount alone; a fit to an even offset, which turns until it crosses
the contour; or a wider tolerance, by which a shallow cut counts as uncut. Cost: a second fit for
most casts. On one round cap offset and shift look alike, and the profile's amount stays. A model in
the same scan is found (`taken`) and left as it is; other parts that say another amount, such as
insides of retainers that were blasted less, make the fit doubtful.

Of a large model nearly all lies as it was, and by what the profile says of finishing no pose was
found, or one 0.16 mm off. Choice: where none is found the amount is measured from the pose of the
scan as it is; where nothing is missing and nearly all of it lies far from the cut, the profile's
amount stands for the metal, of which too little may be left; and whether the metal lies on its
model as the wax did is asked (`on_model`). Instead of: nothing was taken off, as for a cast alone.
Cost: a third fit of what fails; as wide a tolerance for what counts as uncut on a cast that was not
finished.

Spray on one of two scans of wax does the same: 15 µm of it moved five sound bridges by 21 to 82 µm,
all trusted, and by 30 µm uncut wax between teeth was «too thin, take off 1.30 mm». Choice: where a
fit stands evenly proud of the contour or inside it, surely and by more than the noise of a scan,
the amount is measured as for a cast, and the fit made anew by it: 2 to 13 µm off. Instead of: an
even offset in every fit, which holds less. Cost: a second fit where there is spray; less than
10 µm is left, what the coat takes of the space is told, not taken off, and a coat that is thick on
one side alone still moves a trusted pose, 0.04 mm on top by 29 to 45 µm.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np

from veneercheck.core.align import fit, words
from veneercheck.core.align.alignment import graver
from veneercheck.core.align.on_model import shifted_mm
from veneercheck.core.align.options import AlignOptions
from veneercheck.core.align.pairs import Target
from veneercheck.core.align.polish import Body
from veneercheck.core.align.solver import SURE
from veneercheck.core.align.taken import AS_IT_WAS_MM, Taken, taken_off
from veneercheck.core.mesh.triangles import vertex_normals
from veneercheck.core.types import (
    WAX,
    Alignment,
    AlignmentState,
    Bools,
    Fault,
    Floats,
    Reason,
    RigidMotion,
    TriangleMesh,
)

Placed = Callable[[float | Floats, RigidMotion | None], Alignment]
"""Lays the framework on the wax-up, for so much taken off in mm, everywhere or at every vertex;
near a pose, if one is given."""

_SURE_MM, _ALIKE_MM = 0.01, 0.005
"""An amount is believed that is known so well, and lies so far from what the profile says."""

_SPRAY_MM, _SEEN_MM = 0.01, 0.005
"""Less spray than the first is noise; a fit that gave way to it shows some less."""

_THICKEST_MM = 0.06
"""Scan spray is hardly thicker: common practice, no source."""

_UNEVEN = 0.5
"""Of a coat, as a standard uncertainty of what is read (our estimate): sprayed from above, walls
get less."""

_MOST_FITS = 2
"""A wrong amount may turn the first fit so far that what is measured there is half the truth."""


def before(framework: TriangleMesh, taken_mm: float | Floats) -> TriangleMesh:
    """The framework as it was cast, for the fit: what was uncut then lies on the contour.

    Parameters
    ----------
    framework : TriangleMesh
    taken_mm : float or ndarray, shape (n,)
        What is missing, everywhere or at every vertex.
    """
    if not np.any(taken_mm):
        return framework
    out = np.reshape(taken_mm, (-1, 1)) * vertex_normals(framework)
    return TriangleMesh(framework.points_mm + out, framework.faces)


def by_measure(
    placed: Placed,
    framework: TriangleMesh,
    waxup: TriangleMesh,
    guess_mm: float,
    *,
    reference: Bools | None = None,
) -> tuple[Alignment, float, tuple[Fault, ...]]:
    """The pose of a cast, what it went by as taken off, and what is said of that.

    Parameters
    ----------
    placed : Placed
    framework, waxup : TriangleMesh
    guess_mm : float
        What the profile says; kept where nothing surer is found.
    reference : ndarray of bool, shape (n,), optional
        Framework vertices known to be uncut.
    """
    found, used_mm = placed(guess_mm, None), guess_mm
    start = _start(placed, found, guess_mm)
    body, target = fit.prepared(framework, waxup, AlignOptions(), reference)
    for _ in range(_MOST_FITS):
        taken = taken_off(body, target, start.waxup_from_framework)
        failed = found.state is AlignmentState.FAILED
        if taken.as_it_was is not None:
            each_mm = np.where(taken.as_it_was, 0.0, taken.mm)
            anew, used_mm, told = _of_the_metal_alone(placed, each_mm, start, used_mm)
            return _seated(anew, body, target, taken.mm), used_mm, told
        if math.isfinite(taken.other_mm) and not failed:
            return _of_two_depths(placed, taken, found), used_mm, ()
        measured_mm, least_mm = taken.mm, max(_ALIKE_MM, SURE * taken.u_mm)
        sure = taken.u_mm < _SURE_MM and abs(measured_mm - used_mm) > least_mm
        if not sure and not (failed and abs(measured_mm - used_mm) > _ALIKE_MM):
            break
        anew = placed(measured_mm, None)
        if anew.state is AlignmentState.FAILED:
            # Of two poses that are nearly alike a search may take the other one.
            anew = placed(measured_mm, start.waxup_from_framework)
        if anew.state is AlignmentState.FAILED and not sure:
            break
        if anew.state is AlignmentState.FAILED:
            return _doubted(found, words.finished_otherwise(measured_mm, used_mm)), used_mm, ()
        found = start = anew
        used_mm = measured_mm
        if taken.of_model:
            said = Fault.of("finishing", 1, _OF_MODEL, None, OF_MODEL, stated=guess_mm)
            return _seated(found, body, target, 0.0), guess_mm, (said,) if guess_mm else ()
        if found.state in (AlignmentState.TRUSTED, AlignmentState.GIVEN):
            break
    return found, used_mm, _otherwise(used_mm, guess_mm)


def by_contact(
    placed: Placed,
    framework: TriangleMesh,
    waxup: TriangleMesh,
    *,
    reference: Bools | None = None,
) -> tuple[Alignment, float, tuple[Fault, ...]]:
    """The same of two scans of wax, of which nothing was taken off: by spray on one of them.

    Parameters
    ----------
    placed, framework, waxup, reference
        As for `by_measure`.

    Returns
    -------
    found : Alignment
    inside_mm : float
        How far the uncut surface lies inside the contour; negative where it stands out.
    told : tuple of Fault
    """
    found = placed(0.0, None)
    # Beside a coated model the bridge's own fit shows too little of it.
    doubtful = found.state is AlignmentState.DOUBTFUL
    if not (doubtful or abs(found.evidence.even_mm) > _SEEN_MM):
        return found, 0.0, ()
    body, target = fit.prepared(framework, waxup, AlignOptions(), reference)
    taken = taken_off(body, target, found.waxup_from_framework)
    each_mm: float | Floats = taken.mm
    if taken.as_it_was is not None:
        each_mm = np.where(taken.as_it_was, 0.0, taken.mm)
    if not (taken.u_mm < _SURE_MM and abs(taken.mm) > max(_SPRAY_MM, SURE * taken.u_mm)):
        return found, 0.0, ()
    anew = placed(each_mm, found.waxup_from_framework)
    # A body that is larger stands out nearly evenly, too: that is told, and no spray.
    reasons = (*found.reasons, *anew.reasons)
    larger = any(reason.code.startswith(words.SIZE) for reason in reasons)
    # What stays in doubt was changed, as stops that were ground: a coat is even all over.
    if larger or anew.beyond_budget or anew.state is AlignmentState.FAILED:
        return found, 0.0, ()
    anew = dataclasses.replace(anew, evidence=dataclasses.replace(anew.evidence, even_mm=-taken.mm))
    return anew, taken.mm, (_stands_off(taken.mm),)


def of_metal(found: Alignment, stage: str) -> Alignment:
    """A pose with its reasons in the words of what was cast: after the wax what was left uncut is
    metal, whatever was built up beside it."""
    if stage == WAX:
        return found
    return dataclasses.replace(found, reasons=tuple(map(words.as_metal, found.reasons)))


def uneven_mm(told: tuple[Fault, ...]) -> float:
    """Standard uncertainty of what is read under a coat that was told; 0 where there is none."""
    return sum(_UNEVEN * float(one.values["off"]) for one in told if one.kind == "spray")


def _otherwise(used_mm: float, stated_mm: float) -> tuple[Fault, ...]:
    """That another amount was found than the profile's, if it was."""
    if used_mm == stated_mm:
        return ()
    if used_mm < -_ALIKE_MM:
        return (_stands_off(used_mm),)
    code = NOT_FINISHED if used_mm < _ALIKE_MM else "finishing"
    return (Fault.of("finishing", 1, _WORDS[code], None, code, taken=used_mm, stated=stated_mm),)


def _stands_off(inside_mm: float) -> Fault:
    """That one scan stands evenly off the other, and what may have done it."""
    code, kind = ON_WAXUP if inside_mm > 0 else ON_FRAMEWORK, "spray"
    if inside_mm > _THICKEST_MM:
        code, kind = AS_METAL, "finishing"
    return Fault.of(kind, 1, _STANDS_OFF[code], None, code, off=abs(inside_mm))


def _start(placed: Placed, found: Alignment, guess_mm: float) -> Alignment:
    """Where to measure from: where no pose is found by what the profile says, as it was scanned,
    which most of a model in the same scan lies by."""
    if found.state is not AlignmentState.FAILED or not guess_mm:
        return found
    as_scanned = placed(0.0, None)
    return found if as_scanned.state is AlignmentState.FAILED else as_scanned


def _of_two_depths(placed: Placed, taken: Taken, found: Alignment) -> Alignment:
    """The pose where two amounts are sure, and not which of the surface lacks which: by what lies
    as it was, if much does."""
    if abs(taken.other_mm) < AS_IT_WAS_MM:
        as_scanned = placed(0.0, found.waxup_from_framework)
        found = found if as_scanned.state is AlignmentState.FAILED else as_scanned
    return _doubted(found, words.two_depths(taken.mm, taken.other_mm))


def _of_the_metal_alone(
    placed: Placed, each_mm: Floats, found: Alignment, used_mm: float
) -> tuple[Alignment, float, tuple[Fault, ...]]:
    """The same where finishing left part of what was not cut as it was, such as a model."""
    anew, taken_mm = placed(each_mm, None), float(each_mm.max())
    if anew.state is AlignmentState.FAILED:
        anew = placed(each_mm, found.waxup_from_framework)
    if anew.state is AlignmentState.FAILED:
        return _doubted(found, words.two_depths(taken_mm, 0.0)), used_mm, ()
    said = Fault.of("finishing", 1, _METAL_ALONE, None, METAL_ALONE, taken=taken_mm)
    return anew, taken_mm, (said,)


def _seated(found: Alignment, body: Body, target: Target, taken_mm: float) -> Alignment:
    """A pose by the model, doubtful where the metal surely lies off its place on that."""
    if found.state is AlignmentState.FAILED:
        return found
    off_mm = shifted_mm(body, target, found.waxup_from_framework, taken_mm)
    told = any(reason.code.startswith(words.NOT_SEATED) for reason in found.reasons)
    if told or off_mm <= AlignOptions().limit_mm:
        return found
    return _doubted(found, words.off_its_model(off_mm))


def _doubted(found: Alignment, why: Reason) -> Alignment:
    state = graver(found.state, AlignmentState.DOUBTFUL)
    return dataclasses.replace(found, state=state, reasons=(why, *found.reasons))


ON_WAXUP, ON_FRAMEWORK, AS_METAL = "spray_on_waxup", "spray_on_framework", "spray_or_metal"
_STANDS_OFF = {
    ON_WAXUP: "the wax-up stands {off:.2f} mm proud of what was not cut, as scan spray leaves "
    "it, or a scan that was smoothed: the alignment goes by that. If it is spray, so much of the "
    "space told is not there: count it with the opaquer in the profile, or scan without.",
    ON_FRAMEWORK: "what was not cut stands {off:.2f} mm proud of the wax-up, as scan spray on "
    "the framework leaves it, or a scan that was smoothed: the alignment goes by that. If it is "
    "spray, so much more space is there without it.",
    AS_METAL: "what was not cut lies {off:.2f} mm inside the wax-up, everywhere alike, as metal "
    "does once it is finished: the alignment goes by that. If it is metal, say its stage.",
}

METAL_ALONE = "finishing_metal_alone"
_METAL_ALONE = (
    "finishing took {taken:.2f} mm off the metal and nothing off the rest of what was not cut, "
    "such as a model in the same scan: the alignment goes by that."
)

OF_MODEL = "finishing_of_model"
_OF_MODEL = (
    "what was not cut lies on the wax-up as it is, nearly all of it far from the cut, such as a "
    "model in the same scan: the alignment goes by that. Nothing was taken off the metal, or too "
    "little of it is left uncut to measure that: the {stated:.2f} mm of the profile stand for it."
)

NOT_FINISHED = "finishing_none"
_WORDS = {
    "finishing": "finishing took {taken:.2f} mm off everywhere, by what was not cut: that is used, "
    "and not the {stated:.2f} mm of the profile.",
    NOT_FINISHED: "nothing was taken off what was not cut, though the profile says {stated:.2f} "
    "mm: that is used. Unfinished, or scanned at another stage?",
}
