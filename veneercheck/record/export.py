"""What leaves the register: a case as a bundle, as DICOM or as FHIR; what all of them teach."""

from __future__ import annotations

import dataclasses
import json
import tempfile
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck import __version__
from veneercheck.case.folders import unwritable, write_bytes
from veneercheck.record.deciding import DRAWN_FROM, finish
from veneercheck.record.located import files_on_record, folder_of, one_check
from veneercheck.record.planning import one_check_or_plan
from veneercheck.record.signing import person_entries
from veneercheck.report.counted import STANDING

if TYPE_CHECKING:
    from veneercheck.record import Entry, Register
    from veneercheck.record.dicom import Model
    from veneercheck.report import Language, Paper
    from veneercheck.report.trends_lab import Trends

Say = Callable[[str], None]

_REPORT = "report.pdf"
_MILLIMETRES = (None, "mm")
"""Units under which the numbers of an STL are millimetres already."""


@dataclasses.dataclass(frozen=True, slots=True)
class _OnRecord:
    """A check with all that belongs to it."""

    check: Entry
    decisions: list[Entry]
    folder: Path
    files: dict[str, str]
    nameless: bool = False


def _silent(_: str) -> None:
    pass


def export_bundle(register: Register, case: str, target: Path | None) -> list[Path]:
    """Write one ZIP with everything of a case.

    Parameters
    ----------
    register : Register
    case : str
        Case number, or the start of a key.
    target : Path, optional
        The file to write; named after the case without it.

    Returns
    -------
    list of Path
        What was written.
    """
    from veneercheck.record.bundle import write_bundle

    found = _on_record(register, case, find=one_check_or_plan)
    place = target or Path(f"{found.folder.name}.zip")
    entries = [found.check, *found.decisions]
    signed = any("signature" in one.body for one in found.decisions)
    beside = person_entries(register) if signed else []
    return [write_bundle(place, found.folder, found.files, entries, beside)]


def export_dicom(
    register: Register,
    case: str,
    target: Path | None,
    patient_id: str | None = None,
    *,
    without_names: bool = False,
    told: Say = _silent,
) -> list[Path]:
    """Write a case's printed report and its scans as DICOM files.

    Parameters
    ----------
    register, case
        As for `export_bundle`.
    target : Path, optional
        The folder to write into; named after the case without it.
    patient_id : str, optional
        The identifier to write; without it, the case number.
    without_names : bool
        Case number, names of scans, notes and reasons are taken out: the printed report is drawn
        anew without them, and the words at the beginning of an STL are blanked.
    told : callable
        Is told everything that was taken out.

    Returns
    -------
    list of Path
        No `report.dcm` where the case was checked without a report.
    """
    from veneercheck.record.dicom import pdf_object, stl_object
    from veneercheck.record.nameless import blank_header

    found = _on_record(register, case, patient_id, without_names, told)
    key, result, removed = found.check.key, found.check.body["result"], without_names
    made = {}
    pdf = _report(found)
    if pdf is not None:
        made["report.dcm"] = pdf_object(key, result, pdf, patient_id, removed=removed)
    models = _models(found)
    if removed:
        told("the words at the beginning of each scan's STL")
        models = [
            dataclasses.replace(
                one, stl=blank_header(one.stl), title=f"{one.title}, words at its head blanked"
            )
            for one in models
        ]
    for number, model in enumerate(models, start=1):
        made[f"{model.role}.dcm"] = stl_object(
            key, result, model, number, patient_id, removed=removed
        )
    folder = target or Path(f"{_name(found)}-dicom")
    return [_put(folder / name, content) for name, content in made.items()]


def export_fhir(
    register: Register,
    case: str,
    target: Path | None,
    patient_id: str | None = None,
    *,
    without_names: bool = False,
    told: Say = _silent,
) -> list[Path]:
    """Write a case as a FHIR Bundle in JSON.

    Parameters
    ----------
    register, case, patient_id, without_names, told
        As for `export_dicom`.
    target : Path, optional
        The file to write; named after the case without it.

    Returns
    -------
    list of Path
    """
    from veneercheck.record.fhir import fhir_bundle

    found = _on_record(register, case, patient_id, without_names, told)
    document = fhir_bundle(found.check, found.decisions, _report(found), patient_id)
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    return [_put(target or Path(f"{_name(found)}.fhir.json"), text.encode("utf-8"))]


def export_trends(
    register: Register,
    folder: Path,
    *,
    since: str | None = None,
    lang: Language = "en",
    paper: Paper = "a4",
) -> list[Path]:
    """Write what the register teaches: a page, the same on paper, and tables for a spreadsheet.

    Parameters
    ----------
    register : Register
    folder : Path
    since : str, optional
        Only what is on record from this day on (ISO 8601, UTC).
    lang : {"en", "de"}
    paper : {"a4", "us-letter"}

    Returns
    -------
    list of Path
    """
    from veneercheck.report.trends_page import write_trends
    from veneercheck.report.words import Words

    trends = trends_of(register, since=since)
    try:
        return write_trends(folder, trends, Words(lang), paper=paper)
    except OSError as error:
        raise unwritable(folder, error) from None


