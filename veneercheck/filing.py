"""Checks on record: a folder for each that is whole or not there, an entry, a person's decision."""

from __future__ import annotations

import dataclasses
import json
import os
import re
import shutil
import socket
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck import __version__
from veneercheck.core.errors import RecordError
from veneercheck.folders import write_text
from veneercheck.order import Settled
from veneercheck.workflow import carry_out

if TYPE_CHECKING:
    from collections.abc import Callable

    from veneercheck.record import Entry, Register
    from veneercheck.report import Language, Paper

    Say = Callable[[str], None]

ASIDE = ".aside"
"""Folder beside the case folders in which one is made before it is moved into place."""

EARLIER = "earlier"
_EARLIER_FILES = ("result.json", "space.ply", "contour.ply")

ORDER, DECISIONS = "order.json", "decisions.json"
ORDER_SCHEMA, DECISIONS_SCHEMA = "veneercheck order 1", "veneercheck decisions 1"

DECIDED = ("cut again", "accepted", "remake", "ask the dentist")
"""What a person may decide."""

_KEY_IN_NAME = 12
_TRIES = 100
"""Others who end at the same moment take an empty place away; nobody meets so many of them."""

_COMPANIONS = (".obj",)
"""Formats whose colours lie in other files: such a scan is left where it is."""

_INITIALS = re.compile(r"\w{1,8}")


@dataclasses.dataclass(frozen=True, slots=True)
class Made:
    """A case folder that is whole.

    Parameters
    ----------
    folder : Path
    key : str
        Hash of scans, case, limits and version: the same check has the same key.
    fresh : bool
        False where it was there already.
    """

    folder: Path
    key: str
    fresh: bool


def _silent(_: str) -> None:
    pass


def initials(who: str) -> str:
    """Initials as they may stand on record; a longer name is refused."""
    if not _INITIALS.fullmatch(who):
        raise RecordError(
            f"«{who}» cannot stand on record.",
            where="--who",
            next_step="Give initials: one to eight letters or digits.",
        )
    return who


def make_case_folder(
    work: Settled,
    store: Path,
    *,
    keep_scans: bool = True,
    with_report: bool = True,
    lang: Language = "en",
    paper: Paper = "a4",
    now: datetime | None = None,
    say: Say = _silent,
) -> Made:
    """Check a case into a folder of its own, made aside and renamed.

    Parameters
    ----------
    work : Settled
    store : Path
        Holds the case folders.
    keep_scans : bool
        Copy the scans into the folder, so that the check can be repeated from it alone.
    with_report : bool
    lang : {"en", "de"}
    paper : {"a4", "us-letter"}
    now : datetime, optional
    say : callable

    Returns
    -------
    Made
        Where the same check was made before, its folder as it is.
    """
    from veneercheck.record import sha256_of_file

    made = found_whole(work, store)
    if made is not None:
        return made
    called = work.called or (work.framework.name, work.waxup.name)
    with _room(store) as room:
        there = work.scans
        used = {
            role: _kept_scan(scan, role, room, keep_scans) for role, scan in there.items() if scan
        }
        hashes = {role: sha256_of_file(scan) for role, scan in used.items()}
        earlier = _kept_earlier(work.earlier, room)
        order = _order_document(work, dict(zip(there, called, strict=False)), used, hashes, room)
        key = _key(order)
        folder = _place(store, work, key)
        if folder.exists():
            return Made(folder, key, fresh=False)
        settled = dataclasses.replace(
            work,
            framework=used["framework"],
            waxup=used["waxup"],
            called=called,
            earlier=earlier,
            die=used.get("die"),
            reference=used.get("painted"),
        )
        carry_out(
            settled, out=room, with_report=with_report, lang=lang, paper=paper, now=now, say=say
        )
        write_text(room / ORDER, json.dumps(order, indent=1, ensure_ascii=False) + "\n")
        return Made(folder, key, fresh=_move_into_place(room, folder))


def found_whole(work: Settled, store: Path) -> Made | None:
    """The folder of the same check, where it is there: nothing is copied to find out."""
    from veneercheck.record import sha256_of_file

    there = {role: scan for role, scan in work.scans.items() if scan is not None}
    for scan in there.values():
        _look_at(scan)
    hashes = {role: sha256_of_file(scan) for role, scan in there.items()}
    earlier = {}
    if work.earlier is not None:
        kept_files = [name for name in _EARLIER_FILES if (work.earlier / name).is_file()]
        earlier = {name: sha256_of_file(work.earlier / name) for name in kept_files}
    key = _hash({**_settings(work), "scans": hashes, "earlier": earlier})
    folder = _place(store, work, key)
    return Made(folder, key, fresh=False) if folder.exists() else None


