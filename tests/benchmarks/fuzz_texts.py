"""Wild case files, profiles and lists: each is read or refused, in no time and without a fault.

    python tests/benchmarks/fuzz_texts.py [COUNT] [SEED]

Sound documents are changed where it matters: a value of another kind, a key that is not known, a
table where a number stood, a number beyond all floats, a text of any signs, a row cut short; then,
in one of four, bytes of the written file. The short form is a test (`tests/edges/test_wild_texts`),
which calls this. Ends with 1 at the first fault and writes what it was.
"""

from __future__ import annotations

import collections
import copy
import json
import random
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from veneercheck.batch.listing import COLUMNS, tasks_of
from veneercheck.batch.task import Asked
from veneercheck.core.errors import VeneerCheckError
from veneercheck.profile import built_in, load_case, load_profile, profile_toml

COUNT, SEED = 20_000, 16
SLOWEST_S = 5.0
"""Of the processor, so that other work on the machine does not count."""

CASE: dict[str, Any] = {
    "case": "D-0417", "units": [45, 46, 47], "pontics": [46], "stage": "wax", "notes": "n",
    "profile": "generic", "alloy": "a", "composite": "c", "shade": "A2", "lots": {"alloy": "1"},
    "scanner_checked": "2026-03-31", "scans": {"framework": "f.stl", "waxup": "w.stl"},
    "frame": {"occlusal": "+z", "buccal": "-y", "teeth": {"46": [1.5, 0.0, 6.2]}},
    "veneered": {"surfaces": ["occlusal", "buccal"], "metal_stops": "ask",
                 "units": {"45": ["occlusal"]}},
    "landmarks": [
        {"framework": [k, j, 1.0], "waxup": [k, j, 1.0]} for k, j in ((0, 0), (5, 4), (9, 0))
    ],
}  # fmt: skip
LIST: dict[str, Any] = {
    "case": [
        {"framework": "f.stl", "waxup": "w.stl", "number": f"D-{k}", "unit": "mm", "aligned": True}
        for k in range(3)
    ]
}
RAW = {
    "nan": "nan", "inf": "-inf", "1e400": "1e400", "huge": "1" + "0" * 400,
    "hex": "0x" + "f" * 5000,
    "digits": "1" * 5000, "day": "2026-02-30", "time": "07:32:00", "yes": "true",
}  # fmt: skip
"""Values that JSON cannot write."""

VALUES: list[Any] = [
    None, True, -1, 0, 3, 1e308, -0.0, "", "x", "generic", "wax", "+z", "occlusal", "é" * 90, [],
    {},
    [46], ["46"], [[1]], {"46": [1, 2, 3]}, [1, 2, 3], "🦷ฟันשן\x1b\x7f\u202e", "=cmd|' /C'!A1",
    "<b>", '"""', "a" * 20_000, "../../x", "/dev/zero", "C:\\x", "http://x", "x\x00y", *RAW,
]  # fmt: skip
KEYS = ["", "x", "case", "units", "a.b", "é", "unit s", "layer", "least_mm", "k" * 3_000, "🦷", '"']
PIECES = [
    b"[",
    b"]]",
    b"=",
    b'"',
    b"'''",
    b"\n",
    b"\r",
    b"\0",
    b"\xff",
    b"#",
    b",",
    b";",
    b"{",
    b"e",
]


def toml(value: Any) -> str:
    """A document as TOML, wild values as they stand in `RAW`."""
    lines: list[str] = []
    _table(value, "", lines)
    return "\n".join(lines) + "\n"


def _table(table: dict[str, Any], path: str, lines: list[str]) -> None:
    for key, value in table.items():
        if not isinstance(value, dict):
            lines.append(f"{json.dumps(key)} = {_value(value)}")
    for key, value in table.items():
        if isinstance(value, dict):
            name = f"{path}.{json.dumps(key)}" if path else json.dumps(key)
            lines.append(f"[{name}]")
            _table(value, name, lines)


