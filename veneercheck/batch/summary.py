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

    def progress(self, elapsed_s: float) -> str:
        """How far it is, with rate and time left; what was there already tells no rate."""
        count = Counter(one.state for one in self.done.values())
        worked = len(self.done) - count[THERE]
        words = f"{len(self.done)} of {self.expected}"
        if count[FAILED]:
            words += f", {count[FAILED]} failed"
        if worked == 0 or elapsed_s <= 0.0:
            return words
        left_s = (self.expected - len(self.done)) * elapsed_s / worked
        return f"{words}; {_rate(worked / elapsed_s)}, {_duration(left_s)} left"

    def so_far(self) -> str:
        """What to say where the rest was not waited for."""
        ready = sum(one.state != FAILED for one in self.done.values())
        return (
            f"{ready} of {self.expected} cases are finished and stay so: the same command goes on "
            "from there"
        )

    def words(self) -> str:
        """How many ended how, and the causes of those that failed."""
        ways = Counter(
            f"{FAILED}" if one.state == FAILED else one.verdict for one in self.done.values()
        )
        there = sum(one.state == THERE for one in self.done.values())
        lines = [f"{count:7d}  {way}" for way, count in sorted(ways.items())]
        lines.append(
            f"{len(self.done):7d}  cases" + (f", {there} of them finished earlier" * bool(there))
        )
        lines += self._repeated()
        missing = self.expected - len(self.done)
        if missing:
            lines.append(f"{missing:7d}  not reached")
        failures = [one for _, one in sorted(self.done.items()) if one.state == FAILED]
        lines += [f"FAILED {one.case}: {one.cause}" for one in failures[:_TOLD]]
        if len(failures) > _TOLD:
            lines.append(f"… and {len(failures) - _TOLD} more: {self.path}")
        return "\n".join(lines)

    def _repeated(self) -> list[str]:
        """Of checks that were repeated: how many say the same, and those with another verdict."""
        again = [one for _, one in sorted(self.done.items()) if one.before]
        if not again:
            return []
        same = sum(one.change == SAME for one in again)
        other = [one for one in again if one.before != one.verdict]
        lines = [f"{same:7d}  the same to the last digit"]
        lines.append(f"{len(other):7d}  with another verdict")
        lines += [f"OTHER {one.case}: {one.change}" for one in other[:_TOLD]]
        if len(other) > _TOLD:
            lines.append(f"… and {len(other) - _TOLD} more: {self.path}")
        return lines


def _rate(a_second: float) -> str:
    if a_second >= 1.0:
        return f"{a_second:.1f} a second"
    if a_second * 60 >= 1.0:
        return f"{a_second * 60:.1f} a minute"
    return f"{a_second * 3600:.1f} an hour"


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"
