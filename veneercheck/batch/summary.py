"""The summary of many cases: how far it is, a table to keep, and the words at the end."""

from __future__ import annotations

import csv
import dataclasses
import io
from collections import Counter
from pathlib import Path

from veneercheck.batch.again import SAME
from veneercheck.batch.task import FAILED, THERE, Done
from veneercheck.case.exits import Exit, gravest
from veneercheck.case.folders import write_text
from veneercheck.core.errors import Told
from veneercheck.machine.texts import no_formula

SUMMARY = "summary.csv"

_COLUMNS = (
    "case",
    "state",
    "code",
    "verdict",
    "alignment",
    "firm",
    "undecided",
    "attempts",
    "seconds",
    "cpu_s",
    "peak_mb",
    "folder",
    "key",
    "cause",
    "before",
    "change",
)
_TOLD = 20
"""Failed cases named on the terminal; the table has all of them."""


@dataclasses.dataclass(slots=True)
class Summary:
    """What became of the cases so far, in the order of the list.

    Parameters
    ----------
    expected : int
        How many cases there are.
    store : Path
        Where the table is kept.
    """

    expected: int
    store: Path
    done: dict[int, Done] = dataclasses.field(default_factory=dict)

    def add(self, done: Done) -> None:
        """One more; a case that was tried anew takes its own place."""
        self.done[done.at] = done

    @property
    def code(self) -> Exit:
        """The exit code of them all."""
        return gravest(one.code for one in self.done.values())

    @property
    def path(self) -> Path:
        """The table."""
        return self.store / SUMMARY

    def write(self) -> None:
        """Write the table aside, then rename it into place."""
        text = io.StringIO()
        table = csv.writer(text, lineterminator="\n")
        table.writerow(_COLUMNS)
        for _, one in sorted(self.done.items()):
            table.writerow(no_formula(getattr(one, name)) for name in _COLUMNS)
        write_text(self.path, text.getvalue())

    def progress(self, elapsed_s: float) -> Told:
        """How far it is, with rate and time left; what was there already tells no rate."""
        count = Counter(one.state for one in self.done.values())
        worked = len(self.done) - count[THERE]
        far = Told("{done} of {expected}", done=len(self.done), expected=self.expected)
        if count[FAILED]:
            far = Told("{far}, {failed} failed", far=far, failed=count[FAILED])
        if worked == 0 or elapsed_s <= 0.0:
            return far
        left = _duration((self.expected - len(self.done)) * elapsed_s / worked)
        return Told(
            "{far}; {rate}, {left} left", far=far, rate=_rate(worked / elapsed_s), left=left
        )

    def so_far(self) -> Told:
        """What to say where the rest was not waited for."""
        return Told(
            "{ready} of {expected} cases are finished and stay so: the same command goes on from "
            "there",
            ready=sum(one.state != FAILED for one in self.done.values()),
            expected=self.expected,
        )

    def lines(self) -> list[Told]:
        """How many ended how, and the causes of those that failed."""
        ways = Counter(FAILED if one.state == FAILED else one.verdict for one in self.done.values())
        there = sum(one.state == THERE for one in self.done.values())
        lines = [
            Told("{count}  {way}", count=_wide(ways[way]), way=Told(way)) for way in sorted(ways)
        ]
        if there:
            lines.append(
                Told(
                    "{count}  cases, {there} of them finished earlier",
                    count=_wide(len(self.done)),
                    there=there,
                )
            )
        else:
            lines.append(Told("{count}  cases", count=_wide(len(self.done))))
        lines += self._repeated()
        if self.expected > len(self.done):
            lines.append(Told("{count}  not reached", count=_wide(self.expected - len(self.done))))
        failures = [one for _, one in sorted(self.done.items()) if one.state == FAILED]
        lines += [
            Told("FAILED {case}: {cause}", case=one.case, cause=one.cause)
            for one in failures[:_TOLD]
        ]
        return [*lines, *self._and_more(len(failures))]

    def words(self) -> str:
        """All lines, in English."""
        return "\n".join(self.lines())

    def _repeated(self) -> list[Told]:
        """Of checks that were repeated: how many say the same, and those with another verdict."""
        again = [one for _, one in sorted(self.done.items()) if one.before]
        if not again:
            return []
        same = sum(one.change == SAME for one in again)
        other = [one for one in again if one.before != one.verdict]
        return [
            Told("{count}  the same to the last digit", count=_wide(same)),
            Told("{count}  with another verdict", count=_wide(len(other))),
            *(
                Told("OTHER {case}: {change}", case=one.case, change=one.change)
                for one in other[:_TOLD]
            ),
            *self._and_more(len(other)),
        ]

    def _and_more(self, count: int) -> list[Told]:
        if count <= _TOLD:
            return []
        return [Told("… and {count} more: {path}", count=count - _TOLD, path=str(self.path))]


def _wide(count: int) -> str:
    """A count of the table, to the right of seven places."""
    return f"{count:7d}"


def _rate(a_second: float) -> Told:
    if a_second >= 1.0:
        return Told("{rate:.1f} a second", rate=a_second)
    if a_second * 60 >= 1.0:
        return Told("{rate:.1f} a minute", rate=a_second * 60)
    return Told("{rate:.1f} an hour", rate=a_second * 3600)


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"
