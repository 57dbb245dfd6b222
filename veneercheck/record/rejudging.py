"""Which checks on record would read otherwise under other limits; nothing on record changes.

Notes
-----
A check is carried out again unless its map shows that it need not be. Limits reach into regions,
readings and zones, and of all that a map keeps only what came out. Choice: where nothing but the
greatest layer differs and no place comes near either of the two, the map suffices; else it is
checked again. Instead of: judging the map alone, which would give other zones than a check. Cost: a
least layer that changes always takes a whole check, since what is asked for near a finish line
follows it down to nothing.
"""

from __future__ import annotations

import dataclasses
import json
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from veneercheck.case.run import carry_out
from veneercheck.core.errors import VeneerCheckError
from veneercheck.record.canonical import sha256_of_file
from veneercheck.record.confirm import settled_again
from veneercheck.record.located import folder_of
from veneercheck.record.sameness import limits_kept
from veneercheck.report.filed import SPACE
from veneercheck.report.space_ply import read_space_ply

if TYPE_CHECKING:
    from veneercheck.core.types import Limits
    from veneercheck.record import Entry, Register

Say = Callable[[str], None]

_NOT_JUDGED_BY = ("name", "certainty", "calibration_needed", "density_g_cm3")
"""What limits say of themselves: no reading depends on it."""


def _silent(_: str) -> None:
    pass


@dataclasses.dataclass(frozen=True, slots=True)
class Otherwise:
    """One check as it was judged, and as it would be.

    Parameters
    ----------
    check : Entry
    before, after : str
        Verdicts as measured; `after` is empty where it cannot be told.
    firm_before, firm_after : int
        Firm zones.
    why_not : str
        What hinders.
    """

    check: Entry
    before: str
    after: str = ""
    firm_before: int = 0
    firm_after: int = 0
    why_not: str = ""

    @property
    def differs(self) -> bool:
        """Whether it would read otherwise."""
        told = (self.before, self.firm_before) != (self.after, self.firm_after)
        return told and not self.why_not


def rejudged(
    register: Register, checks: Iterator[Entry], limits: Limits, say: Say = _silent
) -> Iterator[Otherwise]:
    """Each check under other limits; it is carried out again only where they judge otherwise.

    Parameters
    ----------
    register : Register
    checks : iterator of Entry
    limits : Limits
    say : callable
    """
    for check in checks:
        result = check.body["result"]
        before, firm = result["verdict"], _firm(result)
        if _what_judges(check.body["order"]["limits"]) == _what_judges(limits_kept(limits)):
            yield Otherwise(check, before, before, firm, firm)
            continue
        folder = folder_of(register, check)
        if _map_suffices(check, folder, limits):
            yield Otherwise(check, before, before, firm, firm)
            continue
        say(f"judging {folder.name} again")
        try:
            after = _again(check, folder, limits)
        except (VeneerCheckError, OSError) as error:
            yield Otherwise(check, before, "", firm, 0, str(error))
            continue
        yield Otherwise(check, before, after["verdict"], firm, _firm(after))


def _what_judges(limits: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in limits.items() if name not in _NOT_JUDGED_BY}


_FAR = 6.0
"""Standard uncertainties from a limit at which no zone is firm or undecided by any rule."""


def _map_suffices(check: Entry, folder: Path, limits: Limits) -> bool:
    """Whether only the greatest layer differs, and the map has nothing near the old or the new."""
    both = [_what_judges(check.body["order"]["limits"]), _what_judges(limits_kept(limits))]
    layers = [dict(one["layer"]) for one in both]
    least_of_both = min(layer.pop("greatest_mm") for layer in layers)
    rest = [{**one, "layer": layer} for one, layer in zip(both, layers, strict=True)]
    file = folder / SPACE
    if rest[0] != rest[1] or not file.is_file():
        return False
    if sha256_of_file(file) != check.body["files"].get(SPACE):
        return False
    found = read_space_ply(file)
    assert found.high_mm is not None, "it was read"
    u_mm = np.hypot(np.nan_to_num(found.u_mm, nan=np.nanmax(found.u_mm)), limits.opaquer_u_mm)
    taken_mm = limits.at(check.body["result"]["case"]["stage"]).taken_mm
    highest = found.high_mm - taken_mm + _FAR * u_mm
    known = highest[np.isfinite(highest)]
    return bool(len(known)) and bool(known.max() < least_of_both)


def _again(check: Entry, folder: Path, limits: Limits) -> dict[str, Any]:
    work = dataclasses.replace(settled_again(check.body["order"], folder), limits=limits)
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
        carry_out(work, out=Path(room), with_report=False)
        found: dict[str, Any] = json.loads((Path(room) / "result.json").read_text("utf-8"))
    return found


def _firm(result: Mapping[str, Any]) -> int:
    return sum(zone["decision"] == "firm" for zone in result["zones"])