def trends_of(register: Register, *, since: str | None = None) -> Trends:
    """What the register teaches at this moment, from a day on (ISO 8601, UTC)."""
    from veneercheck.record.standing import register_mark
    from veneercheck.report.trends_lab import taught

    trends = taught(((one.key, one.body) for one in register.entries()), since=since)
    name = register.shown if register.file is None else register.file.name
    now = datetime.now(UTC).replace(microsecond=0)
    mark = register_mark(register) or ""
    program = f"veneercheck {__version__}"
    return dataclasses.replace(trends, register=name, mark=mark, written=now, program=program)


def _on_record(
    register: Register,
    case: str,
    patient_id: str | None = None,
    without_names: bool = False,
    told: Say = _silent,
    *,
    find: Callable[[Register, str], Entry] = one_check,
) -> _OnRecord:
    from veneercheck.record.nameless import without_names as rid_of_names

    check = find(register, case)
    folder = folder_of(register, check)
    finish(register, folder.parent)
    decisions, files = register.decisions_on(check.key), files_on_record(register, check)
    if not without_names:
        return _OnRecord(check, decisions, folder, files)
    found = rid_of_names(check, decisions, patient_id)
    for words in (*found.taken, *_left_in(found.check.body["result"])):
        told(words)
    return _OnRecord(found.check, found.decisions, folder, files, nameless=True)


def _left_in(result: Mapping[str, Any]) -> Iterator[str]:
    """Words of the laboratory's own that stay, and look like a person's."""
    from veneercheck.profile.names import looks_like_a_name

    case = result["case"]
    words = {f"case.{name}": case[name] for name in ("alloy", "composite", "shade") if name in case}
    words |= {f"lot of {name}": lot for name, lot in (case.get("lots") or {}).items()}
    words["the profile's name"] = result["profile"]["name"]
    for where, word in words.items():
        if word and looks_like_a_name(str(word)):
            yield f"NOT {where} «{word}»: look at it yourself"


def _name(found: _OnRecord) -> str:
    """What a file is named after, where nobody said."""
    return f"case-{found.check.key[:12]}" if found.nameless else found.folder.name


def _report(found: _OnRecord) -> bytes | None:
    from veneercheck.record.bundle import as_on_record

    sha = found.files.get(_REPORT)
    if sha is None:
        return None
    return _drawn_anew(found) if found.nameless else as_on_record(found.folder / _REPORT, sha)


def _drawn_anew(found: _OnRecord) -> bytes:
    """The printed report of what is left without names."""
    from veneercheck import report
    from veneercheck.record.bundle import as_on_record
    from veneercheck.record.deciding import DECISIONS, decisions_text

    with tempfile.TemporaryDirectory(prefix="veneercheck-") as place:
        room = Path(place)
        for name in DRAWN_FROM:
            if name in found.files and name != STANDING:  # it names files and people
                content = as_on_record(found.folder / name, found.files[name])
                (room / name).write_bytes(content)
        result = json.dumps(found.check.body["result"], indent=2, ensure_ascii=False)
        (room / "result.json").write_text(result + "\n", encoding="utf-8")
        if found.decisions:
            text = decisions_text([one.body for one in found.decisions])
            (room / DECISIONS).write_text(text, encoding="utf-8")
        report.render(room, lang=report.language_of(found.folder))
        return (room / _REPORT).read_bytes()


def _models(found: _OnRecord) -> list[Model]:
    """The scans; those that a DICOM object cannot hold as they are, written anew."""
    from veneercheck.record.bundle import as_on_record
    from veneercheck.record.dicom import Model
    from veneercheck.scan.stl import is_exact_binary

    order = found.check.body["order"]
    models = []
    for role, scan in order["scans"].items():
        path = found.folder / scan["place"]
        stl, title = as_on_record(path, scan["sha256"]), f"{role} as scanned"
        if order["unit"] not in _MILLIMETRES or not is_exact_binary(stl):
            stl, title = _as_stl(path, order["unit"]), f"{role} written anew as STL in mm"
        shared = order["aligned"] and role == "framework"
        frame = order["scans"]["waxup"]["sha256"] if shared else scan["sha256"]
        models.append(Model(role, stl, frame, title))
    return models


def _as_stl(path: Path, unit: str | None) -> bytes:
    from veneercheck import scan

    return scan.stl_bytes(scan.read_scan(path, unit=unit).mesh)


def _put(path: Path, content: bytes) -> Path:
    """Write a file, and the folder it belongs into."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable(path, error) from None
    return write_bytes(path, content)
