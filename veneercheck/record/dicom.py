"""A case as DICOM: its printed report and its scans, each byte for byte within an object.

Notes
-----
DICOM belongs to `[record]`, FHIR needs nothing. Both are forms of a case on record. Choice: pydicom
(pure Python, no dependencies) comes with `[record]`; a FHIR document is JSON that we write
ourselves, and `fhir.resources` and `fhirclient` read it in the tests. Instead of: an extra of its
own, one more thing to know for two megabytes; or `fhir.resources` at run time, with a validation
library in it. Cost: the structure is checked in tests, not at each export.

The scan's own bytes go into DICOM where they can. What was measured must be shown years later.
Choice: a binary STL in millimetres goes in as it is, with its SHA-256 in the title; anything else
is written anew in mm, in its own frame. Frames are shared only where the case said so. Instead of:
both surfaces in the wax-up's frame, handier to look at, but no longer the files on record. Cost: a
viewer shows the two scans apart; the motion between them is in `result.json`.

UIDs are drawn from content. An export that is repeated must not become a second object in an
archive. Choice: 2.25 and a UUID from a hash of everything in the object. Cost: a decision put on
record later changes the printed report, and so makes another object of the same series.
"""

from __future__ import annotations

import dataclasses
import io
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from veneercheck.record.canonical import sha256_of
from veneercheck.record.nameless import identifier

if TYPE_CHECKING:
    from pydicom.dataset import Dataset
    from pydicom.uid import UID

FORM = "veneercheck dicom 2"
"""Names the attributes that are written; another set of them must give other UIDs."""

_ID_LENGTH = 64
"""Longest value of the kind LO (DICOM PS3.5)."""

_SHORT_LENGTH = 16
"""Longest value of the kind SH (DICOM PS3.5)."""

_REMOVED = "Case number, names of scans, notes and reasons taken out"
"""What was done to a case that leaves without names; at most 64 signs (LO)."""

_PROGRAM = "veneercheck"


@dataclasses.dataclass(frozen=True, slots=True)
class Model:
    """A scan as a binary STL in millimetres.

    Parameters
    ----------
    role : str
        `framework`, `waxup` or `die`.
    stl : bytes
    frame : str
        Two models with the same text share a frame.
    title : str
        What it is, in words.
    """

    role: str
    stl: bytes
    frame: str
    title: str


def pdf_object(
    key: str,
    result: Mapping[str, Any],
    pdf: bytes,
    patient_id: str | None,
    *,
    removed: bool = False,
) -> bytes:
    """The printed report as an Encapsulated PDF.

    Parameters
    ----------
    key : str
        The check's key: both kinds of objects of one check form one study.
    result : mapping
        The check's `result.json`.
    pdf : bytes
    patient_id : str, optional
        The identifier to write; without it, the case number.
    removed : bool
        Names were taken out of result and document: the object says so. Else it claims nothing.

    Returns
    -------
    bytes
        A DICOM file; the same content gives the same bytes and the same UIDs.

    Raises
    ------
    RecordError
        If the identifier cannot stand in DICOM.
    """
    from pydicom.uid import EncapsulatedPDFStorage

    told = _study(key, result, patient_id, removed)
    told.Modality, told.SeriesNumber, told.InstanceNumber = "DOC", 1, 1
    told.SeriesDescription = "Report"
    told.ConversionType = "WSD"  # made by a workstation
    told.BurnedInAnnotation = "YES"  # case number and notes are printed on it
    told.MIMETypeOfEncapsulatedDocument = "application/pdf"
    return _file(told, EncapsulatedPDFStorage, pdf, "Report on the room for veneer")


