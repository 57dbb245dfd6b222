"""What leaves the register in open standards, read back by programs that are not ours."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pydicom
import pytest
from typer.testing import CliRunner

import record_trials as trials
from many_cases import uneven
from veneercheck.cli.main import app
from veneercheck.core.errors import RecordError
from veneercheck.record import Register
from veneercheck.record.deciding import decide
from veneercheck.record.dicom import pdf_object
from veneercheck.record.export import export_dicom, export_fhir
from veneercheck.record.fhir import fhir_bundle
from veneercheck.record.filing import make_case_folder, put_on_record
from veneercheck.record.located import folder_of, one_check
from veneercheck.scan import read_scan

DCIODVFY = shutil.which("dciodvfy")
needs_dciodvfy = pytest.mark.skipif(DCIODVFY is None, reason="Debian's dicom3tools is missing")


@pytest.fixture(scope="module")
def filed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A register with one case, its report included."""
    folder = tmp_path_factory.mktemp("filed")
    trials.filed(folder, with_report=True)[0].close()
    return folder


@pytest.fixture
def register(filed: Path, tmp_path: Path) -> Any:
    """A copy of it, to do as one likes with."""
    shutil.copytree(filed, tmp_path / "filed")
    with Register(tmp_path / "filed" / "register.sqlite") as opened:
        yield opened


def complaints(path: Path) -> str:
    """What an independent checker of DICOM objects says, without the kind it recognised."""
    done = subprocess.run([str(DCIODVFY), str(path)], capture_output=True, text=True, check=False)
    return re.sub(r"^Encapsulated(PDF|STL)\n", "", done.stdout + done.stderr, flags=re.MULTILINE)


def held(path: Path) -> bytes:
    """The document in an object, cut to the length that the object states."""
    told = pydicom.dcmread(path)
    assert len(told.EncapsulatedDocument) % 2 == 0
    return bytes(told.EncapsulatedDocument[: told.EncapsulatedDocumentLength])


@needs_dciodvfy
def test_dicom_objects_are_sound_and_hold_the_files_on_record(
    register: Register, tmp_path: Path
) -> None:
    """By Debian's dicom3tools; bytes against the SHA-256 on record."""
    made = export_dicom(register, "T-1", tmp_path / "one")
    assert [path.name for path in made] == ["report.dcm", "framework.dcm", "waxup.dcm"]
    assert [complaints(path) for path in made] == [""] * 3
    check = one_check(register, "T-1")
    scans = check.body["order"]["scans"]
    wanted = [check.body["files"]["report.pdf"], *(s["sha256"] for s in scans.values())]
    assert [hashlib.sha256(held(path)).hexdigest() for path in made] == wanted
    told = [pydicom.dcmread(path) for path in made]
    assert [one.PatientName or "" for one in told] == [""] * 3
    assert {one.PatientID for one in told} == {"T-1"}
    assert {one.StudyDate for one in told} == {"20260331"}
    assert len({one.StudyInstanceUID for one in told}) == 1
    assert len({one.SOPInstanceUID for one in told}) == 3
    assert [one.MeasurementUnitsCodeSequence[0].CodeValue for one in told[1:]] == ["mm", "mm"]
    assert told[1].FrameOfReferenceUID == told[2].FrameOfReferenceUID, "the case says --aligned"


@needs_dciodvfy
def test_the_checker_complains_where_something_is_missing(
    register: Register, tmp_path: Path
) -> None:
    """That it says nothing above means something."""
    _, framework, _ = export_dicom(register, "T-1", tmp_path / "one")
    told = pydicom.dcmread(framework)
    del told.MeasurementUnitsCodeSequence, told.FrameOfReferenceUID
    told.save_as(framework)
    said = complaints(framework)
    assert "MeasurementUnitsCodeSequence" in said and "FrameOfReferenceUID" in said