def put_on_record(register: Register, made: Made, *, who: str | None = None) -> Entry:
    """Enter a case folder in the register; what is on record already stays as it is."""
    there = register.with_key(made.key)
    if there is not None:
        return there
    body = {
        "schema": "veneercheck record 1",
        "kind": "check",
        "who": initials(who) if who else None,
        "folder": _folder_on_record(register, made.folder),
        "order": json.loads((made.folder / ORDER).read_text(encoding="utf-8")),
        "result": json.loads((made.folder / "result.json").read_text(encoding="utf-8")),
        "files": file_hashes(made.folder),
    }
    return register.append(made.key, body)


def file_hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of a folder, by its path within."""
    from veneercheck.record import sha256_of_file

    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): sha256_of_file(path) for path in files}


def folder_of(register: Register, entry: Entry) -> Path:
    """Where the case folder of an entry lies."""
    folder = Path(entry.body["folder"])
    if folder.is_absolute() or register.file is None:
        return folder
    return register.file.parent / folder


def one_check(register: Register, case: str) -> Entry:
    """The latest check of a case number, or of the start of a key."""
    found = register.checks_of(case)
    if not found:
        raise RecordError(
            f"no check of «{case}» is on record.",
            where=register.place.rsplit("@", 1)[-1],
            next_step="List them with «veneercheck records list».",
        )
    return found[-1]


def decide(
    register: Register, case: str, *, who: str, what: str, why: str, now: datetime | None = None
) -> Entry:
    """Put a person's decision on the latest check of a case on record, and show it in the report.

    The verdict stays as it was measured.
    """
    if what not in DECIDED:
        raise RecordError(
            f"«{what}» is no decision.", where="--what", next_step=f"Known: {', '.join(DECIDED)}."
        )
    check = one_check(register, case)
    folder = folder_of(register, check)
    if not folder.is_dir():
        raise RecordError(
            "the case folder is not where it was.",
            where=str(folder),
            next_step="Bring it back there, and decide again; nothing was put on record.",
        )
    told = {
        "check_key": check.key,
        "case_number": check.body["result"]["case"]["number"],
        "who": initials(who),
        "what": what,
        "why": why,
        "decided_at_utc": (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds"),
    }
    earlier = [_shown(entry.body) for entry in register.decisions_on(check.key)]
    with _room(folder.parent) as room:
        changed = _with_decisions(folder, room, [*earlier, _shown(told)])
        entry = register.append(_hash(told), {"kind": "decision", **told, "files": changed})
        for name in changed:
            (room / name).replace(folder / name)
    return entry


def files_on_record(register: Register, check: Entry) -> dict[str, str]:
    """What every file of a case folder must be, after the decisions on it."""
    files = dict(check.body["files"])
    for decision in register.decisions_on(check.key):
        files |= decision.body["files"]
    return files


def _shown(body: Mapping[str, Any]) -> dict[str, Any]:
    return {name: body[name] for name in ("who", "what", "why", "decided_at_utc")}


def _with_decisions(folder: Path, room: Path, decisions: list[dict[str, Any]]) -> dict[str, str]:
    """Draw the report with its decisions aside; hashes of the files that became others."""
    from veneercheck import report

    before = file_hashes(folder)
    shutil.copytree(folder, room, dirs_exist_ok=True)
    document = {"schema": DECISIONS_SCHEMA, "decisions": decisions}
    write_text(room / DECISIONS, json.dumps(document, indent=1, ensure_ascii=False) + "\n")
    if (room / "report.html").exists():
        report.render(room)
    return {name: sha for name, sha in file_hashes(room).items() if before.get(name) != sha}


def _order_document(
    work: Settled,
    called: Mapping[str, str],
    used: Mapping[str, Path],
    hashes: Mapping[str, str],
    room: Path,
) -> dict[str, Any]:
    def place(scan: Path) -> str:
        inside = scan.is_relative_to(room)
        return scan.relative_to(room).as_posix() if inside else str(scan.absolute())

    return {
        **_settings(work),
        "scans": {
            role: {
                "sha256": hashes[role],
                "place": place(scan),
                "called": called.get(role, scan.name),
            }
            for role, scan in used.items()
        },
        "earlier": file_hashes(room / EARLIER) if (room / EARLIER).exists() else {},
    }


def _settings(work: Settled) -> dict[str, Any]:
    """What an order says besides its files."""
    from veneercheck.record.rebuild import kept

    return {
        "schema": ORDER_SCHEMA,
        "version": __version__,
        "case": kept(work.case),
        "limits": kept(work.limits),
        "unit": work.unit,
        "aligned": work.aligned,
        # Only where it is said, so that what is on record keeps its key.
        **({} if work.waxup_kind == "scan" else {"waxup_kind": work.waxup_kind}),
    }


def _place(store: Path, work: Settled, key: str) -> Path:
    return store / f"{_slug(work.case.number)}-{key[:_KEY_IN_NAME]}"


def _key(order: Mapping[str, Any]) -> str:
    """What makes a check the same: everything but where its scans lie and what they are called."""
    scans = {role: scan["sha256"] for role, scan in order["scans"].items()}
    return _hash({**order, "scans": scans})


def _hash(document: Mapping[str, Any]) -> str:
    from veneercheck.record import canonical, sha256_of

    return sha256_of(canonical(document))


def _look_at(scan: Path) -> None:
    """Refuse a path that leads to no scan before it is hashed or copied."""
    from veneercheck.scan.intake import look_at
    from veneercheck.scan.limits import ReadCaps

    look_at(scan, ReadCaps())


def _kept_scan(scan: Path, role: str, room: Path, keep: bool) -> Path:
    _look_at(scan)
    suffixes = "".join(scan.suffixes[-2:]) if scan.suffix.lower() == ".gz" else scan.suffix
    if not keep or suffixes.lower().startswith(_COMPANIONS):
        return scan
    copy = room / "scans" / f"{role}{suffixes.lower()}"
    copy.parent.mkdir(exist_ok=True)
    shutil.copyfile(scan, copy)
    return copy


def _kept_earlier(folder: Path | None, room: Path) -> Path | None:
    """The result that this one is compared with, in the case folder too."""
    if folder is None:
        return None
    copy = room / EARLIER
    copy.mkdir()
    for name in _EARLIER_FILES:
        if (folder / name).is_file():
            shutil.copyfile(folder / name, copy / name)
    return copy


def _slug(number: str | None) -> str:
    """A case number as the start of a folder's name."""
    return re.sub(r"[^\w.-]+", "_", number or "").strip("._")[:60] or "case"


