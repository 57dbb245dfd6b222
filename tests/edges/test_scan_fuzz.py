"""Broken files by the thousand: every one is read or refused by the program's own words.

A short run belongs to the tests. The long one, for a machine left alone:

    python tests/edges/test_scan_fuzz.py 240000

prints how many inputs of each format were read and refused, the slowest, and the peak memory.
"""

from __future__ import annotations

import argparse
import itertools
import random
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from edges import test_scan_corpus
from veneercheck.core.errors import ScanError
from veneercheck.scan import ReadCaps
from veneercheck.scan.intake import Intake
from veneercheck.scan.reading import scan_from_bytes

MADE = test_scan_corpus
POINTS, FACES = MADE.ball(1)
COLOURS = [(0, 0, 255), (0, 255, 0)] * (len(POINTS) // 2)

SEEDS: dict[str, list[bytes]] = {
    "stl": [MADE.stl(POINTS, FACES), MADE.stl(POINTS, FACES[:50], header=b"solid facet")],
    "ascii stl": [MADE.ascii_stl(POINTS, FACES[:40], number="{:.5g}")],
    "ply": [
        MADE.ply(POINTS, FACES),
        MADE.ply(POINTS, FACES, form="binary_little_endian", colours=COLOURS),
        MADE.ply(MADE.CUBE, MADE.QUADS, form="binary_big_endian", real="double", extra=("q",)),
    ],
    "obj": [MADE.obj(POINTS, FACES), MADE.obj(*MADE.ell(), corner="{0}/1/{0}")],
    "off": [MADE.off(POINTS, FACES), MADE.off(MADE.CUBE, MADE.QUADS, head="COFF")],
    "3mf": [MADE.threemf(POINTS, FACES), MADE.several()],
    "glb": [
        MADE.glb(POINTS, FACES),
        MADE.glb(POINTS, FACES, change=MADE.edit("nodes.0.scale", [-1, 1, 1])),
    ],
    "gzip": [MADE.gzip.compress(MADE.stl(POINTS, FACES))],
}
"""Sound files of at most 10 kB."""

CAPS = ReadCaps(file_bytes=10_000_000, unpacked_bytes=10_000_000, triangles=100_000)
SLOWEST_S = 5.0
"""Of the processor, so that other work on the machine does not count."""
GREATEST_BYTES = 1 << 30

WORDS = (
    b"nan", b"inf", b"-1", b"0", b"1e999", b"99999999999", b"4294967295", b"\xff\xff\xff\xff",
    b"\0\0\0\0", b"\x00\x00\x80\x7f", b"\x00\x00\xc0\xff", b"vertex", b"endloop", b"property",
    b"list", b"element face 4000000000", b"f 1 2 3 4 5 6", b"v", b"#", b"\\\n", b",", b"{", b"[",
    b"]", b'"count":', b"<component objectid='1'/>", b"<!DOCTYPE", b"solid", b"ply\n", b"OFF",
    b"glTF", b"PK\x03\x04", b"\x1f\x8b", b"\r", b"\n", b" ",
)  # fmt: skip
"""Pieces that mean something to one reader or another."""


def taken(data: bytes, unit: str | None = "mm") -> str:
    """Read a file held in memory: «read», or the refusal's first word; anything else escapes."""
    try:
        # With the unit given, odd sizes go on to the conditioning, too.
        scan_from_bytes(Intake("fuzzed", data, ""), caps=CAPS, unit=unit)
    except ScanError as refusal:
        assert refusal.what
        return "refused"
    return "read"


def mutated(seed: bytes, chance: random.Random) -> bytes:
    """A few random changes: bytes, pieces cut, doubled, moved, words put in."""
    data = bytearray(seed)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 6))):
        at = chance.randrange(len(data) + 1)
        length = int(chance.expovariate(1 / 20)) + 1
        kind = chance.randrange(7)
        if kind == 0 and at < len(data):
            data[at] = chance.randrange(256)
        elif kind == 1 and at < len(data):
            data[at] ^= 1 << chance.randrange(8)
        elif kind == 2:
            del data[at : at + length]
        elif kind == 3:
            data[at:at] = data[at : at + length] * chance.choice((1, 1, 4))
        elif kind == 4:
            data[at:at] = chance.choice(WORDS)
        elif kind == 5:
            word = chance.choice(WORDS)
            data[at : at + len(word)] = word
        else:
            del data[at:]
    return bytes(data)


