"""A result at hand: its readings on the vertices that were given, and how to save it.

Notes
-----
A result that can be saved is the core's `Outcome` with a few methods, in the room of one case. Who
works with arrays asks for `result.layer_mm` and `result.save(folder)`, and the core knows neither
files nor languages. Choice: a class here that adds methods and one array to `Outcome`; both doors
return it. Instead of: methods of `Outcome`, which would bring files into the core; functions that
everybody must look for. Cost: two types, where every function but these takes the plain one.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from veneercheck.case.folders import folder_for, refuse_case_folder, written_whole
from veneercheck.core.errors import RecordError, Told
from veneercheck.core.types import Alignment, Floats, Ints, Outcome, TriangleMesh, Verdict, Zone

if TYPE_CHECKING:
    import os

    from veneercheck.report import Language, Paper


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Result(Outcome):
    """An outcome whose readings can be had on the framework's vertices as they were given.

    Of a scan that was read from a file these are the vertices of `read_scan(path).mesh`. The
    refined surface with every column is `check.framework` and `check.space`.

    Parameters
    ----------
    vertex : ndarray of int64, shape (n,)
        For each vertex that was given, its number in `mesh`; −1 where no triangle uses it.
    """

    vertex: Ints = dataclasses.field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    @property
    def verdict(self) -> Verdict:
        """The outcome in a word; none of them is a release."""
        return self.check.verdict

    @property
    def alignment(self) -> Alignment:
        """How the framework lies on the wax-up, and what speaks against it."""
        return self.check.alignment

    @property
    def zones(self) -> tuple[Zone, ...]:
        """The places to change, gravest first."""
        return self.check.zones

    @property
    def mesh(self) -> TriangleMesh:
        """The framework in the wax-up's frame, refined; `check.space` has its readings."""
        return self.check.framework

    @property
    def space_mm(self) -> Floats:
        """Along the outward normal to the contour, shape (n,); NaN where not measured."""
        return self._reading("space_mm")

    @property
    def layer_mm(self) -> Floats:
        """The layer as it is judged, shape (n,); NaN where not measured."""
        return self._reading("layer_mm")

    @property
    def u_mm(self) -> Floats:
        """Standard uncertainty of `layer_mm`, shape (n,); NaN where not measured."""
        return self._reading("u_judged_mm")

    @property
    def zone(self) -> Ints:
        """Number of the zone that each vertex lies in, shape (n,); 0 outside every zone."""
        number = np.zeros(len(self.mesh.points_mm), dtype=np.int64)
        for zone in reversed(self.zones):  # where two share a vertex, the graver one has it
            number[zone.vertices] = zone.id
        given: Ints = self._given(number, 0)
        return given

    def actions(self, lang: Language = "en") -> list[str]:
        """What to do about each zone, in the words of the report."""
        from veneercheck.report.zone_words import action_words

        words = _words(lang)
        return [action_words({"action": zone.action}, words) for zone in self.zones]

    def save(
        self,
        folder: str | os.PathLike[str],
        *,
        lang: Language = "en",
        paper: Paper = "a4",
        with_report: bool = True,
    ) -> Path:
        """Write what the command line writes: data, and the report in a language.

        A result that lay there goes first; a finished case is never written over.

        Raises
        ------
        RecordError
            If the folder cannot be written; nothing half-written is left.
        """
        from veneercheck import report

        _words(lang)
        out = Path(folder)
        refuse_case_folder(out)
        with folder_for(out), written_whole(out):
            report.write_result(out, self)
            if with_report:
                report.render(out, lang=lang, paper=paper)
        return out

    def _reading(self, name: str) -> Floats:
        space = self.check.space
        if space is None:
            return np.full(len(self.vertex), np.nan)
        given: Floats = self._given(getattr(space, name), np.nan)
        return given

    def _given(self, values: Any, nothing: float) -> Any:
        """The values of the refined surface on the vertices that were given."""
        return np.where(self.vertex < 0, nothing, values[self.vertex])


def _words(lang: Language) -> Any:
    from veneercheck.report.words import LANGUAGES, Words

    if lang not in LANGUAGES:
        raise RecordError(
            Told("there is no language «{lang}».", lang=lang),
            next_step=Told("Known: {known}.", known=", ".join(LANGUAGES)),
        )
    return Words(lang)