def stl_object(
    key: str,
    result: Mapping[str, Any],
    model: Model,
    number: int,
    patient_id: str | None,
    *,
    removed: bool = False,
) -> bytes:
    """A scan as an Encapsulated STL, in millimetres.

    Parameters
    ----------
    key, result, patient_id, removed
        As for `pdf_object`.
    model : Model
    number : int
        Its number within the series of models.

    Returns
    -------
    bytes
    """
    from pydicom.uid import EncapsulatedSTLStorage

    told = _study(key, result, patient_id, removed)
    told.Modality, told.SeriesNumber, told.InstanceNumber = "M3D", 2, number
    told.SeriesDescription = "Scans"
    told.FrameOfReferenceUID = _uid("frame", model.frame)
    told.PositionReferenceIndicator = None
    told.DeviceSerialNumber = "none"  # a program has none, and the attribute must not be empty
    told.BurnedInAnnotation = "NO"
    told.RecognizableVisualFeatures = "NO"
    told.MIMETypeOfEncapsulatedDocument = "model/stl"
    told.MeasurementUnitsCodeSequence = [_millimetre()]
    told.ModelModification = "NO"
    told.ModelMirroring = "NO"
    return _file(told, EncapsulatedSTLStorage, model.stl, model.title)


def _study(key: str, result: Mapping[str, Any], patient_id: str | None, removed: bool) -> Dataset:
    """What both kinds of objects share: nobody's name, one study a check."""
    from pydicom.dataset import Dataset

    moment = datetime.fromisoformat(result["checked_at_utc"]).astimezone(UTC)
    case = result["case"]["number"]
    told = Dataset()
    told.SpecificCharacterSet = "ISO_IR 192"
    told.PatientID = _identifier(case if patient_id is None else patient_id)
    if removed:
        told.PatientIdentityRemoved = "YES"
        told.DeidentificationMethod = _REMOVED
    for name in ("PatientName", "PatientBirthDate", "PatientSex", "ReferringPhysicianName"):
        setattr(told, name, None)  # not known here, and never made up
    told.AccessionNumber = None
    told.StudyID = case if case and len(case) <= _SHORT_LENGTH and "\\" not in case else None
    told.StudyDate = told.ContentDate = moment.strftime("%Y%m%d")
    told.StudyTime = told.ContentTime = moment.strftime("%H%M%S")
    told.AcquisitionDateTime = None  # when the scans were taken is not known
    told.TimezoneOffsetFromUTC = "+0000"
    told.StudyInstanceUID = _uid("study", key, told.PatientID)
    told.Manufacturer = told.ManufacturerModelName = _PROGRAM
    told.SoftwareVersions = result["program"]["version"]
    told.ConceptNameCodeSequence = []
    return told


def _file(told: Dataset, kind: UID, content: bytes, title: str) -> bytes:
    """The object with its content, as a file."""
    import hashlib

    from pydicom.dataset import FileMetaDataset
    from pydicom.uid import UID, ExplicitVRLittleEndian

    sha = hashlib.sha256(content).hexdigest()
    told.DocumentTitle = f"{title}; SHA-256 {sha}"
    told.EncapsulatedDocumentLength = len(content)
    told.SeriesInstanceUID = _uid("series", told.StudyInstanceUID, told.Modality)
    told.SOPClassUID = kind
    told.SOPInstanceUID = _uid("object", told.to_json())  # the document stands in it by its hash
    told.EncapsulatedDocument = content + b"\0" * (len(content) % 2)
    told.file_meta = FileMetaDataset()
    told.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    told.file_meta.MediaStorageSOPClassUID = told.SOPClassUID
    told.file_meta.MediaStorageSOPInstanceUID = told.SOPInstanceUID
    told.file_meta.ImplementationClassUID = UID(_uid("implementation"))
    told.file_meta.ImplementationVersionName = _PROGRAM.upper()
    stream = io.BytesIO()
    told.save_as(stream, enforce_file_format=True)
    return stream.getvalue()


def _millimetre() -> Dataset:
    from pydicom.dataset import Dataset

    unit = Dataset()
    unit.CodeValue, unit.CodingSchemeDesignator, unit.CodeMeaning = "mm", "UCUM", "mm"
    return unit


def _identifier(value: str | None) -> str | None:
    """A patient's identifier as DICOM can hold it."""
    return None if value is None else identifier(value, _ID_LENGTH, without="\\")


def _uid(*told: object) -> str:
    """A UID from content alone: 2.25 and a name-based UUID (DICOM PS3.5 annex B.2, RFC 9562)."""
    name = sha256_of("\n".join((FORM, *(str(one) for one in told))))
    space = uuid.uuid5(uuid.NAMESPACE_URL, f"urn:{_PROGRAM}")
    return f"2.25.{uuid.uuid5(space, name).int}"
