"""What leaves the register: a case as a bundle, as DICOM or as FHIR; what all of them teach."""

from __future__ import annotations

import contextlib
import dataclasses
import json
from pathlib import Path
from typing import TYPE_CHECKING

from veneercheck.core.errors import RecordError
from veneercheck.filing import files_on_record, folder_of, one_check

if TYPE_CHECKING:
    from veneercheck.record import Entry, Register
    from veneercheck.record.dicom import Model
    from veneercheck.report import Language

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

    found = _on_record(register, case)
    place = target or Path(f"{found.folder.name}.zip")
    return [write_bundle(place, found.folder, found.files, [found.check, *found.decisions])]


def export_dicom(
    register: Register, case: str, target: Path | None, patient_id: str | None = None
) -> list[Path]:
    """Write a case's printed report and its scans as DICOM files.

    Parameters
    ----------
    register, case
        As for `export_bundle`.
    target : Path, optional
        The folder to write into; named after the case without it.
    patient_id : str, optional
        The identifier to write; without it, the pseudonymous case number.

    Returns
    -------
    list of Path
        No `report.dcm` where the case was checked without a report.
    """
    from veneercheck.record.dicom import pdf_object, stl_object

    found = _on_record(register, case)
    key, result = found.check.key, found.check.body["result"]
    made = {}
    pdf = _report(found)
    if pdf is not None:
        made["report.dcm"] = pdf_object(key, result, pdf, patient_id)
    for number, model in enumerate(_models(found), start=1):
        made[f"{model.role}.dcm"] = stl_object(key, result, model, number, patient_id)
    folder = target or Path(f"{found.folder.name}-dicom")
    return [_put(folder / name, content) for name, content in made.items()]


def export_fhir(
    register: Register, case: str, target: Path | None, patient_id: str | None = None
) -> list[Path]:
    """Write a case as a FHIR Bundle in JSON.

    Parameters
    ----------
    register, case, patient_id
        As for `export_dicom`.
    target : Path, optional
        The file to write; named after the case without it.

    Returns
    -------
    list of Path
    """
    from veneercheck.record.fhir import fhir_bundle

    found = _on_record(register, case)
    document = fhir_bundle(found.check, found.decisions, _report(found), patient_id)
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    place = target or Path(f"{found.folder.name}.fhir.json")
    return [_put(place, text.encode("utf-8"))]


def export_trends(
    register: Register, folder: Path, *, since: str | None = None, lang: Language = "en"
) -> list[Path]:
    """Write what the register teaches: a page, and tables for a spreadsheet.

    Parameters
    ----------
    register : Register
    folder : Path
    since : str, optional
        Only checks from this day on (ISO 8601, UTC).
    lang : {"en", "de"}

    Returns
    -------
    list of Path
    """
    from veneercheck.report.trends import learn, seen
    from veneercheck.report.trends_page import write_trends
    from veneercheck.report.words import Words

    checks = (
        seen(entry.key, entry.body["result"])
        for entry in register.entries()
        if entry.body.get("kind") == "check"
    )
    groups = learn(one for one in checks if since is None or one.moment >= since)
    try:
        return write_trends(folder, groups, Words(lang))
    except OSError as error:
        raise _unwritable(folder, error) from None


def _on_record(register: Register, case: str) -> _OnRecord:
    check = one_check(register, case)
    decisions = register.decisions_on(check.key)
    return _OnRecord(check, decisions, folder_of(register, check), files_on_record(register, check))


def _report(found: _OnRecord) -> bytes | None:
    from veneercheck.record.bundle import as_on_record

    sha = found.files.get(_REPORT)
    return None if sha is None else as_on_record(found.folder / _REPORT, sha)


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
    """Write a file aside and rename it."""
    aside = path.with_name(f".{path.name}.partial")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        aside.write_bytes(content)
        return aside.replace(path)
    except OSError as error:
        raise _unwritable(path, error) from None
    finally:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)


def _unwritable(path: Path, error: OSError) -> RecordError:
    return RecordError(
        f"cannot be written ({error.strerror or error}).",
        where=str(path),
        next_step="Check the free space and the permissions of the folder.",
    )
