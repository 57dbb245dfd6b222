"""The table of checks that were found, as Parquet: columns with their types, for other programs."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from veneercheck.case.folders import write_bytes
from veneercheck.core.errors import RecordError, Told


def write_parquet(rows: Sequence[dict[str, Any]], columns: Sequence[str], target: Path) -> Path:
    """Write rows as one Parquet file, aside and renamed.

    Parameters
    ----------
    rows : sequence of dict
        As `--json` tells them.
    columns : sequence of str
        Of every row, also where there is none.
    target : Path

    Raises
    ------
    RecordError
        If `pyarrow` is not installed, or the file cannot be written.
    """
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ModuleNotFoundError as error:
        raise RecordError(
            Told("Parquet needs what is not installed ({name}).", name=error.name),
            where="--parquet",
            next_step="Install it: pip install 'veneercheck[parquet]'; or take --csv.",
        ) from None
    schema = pa.schema([(name, _type_of(pa, name)) for name in columns])
    held = [{name: _value(name, row[name]) for name in columns} for row in rows]
    sink = pa.BufferOutputStream()
    parquet.write_table(pa.Table.from_pylist(held, schema), sink)
    return write_bytes(target, sink.getvalue().to_pybytes())


def _type_of(pa: Any, name: str) -> Any:
    if name.endswith("_at_utc"):
        return pa.timestamp("us", tz="UTC")
    own = {"seq": pa.int64(), "units": pa.list_(pa.string())}
    return own.get(name, pa.bool_() if name in _YES_OR_NO else pa.string())


_YES_OR_NO = ("unaltered", "repeated_the_same")


def _value(name: str, value: Any) -> Any:
    return datetime.fromisoformat(value) if name.endswith("_at_utc") and value else value