def test_the_same_content_has_the_same_uids_and_other_content_others(
    register: Register, tmp_path: Path
) -> None:
    first = [path.read_bytes() for path in export_dicom(register, "T-1", tmp_path / "one")]
    again = [path.read_bytes() for path in export_dicom(register, "T-1", tmp_path / "two")]
    assert first == again
    given = export_dicom(register, "T-1", tmp_path / "three", "HOSPITAL-7")
    told = [pydicom.dcmread(tmp_path / "one" / path.name) for path in given]
    other = [pydicom.dcmread(path) for path in given]
    assert {one.PatientID for one in other} == {"HOSPITAL-7"}
    assert "PatientIdentityRemoved" not in other[0]
    uids = {str(one.SOPInstanceUID) for one in (*told, *other)}
    assert len(uids) == 6
    assert all(re.fullmatch(r"2\.25\.[1-9]\d{0,38}", uid) and len(uid) <= 64 for uid in uids)


@pytest.mark.parametrize("length", [1000, 1001])
def test_a_document_of_odd_length_comes_back_whole(
    register: Register, tmp_path: Path, length: int
) -> None:
    """DICOM PS3.5: a value has an even length, so the true one is an attribute of its own."""
    result = one_check(register, "T-1").body["result"]
    pdf = bytes(number % 251 for number in range(length))
    (tmp_path / "one.dcm").write_bytes(pdf_object("0" * 64, result, pdf, None))
    assert held(tmp_path / "one.dcm") == pdf


@pytest.mark.parametrize("bad", ["A\\B", "x" * 65, " ", "a\nb"])
def test_an_identifier_that_dicom_cannot_hold_is_refused(
    register: Register, tmp_path: Path, bad: str
) -> None:
    with pytest.raises(RecordError, match="identifier"):
        export_dicom(register, "T-1", tmp_path / "one", bad)
    assert not (tmp_path / "one").exists()


def test_a_scan_in_inches_leaves_in_millimetres(tmp_path: Path) -> None:
    """25.4 mm to the inch, by definition; a scan that is no STL in mm is written anew."""
    import dataclasses

    import numpy as np

    from veneercheck.core.types import TriangleMesh
    from veneercheck.scan import write_stl

    work = trials.scans(tmp_path / "scans")
    for path in (work.framework, work.waxup):
        mesh = read_scan(path).mesh
        write_stl(path, TriangleMesh(mesh.points_mm / 25.4, mesh.faces))
    work = dataclasses.replace(work, unit="inch")
    with Register(tmp_path / "register.sqlite") as register:
        made = make_case_folder(work, tmp_path / "cases", with_report=False)
        put_on_record(register, made)
        written = export_dicom(register, "T-1", tmp_path / "one")
    assert [path.name for path in written] == ["framework.dcm", "waxup.dcm"], "no report was made"
    (tmp_path / "waxup.stl").write_bytes(held(written[1]))
    points = read_scan(tmp_path / "waxup.stl").mesh.points_mm
    away = np.linalg.norm(points, axis=1)
    expected = trials.RADIUS_MM * uneven(points / away[:, None])
    np.testing.assert_allclose(away, expected, atol=2e-6)
    assert "written anew" in pydicom.dcmread(written[1]).DocumentTitle


def test_fhir_parses_in_r4_and_in_r5(register: Register, tmp_path: Path) -> None:
    """Two independent models: one of R4, one of R4B and R5; each refuses what it does not know."""
    from fhir.resources.bundle import Bundle as R5Bundle
    from fhir.resources.R4B.bundle import Bundle as R4Bundle
    from fhirclient.models.bundle import Bundle as OldBundle
    from fhirclient.models.fhirabstractbase import FHIRValidationError

    (path,) = export_fhir(register, "T-1", tmp_path / "one.json")
    told = json.loads(path.read_text(encoding="utf-8"))
    check = one_check(register, "T-1")
    zones = check.body["result"]["zones"]
    r5, r4b = R5Bundle.model_validate(told), R4Bundle.model_validate(told)
    r4 = OldBundle(told, strict=True)
    for bundle in (r5, r4b, r4):
        report, *found = [one.resource for one in bundle.entry]
        assert len(found) == len(zones) > 0
        assert [one.reference for one in report.result] == [
            str(one.fullUrl) for one in bundle.entry[1:]
        ]
        for zone, one in zip(zones, found, strict=True):
            assert float(one.valueQuantity.value) == round(zone["extreme_mm"], 3)
            assert one.valueQuantity.code == one.referenceRange[0].low.code == "mm"
            assert float(one.referenceRange[0].low.value) == round(zone["limit_mm"], 3)
    pdf = (folder_of(register, check) / "report.pdf").read_bytes()
    assert bytes(r5.entry[0].resource.presentedForm[0].data) == pdf
    assert "name" not in json.dumps(told["entry"][1])
    told["entry"][1]["resource"]["lustre"] = 1
    for reader in (R5Bundle.model_validate, R4Bundle.model_validate, OldBundle):
        with pytest.raises((ValueError, FHIRValidationError)) as refusal:
            reader(told)
        assert "lustre" in str(refusal.value)


