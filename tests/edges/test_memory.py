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

from veneercheck.core.errors import ProfileError, ScanError
from veneercheck.core.types import TriangleMesh
from veneercheck.machine import memory
from veneercheck.machine.memory import VARIABLE, bounded, check_needed, memory_gb
from veneercheck.phantom.bodies import concentric_spheres
from veneercheck.scan import read_scan, write_stl
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


POINTS, MORE = "points; the limit is 300,000", 1_000_000
FLOODS: dict[str, tuple[Callable[[], bytes], str, int]] = {
    "obj points": (lambda: b"v 0 0 0\n" * 3 * MORE + b"f 1 2 3\n", POINTS, 200),
    "obj blank lines": (lambda: b"v 0 0 0\nf 1 1 1\n" + b"\n" * 20 * MORE, "", 250),
    "off points": (
        lambda: b"OFF\n1000000 1 0\n" + b"0 0 0\n" * MORE + b"3 0 1 2\n", POINTS, 150,
    ),
    "off lines": (
        lambda: b"OFF\n3 1 0\n" + b"0 0 0\n" * 3 + b"3 0 1 2\n" + b"0\n" * 5 * MORE, "", 150,
    ),
    "ply points": (
        lambda: (
            b"ply\nformat binary_little_endian 1.0\nelement vertex 1000000\nproperty uchar x\n"
            b"property uchar y\nproperty uchar z\nelement face 1\n"
            b"property list uchar uchar vertex_indices\nend_header\n"
            + bytes(3 * MORE)
            + b"\3\0\1\2"
        ),
        POINTS,
        150,
    ),
    "stl words": (lambda: b"solid x\nfacet\n" + b"ab " * 5 * MORE, "", 150),
    "stl corners": (lambda: b"solid x\nfacet\n" + b"VerTex 0 0 0\n" * MORE, POINTS, 300),
}  # fmt: skip
"""What is read, what the refusal says of it, and the most MB the process may take for it."""


@pytest.mark.parametrize("name", FLOODS)
def test_a_flood_is_refused_within_a_few_times_its_size(tmp_path: Path, name: str) -> None:
    """In a process of its own, whose peak the system tells: 70 MB before it reads anything.

    `ru_maxrss` would do no good: it remembers the size of the process that started this one.
    """
    make, words, most_mb = FLOODS[name]
    path = tmp_path / "flood.dat"
    path.write_bytes(make())
    code = (
        "import sys\n"
        "from veneercheck.core.errors import ScanError\n"
        "from veneercheck.scan import read_scan\n"
        "from veneercheck.scan.limits import ReadCaps\n"
        "try:\n    read_scan(sys.argv[1], caps=ReadCaps(triangles=100_000))\n"
        "except ScanError as refusal:\n"
        "    status = open('/proc/self/status').read().split()\n"
        "    print(status[status.index('VmHWM:') + 1], refusal.what)\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    peak_kb, _, what = ended.stdout.partition(" ")
    assert words in what and what, ended.stderr
    assert int(peak_kb) < 1000 * most_mb, what


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
    assert ReadCaps().triangles == 8_000_000 and ReadCaps().file_bytes == 2 << 30


def test_no_refusal_names_an_option_that_there_is_not() -> None:
    """What a refusal advises must exist: the variable above, or an option of the command line."""
    caps = ReadCaps(triangles=1, unpacked_bytes=1)
    for refuse in (
        lambda: caps.check_triangles(2, "x"),
        lambda: caps.check_points(4, "x"),
        lambda: caps.check_unpacked(2, 2, "x"),
    ):
        with pytest.raises(ScanError) as refusal:
            refuse()
        assert "raise the limit" not in str(refusal.value)
        assert VARIABLE in refusal.value.next_step


def checked(folder: Path, framework: Path, waxup: Path, allowed_gb: str) -> tuple[int, str]:
    """Exit code and words of a check through the command line."""
    ended = subprocess.run(
        [sys.executable, "-m", "veneercheck", "check", str(framework), str(waxup), "--no-report",
         "--out", str(folder / "out")],
        capture_output=True, text=True, check=False, env={**os.environ, VARIABLE: allowed_gb},
    )  # fmt: skip
    assert not (folder / "out").exists()
    return ended.returncode, ended.stderr


def test_the_command_refuses_what_would_take_too_much(tmp_path: Path) -> None:
    """Two balls of 60 mm in 1,280 triangles, refined to three million: more than a quarter GB."""
    ball = concentric_spheres(0.45).inner
    large = TriangleMesh(ball.points_mm * 7.5, ball.faces)
    for name in ("f.stl", "w.stl"):
        write_stl(tmp_path / name, large)
    code, told = checked(tmp_path, tmp_path / "f.stl", tmp_path / "w.stl", "0.25")
    assert code == 3 and "GB are allowed" in told and f"{VARIABLE}=" in told


def test_the_command_refuses_a_bomb(tmp_path: Path) -> None:
    for name in ("f.3mf", "w.3mf"):
        (tmp_path / name).write_bytes(bomb(4_000_000))
    code, told = checked(tmp_path, tmp_path / "f.3mf", tmp_path / "w.3mf", "2")
    assert code == 3 and "no scan does" in told