def _value(value: Any) -> str:
    if isinstance(value, str) and value in RAW:
        return RAW[value]
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, dict):
        return f"{{{', '.join(f'{json.dumps(k)} = {_value(v)}' for k, v in value.items())}}}"
    if value is None:
        return "[[]]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def changed(document: Any, chance: random.Random) -> Any:
    """A few random changes anywhere in a document."""
    found = copy.deepcopy(document)
    for _ in range(chance.choice((1, 1, 1, 2, 4))):
        place = found
        while True:
            keys: list[Any] = list(place) if isinstance(place, dict) else list(range(len(place)))
            key = chance.choice(keys) if keys else None
            inner = place[key] if keys else None
            if not keys or not isinstance(inner, dict | list) or chance.random() < 0.4:
                break
            place = inner
        _change(place, key, chance)
    return found


def _change(place: Any, key: Any, chance: random.Random) -> None:
    kind, value = chance.randrange(4), copy.deepcopy(chance.choice(VALUES))
    if isinstance(place, dict) and (kind == 0 or key is None):
        place[chance.choice(KEYS)] = value
    elif key is None:
        place.append(value)
    elif kind == 1:
        del place[key]
    else:
        place[key] = value


def broken(text: bytes, chance: random.Random) -> bytes:
    """Bytes of a file put in, cut or doubled."""
    data = bytearray(text)
    for _ in range(chance.choice((1, 1, 2, 5))):
        at = chance.randrange(len(data) + 1)
        kind = chance.randrange(4)
        if kind == 0:
            data[at:at] = chance.choice(PIECES)
        elif kind == 1:
            del data[at : at + chance.randrange(1, 30)]
        elif kind == 2:
            data[at:at] = data[at : at + 40]
        else:
            data[at : at + 1] = bytes([chance.randrange(256)])
    return bytes(data)


def csv_of(chance: random.Random) -> bytes:
    """A list as a spreadsheet may write it, more or less."""
    mark = chance.choice((",", ";", "\t"))
    head = chance.sample(COLUMNS, k=chance.randrange(1, len(COLUMNS)))
    if chance.random() < 0.2:
        head.append(chance.choice(KEYS))
    rows = [[str(chance.choice(VALUES)) for _ in range(len(head) + chance.choice((0, 0, -1, 1)))]
            for _ in range(chance.randrange(4))]  # fmt: skip
    lines = [mark.join(head), *(mark.join(row) for row in rows)]
    return chance.choice(("\n", "\r\n", "\r")).join(lines).encode("utf-8", "replace")


Reader = Callable[[Path], object]


def wild(chance: random.Random, profile: dict[str, Any]) -> tuple[str, bytes]:
    """The kind of a file, and what stands in it."""
    kind = chance.choice(("case", "profile", "list", "rows"))
    if kind == "rows":
        data = csv_of(chance)
    else:
        document = {"case": CASE, "profile": profile, "list": LIST}[kind]
        data = toml(changed(document, chance)).encode("utf-8", "replace")
    return kind, broken(data, chance) if chance.random() < 0.25 else data


def run(count: int, seed: int, folder: Path) -> collections.Counter[tuple[str, str]]:
    """Read so many wild files; any fault, and any that takes too long, escapes."""
    import tomllib

    chance = random.Random(seed)
    profile = tomllib.loads(profile_toml(built_in()))
    readers: dict[str, Reader] = {
        "case": load_case,
        "profile": load_profile,
        "list": lambda path: tasks_of(path, Asked(folder / "out")),
        "rows": lambda path: tasks_of(path, Asked(folder / "out")),
    }
    told: collections.Counter[tuple[str, str]] = collections.Counter()
    for _ in range(count):
        kind, data = wild(chance, profile)
        path = folder / ("wild.csv" if kind == "rows" else "wild.toml")
        path.write_bytes(data)
        began = time.process_time()
        try:
            readers[kind](path)
            told[kind, "read"] += 1
        except VeneerCheckError as refusal:
            assert len(str(refusal)) < 2_000, str(refusal)[:300]
            str(refusal).encode("utf-8")
            told[kind, "refused"] += 1
        took = time.process_time() - began
        assert took < SLOWEST_S, f"{kind} took {took:.1f} s"
    return told


def main(count: int = COUNT, seed: int = SEED) -> None:
    """The long run, told; a fault ends it, and the file that made it stays."""
    folder = Path(tempfile.mkdtemp(prefix="wild-texts-"))
    sys.stdout.write(f"the file read last lies in {folder}\n")
    told = run(count, seed, folder)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    sys.stdout.write(f"{told.total()} files, seed {seed}: {dict(told)}; peak {peak:.0f} MB\n")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
