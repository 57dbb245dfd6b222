"""A hostile scan is refused before it takes the memory, and the refusal says what would help.

Expected: the limits as they are set; the peak of a process as the system tells it.
"""

from __future__ import annotations

import gzip
import io
import os
import resource
import struct
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from veneercheck import memory
from veneercheck.core.errors import ProfileError, ScanError
from veneercheck.memory import VARIABLE, bounded, check_needed, memory_gb
from veneercheck.scan import read_scan
from veneercheck.scan.limits import ReadCaps
from veneercheck.scan.threemf import read_3mf

HEAD = b'<model unit="millimeter"><resources><object id="1"><mesh><vertices>'
VERTEX = b'<vertex x="0" y="0" z="0"/>'


def bomb(vertices: int, *, lying: bool = False) -> bytes:
    """A 3MF that is nothing but vertices; one that lies tells a small size in its directory."""
    packed = io.BytesIO()
    with (
        zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as package,
        package.open("3D/3dmodel.model", "w") as part,
    ):
        part.write(HEAD)
        for _ in range(vertices // 10_000):
            part.write(VERTEX * 10_000)
    data = bytearray(packed.getvalue())
    if lying:
        struct.pack_into("<I", data, data.rfind(b"PK\x01\x02") + 24, 1000)
    return bytes(data)


@pytest.mark.parametrize("lying", [False, True])
def test_a_package_that_grows_beyond_all_measure_is_refused(lying: bool) -> None:
    with pytest.raises(ScanError, match=r"unpacks to more than 100 times|package is damaged"):
        read_3mf(bomb(2_000_000, lying=lying), "bomb.3mf", ReadCaps())


def test_points_are_counted_while_they_are_read() -> None:
    """30,000 points at most, of 500,000 in a package that may be unpacked whole."""
    with pytest.raises(ScanError, match=r"names 30,001 points; the limit is 30,000"):
        read_3mf(bomb(500_000), "bomb.3mf", ReadCaps(triangles=10_000))


def test_a_compressed_file_that_grows_beyond_all_measure_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bomb.stl.gz"
    path.write_bytes(gzip.compress(bytes(60_000_000)))
    with pytest.raises(ScanError, match="unpacks to more than 100 times its size"):
        read_scan(path)


FLOODS: dict[str, Callable[[], bytes]] = {
    "obj points": lambda: b"v 0 0 0\n" * 1_000_000 + b"f 1 2 3\n",
    "off points": lambda: b"OFF\n1000000 1 0\n" + b"0 0 0\n" * 1_000_000 + b"3 0 1 2\n",
    "off lines": lambda: b"OFF\n3 1 0\n" + b"0 0 0\n" * 3 + b"3 0 1 2\n" + b"0\n" * 5_000_000,
    "ply points": lambda: (
        b"ply\nformat binary_little_endian 1.0\nelement vertex 1000000\nproperty uchar x\n"
        b"property uchar y\nproperty uchar z\nelement face 1\n"
        b"property list uchar uchar vertex_indices\nend_header\n" + bytes(3_000_000) + b"\3\0\1\2"
    ),
    "stl words": lambda: b"solid x\nfacet\n" + b"a " * 5_000_000,
    "stl corners": lambda: b"solid x\nfacet\n" + b"VerTex 0 0 0\n" * 1_000_000,
    "obj blank lines": lambda: b"v 0 0 0\nf 1 1 1\n" + b"\n" * 20_000_000,
}


@pytest.mark.parametrize("name", FLOODS)
def test_a_flood_is_refused_within_a_few_times_its_size(tmp_path: Path, name: str) -> None:
    """In a process of its own, whose peak the system tells: 300 MB with all libraries loaded."""
    path = tmp_path / "flood.dat"
    path.write_bytes(FLOODS[name]())
    code = (
        "import sys, resource\n"
        "from veneercheck.core.errors import ScanError\n"
        "from veneercheck.scan import read_scan\n"
        "from veneercheck.scan.limits import ReadCaps\n"
        "try:\n    read_scan(sys.argv[1], caps=ReadCaps(triangles=100_000))\n"
        "except ScanError as refusal:\n"
        "    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, refusal.what)\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    peak_kb, _, what = ended.stdout.partition(" ")
    assert what, ended.stderr
    assert int(peak_kb) < 300_000, what


@pytest.mark.skipif(sys.platform != "linux", reason="only there the bound is the system's own")
def test_a_reader_is_stopped_before_it_passes_the_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "1")
    before = resource.getrlimit(resource.RLIMIT_DATA)

    @bounded
    def greedy() -> int:
        return len(np.ones(400_000_000))  # 3.2 GB

    with pytest.raises(ScanError, match=r"needs more than 1 GB of memory.*VENEERCHECK_MEMORY_GB=2"):
        greedy()
    assert resource.getrlimit(resource.RLIMIT_DATA) == before
    assert memory._Depth.count == 0


def test_a_check_that_would_take_too_much_is_refused_before_it_begins(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    check_needed(110_000, 1310.0)  # the sample bridge: 0.4 GB
    with pytest.raises(ScanError, match=r"500 cm².*2 GB are allowed.*VENEERCHECK_MEMORY_GB=4"):
        check_needed(1_000_000, 50_000.0)
    with pytest.raises(ScanError, match=r"5,000,000 triangles.*VENEERCHECK_MEMORY_GB=4"):
        check_needed(5_000_000, 1310.0)
    monkeypatch.setenv(VARIABLE, "4")
    check_needed(5_000_000, 1310.0)


def test_the_memory_allowed_is_a_sensible_number(monkeypatch: pytest.MonkeyPatch) -> None:
    assert memory_gb() == float(os.environ.get(VARIABLE, "2"))
    for wrong in ("nan", "0", "-1", "much", "1e400", "5000"):
        monkeypatch.setenv(VARIABLE, wrong)
        with pytest.raises(ProfileError, match="no number of gigabytes"):
            ReadCaps()
    monkeypatch.setenv(VARIABLE, "8")
    assert ReadCaps().triangles == 16_000_000 and ReadCaps().file_bytes == 2 << 30


def test_no_refusal_names_an_option_that_there_is_not() -> None:
    """What a refusal advises must exist: the variable above, or an option of the command line."""
    caps = ReadCaps(triangles=1, unpacked_bytes=1)
    for refuse in (
        lambda: caps.check_triangles(2, "x"),
        lambda: caps.check_points(4, "x"),
        lambda: caps.check_unpacked(2, 2, "x"),
        lambda: read_scan(["x"] * 65),
    ):
        with pytest.raises(ScanError) as refusal:
            refuse()
        assert "raise the limit" not in str(refusal.value)
        assert VARIABLE in refusal.value.next_step or "scanner's program" in refusal.value.next_step
