"""Files that are no files, that change, that lie about their place; and writing whole or not."""

from __future__ import annotations

import errno
import hashlib
import os
import struct
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from veneercheck.core.errors import ScanError
from veneercheck.core.types import TriangleMesh
from veneercheck.scan import ReadCaps, intake, read_scan, write_stl

# A tetrahedron of 20 mm; its area by the cross products of its faces is 1 146.4 mm².
POINTS = np.array([[0, 0, 0], [20, 0, 0], [0, 20, 0], [0, 0, 20]], dtype=float)
FACES = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
BODY = TriangleMesh(POINTS, FACES)
AREA = 3 * 200 + 200 * np.sqrt(3)

posix_only = pytest.mark.skipif(os.name != "posix", reason="rights and pipes as POSIX has them")


@pytest.fixture
def body(tmp_path: Path) -> Path:
    path = tmp_path / "body.stl"
    write_stl(path, BODY)
    return path


def refusal(path: Path, **options: object) -> str:
    with pytest.raises(ScanError) as caught:
        read_scan(path, **options)
    assert caught.value.next_step
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_hash_is_of_the_bytes_in_the_file(body: Path) -> None:
    scan = read_scan(body)
    assert scan.source.sha256 == hashlib.sha256(body.read_bytes()).hexdigest()
    assert scan.source.area_mm2 == pytest.approx(AREA)


def test_missing_folder_and_device(tmp_path: Path) -> None:
    assert "no such file" in refusal(tmp_path / "none.stl")
    assert "no such file" in refusal(tmp_path / "none" / "none.stl")
    if os.name == "posix":
        assert "a folder" in refusal(tmp_path)
        assert "a device or a pipe" in refusal(Path("/dev/zero"))


@posix_only
def test_pipe_does_not_make_it_wait(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.stl"
    os.mkfifo(pipe)
    assert "a device or a pipe" in refusal(pipe)


@posix_only
def test_no_right_to_read(body: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(*_: object) -> int:
        raise PermissionError(errno.EACCES, "denied")

    monkeypatch.setattr(intake.os, "open", denied)  # the tests may run as one who may read all
    assert "may not be read" in refusal(body)


@posix_only
def test_links_are_followed_to_files_and_only_there(body: Path, tmp_path: Path) -> None:
    link = tmp_path / "link.stl"
    link.symlink_to(body)
    assert read_scan(link).source.triangles == 4
    broken = tmp_path / "broken.stl"
    broken.symlink_to(tmp_path / "gone.stl")
    assert "no such file" in refusal(broken)
    loop = tmp_path / "loop.stl"
    loop.symlink_to(loop)
    assert "cannot be opened" in refusal(loop)


def test_impossible_name() -> None:
    assert "not a possible file name" in refusal(Path("a\0b.stl"))


@posix_only
@pytest.mark.skipif(sys.platform == "darwin", reason="its file system takes only UTF-8 names")
def test_names_in_other_encodings_can_be_shown_and_stored(body: Path, tmp_path: Path) -> None:
    odd = Path(os.fsdecode(os.fsencode(tmp_path) + b"/br\xfccke\n\xe2\x80\xae.stl"))
    odd.write_bytes(body.read_bytes())
    name = read_scan(odd).source.file
    assert name == r"br\xfccke\n\u202e.stl"
    name.encode("utf-8")


def test_size_is_refused_before_it_is_read(body: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "_read_at_most", lambda *_: pytest.fail("it was read"))
    assert "the limit is" in refusal(body, caps=ReadCaps(file_bytes=100))


def test_triangles_are_refused_by_the_count(body: Path) -> None:
    assert "the limit is 3" in refusal(body, caps=ReadCaps(triangles=3))


def test_file_that_grows_while_it_is_read(body: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read = intake._read_at_most

    def grow(file: object, size: int) -> bytes:
        with body.open("ab") as more:
            more.write(b"x" * 50)
        return read(file, size)

    monkeypatch.setattr(intake, "_read_at_most", grow)
    assert "changed while it was read" in refusal(body)


def test_file_that_is_rewritten_after_it_was_read(
    body: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = intake._read_at_most

    def rewrite(file: object, size: int) -> bytes:
        data = read(file, size)
        stamp = body.stat().st_mtime_ns + 1_000_000_000
        with body.open("r+b") as other:
            other.write(b"x")
        os.utime(body, ns=(stamp, stamp))
        return data

    monkeypatch.setattr(intake, "_read_at_most", rewrite)
    assert "changed while it was read" in refusal(body)


def test_no_memory_is_told(body: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def exhausted(*_: object) -> bytes:
        raise MemoryError

    monkeypatch.setattr(intake, "_read_at_most", exhausted)
    assert "needs more than 2 GB of memory" in refusal(body)


def test_wrong_requests(body: Path) -> None:
    assert "«cubit»" in refusal(body, unit="cubit")
    assert "no kind of scan" in refusal(body, kind="photo")


@pytest.mark.parametrize(
    ("unit", "factor"),
    # the inch is 25.4 mm and the foot 304.8 mm by definition
    [
        ("mm", 1),
        ("cm", 10),
        ("m", 1000),
        ("in", 25.4),
        ("inches", 25.4),
        ("ft", 304.8),
        ("µm", 1e-3),
    ],
)
def test_unit_as_asked(body: Path, unit: str, factor: float) -> None:
    scan = read_scan(body, unit=unit)
    assert np.ptp(scan.mesh.points_mm, axis=0).max() == pytest.approx(20 * factor)


# --- writing ------------------------------------------------------------------------------------


def test_written_layout(body: Path) -> None:
    data = body.read_bytes()
    assert len(data) == 84 + 50 * 4
    assert not data.startswith(b"solid")
    normal = struct.unpack_from("<3f", data, 84)
    assert normal == (0.0, 0.0, -1.0)  # the first face lies in z = 0 and looks down


def test_nothing_is_left_where_the_disk_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "out.stl"
    path.write_bytes(b"the old one")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ScanError, match="No space left"):
        write_stl(path, BODY)
    assert path.read_bytes() == b"the old one"
    assert list(tmp_path.iterdir()) == [path]


def test_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ScanError, match="cannot be written"):
        write_stl(tmp_path / "none" / "out.stl", BODY)


def test_a_reader_never_sees_a_part(tmp_path: Path) -> None:
    path = tmp_path / "out.stl"
    write_stl(path, BODY)
    stop = threading.Event()

    def write() -> None:
        while not stop.is_set():
            write_stl(path, BODY)

    thread = threading.Thread(target=write)
    thread.start()
    try:
        sizes = {len(path.read_bytes()) for _ in range(50)}
    finally:
        stop.set()
        thread.join()
    assert sizes == {84 + 50 * 4}
