"""Which checks on record would read otherwise under other limits; nothing on record changes."""

from __future__ import annotations

import dataclasses
import json
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck.case.run import carry_out
from veneercheck.core.errors import VeneerCheckError
from veneercheck.record.confirm import settled_again
from veneercheck.record.located import folder_of
from veneercheck.record.sameness import limits_kept

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
        say(f"judging {folder.name} again")
        try:
            after = _again(check, folder, limits)
        except (VeneerCheckError, OSError) as error:
            yield Otherwise(check, before, "", firm, 0, str(error))
            continue
        yield Otherwise(check, before, after["verdict"], firm, _firm(after))


def _what_judges(limits: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in limits.items() if name not in _NOT_JUDGED_BY}


def _again(check: Entry, folder: Path, limits: Limits) -> dict[str, Any]:
    work = dataclasses.replace(settled_again(check.body["order"], folder), limits=limits)
    with tempfile.TemporaryDirectory(prefix="veneercheck-") as room:
        carry_out(work, out=Path(room), with_report=False)
        found: dict[str, Any] = json.loads((Path(room) / "result.json").read_text("utf-8"))
    return found


def _firm(result: Mapping[str, Any]) -> int:
    return sum(zone["decision"] == "firm" for zone in result["zones"])