def _folder_on_record(register: Register, folder: Path) -> str:
    """From the register's own folder where it is a file, so that both can be moved together."""
    if register.file is None:
        return str(folder.absolute())
    return Path(os.path.relpath(folder.absolute(), register.file.parent)).as_posix()


@contextmanager
def _room(store: Path) -> Iterator[Path]:
    """A folder to work in aside; nothing is left of it, nor of a store that nothing came into."""
    made = [place for place in (store, *store.parents) if not place.exists()]
    try:
        clear_aside(store)
        room = _fresh_aside(store)
    except OSError as error:
        raise _unwritable(store, error) from None
    room.chmod(0o755)
    try:
        yield room
    except OSError as error:
        raise _unwritable(store, error) from error
    finally:
        shutil.rmtree(room, ignore_errors=True)
        leave_aside(store)
        with suppress(OSError):  # what holds something stays
            for place in made:
                place.rmdir()


def _fresh_aside(store: Path) -> Path:
    """A folder of this process; made again where another one just took the empty place away."""
    for _ in range(_TRIES):
        with suppress(FileNotFoundError, FileExistsError):
            return _within(store / ASIDE)
    return _within(store / ASIDE)


def _within(aside: Path) -> Path:
    aside.mkdir(parents=True, exist_ok=True)
    return Path(tempfile.mkdtemp(prefix=f"{socket.gethostname()}-{os.getpid()}-", dir=aside))


def _unwritable(place: Path, error: OSError) -> RecordError:
    return RecordError(
        f"the case folder cannot be written ({error.strerror or error}).",
        where=str(place),
        next_step="Check the free space and the permissions; nothing half-written was left.",
    )


def clear_aside(store: Path) -> None:
    """Take away what killed processes of this machine left aside."""
    ours = f"{socket.gethostname()}-"
    with suppress(FileNotFoundError):  # nothing is there, or another process just took it away
        for left in (store / ASIDE).iterdir():
            owner = left.name.removeprefix(ours).partition("-")[0]
            if left.name.startswith(ours) and owner.isdigit() and not _lives(int(owner)):
                shutil.rmtree(left, ignore_errors=True)


def leave_aside(store: Path) -> None:
    """Take away the place aside too, where nobody works in it."""
    with suppress(OSError):
        clear_aside(store)
        (store / ASIDE).rmdir()


def _lives(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _move_into_place(room: Path, folder: Path) -> bool:
    """Rename the finished folder; False where another process was first with the same check."""
    for path in [*room.rglob("*"), room]:
        _to_disk(path)
    try:
        room.rename(folder)
    except OSError:
        if folder.is_dir():
            return False
        raise
    _to_disk(folder.parent)
    return True


def _to_disk(path: Path) -> None:
    """A power cut must not leave a name without its content."""
    if os.name == "nt" and path.is_dir():
        return
    handle = os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
