"""What lies in a folder: scans and case files paired into cases, and what still lacks its other."""

from __future__ import annotations

import dataclasses
import os
import re
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

from veneercheck.batch.task import Asked, Task
from veneercheck.case.folders import ORDER
from veneercheck.core.errors import Told, VeneerCheckError

_SCANS = (".stl", ".ply", ".obj", ".off", ".3mf", ".glb")
_ROLE = re.compile(
    r"(?:(?P<before>.*?)[ ._-]+)?(?P<role>framework|wax[ _-]?up)(?:[ ._-]*(?P<after>.*))?",
    re.IGNORECASE,
)
"""`D-0001_framework.stl`, `waxup D-0001.ply`, or plain `framework.stl` in a folder of the case."""


@dataclasses.dataclass(frozen=True, slots=True)
class Found:
    """A case with everything that belongs to it.

    Parameters
    ----------
    number : str or None
        From the names; a case file's own number goes first.
    framework, waxup, case : Path or None
        A case file that cannot be read stands alone: checking it tells why.
    """

    number: str | None
    framework: Path | None
    waxup: Path | None
    case: Path | None = None

    @property
    def files(self) -> tuple[Path, ...]:
        """Everything it rests on."""
        return tuple(path for path in (self.case, self.framework, self.waxup) if path is not None)

    def task(self, at: int, asked: Asked) -> Task:
        """The same as a task."""
        case, framework, waxup = (
            None if path is None else str(path.absolute())
            for path in (self.case, self.framework, self.waxup)
        )
        return Task(at, asked, self.number, case, framework, waxup)


@dataclasses.dataclass(frozen=True, slots=True)
class Lone:
    """Files that are no case yet."""

    files: tuple[Path, ...]
    why: Told


def look_through(folder: Path, leave_out: Path) -> tuple[list[Found], list[Lone]]:
    """Pair what lies in a folder and below it.

    Parameters
    ----------
    leave_out : Path
        Where the results go.
    """
    scans, case_files = _files(folder, leave_out)
    found, lone, claimed = list[Found](), list[Lone](), set[Path]()
    unpaired: dict[tuple[Path, str], Path] = {}
    for path in case_files:
        one = _by_case_file(path)
        if isinstance(one, Found):
            claimed.update(file.absolute() for file in one.files)
            found.append(one)
        elif isinstance(one, Lone):
            claimed.update(file.absolute() for file in one.files)
            lone.append(one)
        else:
            unpaired[path.parent, one] = path
    left = [path for path in scans if path.absolute() not in claimed]
    for (place, number), roles in _by_name(left, folder).items():
        pair = _pair(number, roles, unpaired.pop((place, number.casefold()), None))
        if isinstance(pair, Found):
            found.append(pair)
        else:
            lone.append(pair)
    lone += [
        Lone((path,), Told("it names no scans, and none bear its number"))
        for path in unpaired.values()
    ]
    return found, lone


def _files(folder: Path, leave_out: Path) -> tuple[list[Path], list[Path]]:
    """Scans and case files; hidden ones, results and cases on record are left out."""
    scans, cases = [], []
    out = leave_out.absolute()
    for place, folders, names in os.walk(folder):
        here = Path(place)
        kept = [
            name for name in folders if not name.startswith(".") and here.absolute() / name != out
        ]
        folders[:] = [] if ORDER in names else sorted(kept)
        for name in [] if ORDER in names else sorted(names):
            bare = name.lower().removesuffix(".gz")
            if name.startswith("."):
                continue
            if bare.endswith(_SCANS):
                scans.append(here / name)
            elif bare.endswith(".toml"):
                cases.append(here / name)
    return scans, cases


def _by_case_file(path: Path) -> Found | Lone | str:
    """The case that a case file names; where it names no scans, the number to find them by."""
    from veneercheck.profile import load_case

    try:
        told = load_case(path)
    except VeneerCheckError:
        return Found(None, None, None, path)
    number = told.case.number
    if told.framework is None or told.waxup is None:
        plain = path.stem if path.stem.lower() != "case" else path.parent.name
        return (number or plain).casefold()
    missing = [scan.name for scan in (told.framework, told.waxup) if not scan.is_file()]
    if missing:
        there = tuple(scan for scan in (told.framework, told.waxup) if scan.is_file())
        return Lone((path, *there), Told("{files}: not there yet", files=", ".join(missing)))
    return Found(number, told.framework, told.waxup, path)


def _by_name(scans: list[Path], top: Path) -> dict[tuple[Path, str], dict[str, list[Path]]]:
    """Scans by folder and case number, then by what they show."""
    groups: dict[tuple[Path, str], dict[str, list[Path]]] = defaultdict(lambda: defaultdict(list))
    spelt: dict[tuple[Path, str], str] = {}
    for path in scans:
        name = path.name[: -len(".gz")] if path.suffix.lower() == ".gz" else path.name
        told = _ROLE.fullmatch(Path(name).stem)
        if told is None:
            continue
        number = told["before"] or _no_copy_mark(told["after"])
        if not number:
            number = path.parent.name if path.parent != top else ""
        role = "framework" if told["role"].lower() == "framework" else "waxup"
        number = spelt.setdefault((path.parent, number.casefold()), number)
        groups[path.parent, number][role].append(path)
    return groups


def _no_copy_mark(after: str | None) -> str:
    """A number that follows the role; «(1)» and «copy» only tell copies apart."""
    words = (after or "").strip()
    return "" if re.fullmatch(r"\(?\d?\)?|copy.*", words, re.IGNORECASE) else words


def _pair(number: str, roles: dict[str, list[Path]], case: Path | None) -> Found | Lone:
    chosen: dict[str, Path] = {}
    every = tuple(path for paths in roles.values() for path in paths)
    called = number or Told("no number")
    for role in ("framework", "waxup"):
        alike = _without_copies(roles.get(role, []))
        if not alike:
            why = Told("{number}: its {role} is not there yet", number=called, role=Told(role))
            return Lone(every, why)
        if len(alike) > 1:
            names = ", ".join(path.name for path in alike)
            why = Told(
                "{number}: more than one {role} ({names})",
                number=called,
                role=Told(role),
                names=names,
            )
            return Lone(every, why)
        chosen[role] = alike[0]
    return Found(number or None, chosen["framework"], chosen["waxup"], case)


def _without_copies(paths: list[Path]) -> list[Path]:
    """Files of the same bytes count once."""
    if len(paths) < 2:
        return paths
    from veneercheck.record import sha256_of_file

    firsts: dict[str, Path] = {}
    for path in sorted(paths, key=lambda one: (len(one.name), one.name)):
        try:
            firsts.setdefault(sha256_of_file(path), path)
        except OSError:  # taken away meanwhile
            continue
    return list(firsts.values())


def lone_words(lone: list[Lone]) -> Iterator[Told]:
    """A line for each."""
    for one in lone:
        files = ", ".join(path.name for path in one.files)
        yield Told("not paired: {files}; {why}", files=files, why=one.why)