def inside(seed: bytes, chance: random.Random) -> bytes:
    """A 3MF or gzip changed inside its packing, which random bytes would only break."""
    if seed[:2] == b"\x1f\x8b":
        return MADE.gzip.compress(mutated(MADE.gzip.decompress(seed), chance), 1)
    with MADE.zipfile.ZipFile(MADE.io.BytesIO(seed)) as package:
        model = package.read("3D/3dmodel.model")
    return MADE.package(mutated(model, chance))


def variant(kind: str, seed: bytes, chance: random.Random) -> bytes:
    packed = kind in ("3mf", "gzip")
    return inside(seed, chance) if packed and chance.random() < 0.8 else mutated(seed, chance)


@pytest.mark.parametrize("kind", SEEDS)
def test_seeds_are_small_and_sound(kind: str) -> None:
    for seed in SEEDS[kind]:
        assert len(seed) <= 10_000
        assert taken(seed) == "read"


@pytest.mark.parametrize("kind", SEEDS)
def test_broken_files_are_read_or_refused(kind: str) -> None:
    """Both must occur: a reader that refuses or swallows everything would be no reader."""
    chance = random.Random(sum(kind.encode()))
    seeds = itertools.cycle(SEEDS[kind])
    found = Counter(taken(variant(kind, next(seeds), chance)) for _ in range(150))
    assert found["read"] > 0
    assert found["refused"] > 0


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.sampled_from(sorted(SEEDS)), st.binary(max_size=200), st.integers(0, 10_000), st.booleans()
)
def test_any_bytes_anywhere(kind: str, piece: bytes, at: int, over: bool) -> None:
    seed = SEEDS[kind][0]
    at %= len(seed) + 1
    taken(seed[:at] + piece + seed[at + len(piece) * over :])


@settings(max_examples=100, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.binary(max_size=300))
def test_any_bytes_alone(data: bytes) -> None:
    assert taken(data) == "refused" if data else True


# --- the long run -------------------------------------------------------------------------------


def peak_bytes() -> int:
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def long_run(count: int, start: int, save: Callable[[bytes, str], None]) -> int:
    chance = random.Random(start)
    found: Counter[tuple[str, str]] = Counter()
    slowest, faults = (0.0, ""), 0
    for number in range(count):
        kind = chance.choice(list(SEEDS))
        data = variant(kind, chance.choice(SEEDS[kind]), chance)
        began = time.process_time()
        try:
            found[kind, taken(data)] += 1
        except Exception as error:
            faults += 1
            found[kind, f"FAULT {type(error).__name__}"] += 1
            save(data, f"{kind}-{number}-{type(error).__name__}")
        took = time.process_time() - began
        if took > slowest[0]:
            slowest = (took, kind)
        if took > SLOWEST_S:
            faults += 1
            save(data, f"{kind}-{number}-slow")
    for (kind, outcome), times in sorted(found.items()):
        print(f"{kind:10} {outcome:24} {times:8,}")
    print(f"{count:,} inputs, {faults} faults, slowest {slowest[0]:.2f} s ({slowest[1]}), ", end="")
    print(f"peak memory {peak_bytes() / 1e6:.0f} MB")
    return int(faults > 0 or peak_bytes() > GREATEST_BYTES)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", type=int)
    parser.add_argument("--start", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for the inputs that failed")
    wanted = parser.parse_args()

    def save(data: bytes, name: str) -> None:
        if wanted.keep:
            wanted.keep.mkdir(parents=True, exist_ok=True)
            (wanted.keep / name.replace(" ", "_")).write_bytes(data)

    np.seterr(all="ignore")
    return long_run(wanted.count, wanted.start, save)


if __name__ == "__main__":
    sys.exit(main())