def test_a_report_is_final_only_once_a_person_accepted_it(tmp_path: Path) -> None:
    """HL7: «final» is what an authorized person verified. Nothing is drawn anew for that."""
    states = []
    register, check = trials.filed(tmp_path)
    with register:
        for what in (None, "ask the dentist", "accepted", "remake"):
            if what:
                decide(register, "T-1", who="QA", what=what, why="looked at", now=trials.NOW)
            told = fhir_bundle(check, register.decisions_on(check.key), None, None)
            states.append({one["resource"]["status"] for one in told["entry"]})
    assert states == [{"preliminary"}, {"preliminary"}, {"final"}, {"preliminary"}]
    assert "Decided by QA: remake. looked at" in told["entry"][0]["resource"]["conclusion"]


def test_each_finding_reads_to_its_side_of_the_limit(register: Register) -> None:
    """Too thick is above a high limit; over contour is a space below zero; else it is open."""
    from fhir.resources.bundle import Bundle as R5Bundle

    check = one_check(register, "T-1")
    zone = dict(check.body["result"]["zones"][0])
    kinds = [
        {"finding": "too_thick", "extreme_mm": 2.6, "limit_mm": 2.0},
        {"finding": "over_contour", "extreme_mm": -0.2, "limit_mm": 0.0},
        {"finding": "too_thin", "decision": "undecided", "about": "beads", "limit_mm": None},
    ]
    check.body["result"]["zones"] = [{**zone, **kind} for kind in kinds]
    told = fhir_bundle(check, [], None, None)
    R5Bundle.model_validate(told)
    thick, over, beads = [one["resource"] for one in told["entry"][1:]]
    assert thick["referenceRange"][0]["high"]["value"] == 2.0
    assert over["referenceRange"][0]["low"]["value"] == 0.0
    assert "referenceRange" not in beads and "beads" in beads["code"]["text"]
    codes = [one["interpretation"][0]["coding"][0]["code"] for one in (thick, over, beads)]
    assert codes == ["H", "L", "IND"]


def test_an_altered_report_does_not_leave(register: Register, tmp_path: Path) -> None:
    report = folder_of(register, one_check(register, "T-1")) / "report.pdf"
    report.write_bytes(report.read_bytes() + b" ")
    for leave in (export_dicom, export_fhir):
        with pytest.raises(RecordError, match="not as it is on record"):
            leave(register, "T-1", tmp_path / "one")
    assert not (tmp_path / "one").exists()


def test_the_command_writes_each_form(register: Register, tmp_path: Path) -> None:
    place = str(register.file)
    for form, name, more in (
        ("bundle", "one.zip", []),
        ("dicom", "one", ["--patient-id", "H-7"]),
        ("fhir", "one.json", []),
    ):
        words = ["records", "export", "T-1", "--form", form, "--out", str(tmp_path / name)]
        done = CliRunner().invoke(app, [*words, "--register", place, *more])
        assert done.exit_code == 0, done.output
        assert (tmp_path / name).exists()
    words = ["records", "export", "T-1", "--patient-id", "H-7", "--register", place]
    assert CliRunner().invoke(app, words).exit_code == 2
