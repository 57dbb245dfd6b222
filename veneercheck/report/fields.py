"""How a value of a result is written and described: each kind once, for JSON and for its schema."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from operator import attrgetter
from typing import Any

Schema = dict[str, Any]


@dataclasses.dataclass(frozen=True, slots=True)
class Field:
    """One field: its schema, how its value is written, and where that value is found.

    Parameters
    ----------
    schema : dict
        JSON Schema, its description included.
    write : callable
        From the value to what JSON holds.
    taken : callable, optional
        From what the field belongs to, to its value; without it, what is called as the field is.
    """

    schema: Schema
    write: Callable[[Any], Any]
    taken: Callable[[Any], Any] | None = None

    def of(self, owner: Any, name: str) -> Any:
        """What JSON holds under this field's name."""
        if self.taken is not None:
            return self.write(self.taken(owner))
        return self.write(owner[name] if isinstance(owner, Mapping) else getattr(owner, name))


def at(where: str | Callable[[Any], Any], field: Field) -> Field:
    """The same field, its value taken from elsewhere: «check.case» or a function of the owner."""
    taken = attrgetter(where) if isinstance(where, str) else where
    return dataclasses.replace(field, taken=taken)


def number_of(value: float) -> float | None:
    """A float for JSON: None where it is not a finite number."""
    value = float(value)
    return value if math.isfinite(value) else None


def number(says: str) -> Field:
    """A number, null where it is not known."""
    return Field({"type": ["number", "null"], "description": says}, number_of)


def length(says: str, **bounds: float) -> Field:
    """A number that is always known."""
    return Field({"type": "number", "description": says, **bounds}, float)


def whole(says: str, minimum: int = 0) -> Field:
    """A count, or a number in a list."""
    return Field({"type": "integer", "minimum": minimum, "description": says}, int)


def flag(says: str) -> Field:
    """Yes or no."""
    return Field({"type": "boolean", "description": says}, bool)


def text(says: str, form: str | None = None) -> Field:
    """Words."""
    form_told = {"format": form} if form else {}
    return Field({"type": "string", "description": says, **form_told}, str)


def text_or_null(says: str) -> Field:
    """Words, null where there are none."""
    schema = {"type": ["string", "null"], "description": says}
    return Field(schema, lambda value: value)


def constant(value: str, says: str) -> Field:
    """The same in every result."""
    return Field({"const": value, "description": says}, str, lambda _: value)


def one_of(values: Iterable[str], says: str) -> Field:
    """One word of few."""
    return Field({"enum": [str(value) for value in values], "description": says}, str)


def listed(item: Field, says: str) -> Field:
    """A list of one kind."""
    schema = {"type": "array", "items": item.schema, "description": says}
    return Field(schema, lambda values: [item.write(value) for value in values])


_PLAIN: Mapping[str, Callable[[Any], Any]] = {"integer": int, "string": str}


def plain(kind: str) -> Field:
    """What a list holds, where its own words say all."""
    return Field({"type": kind}, _PLAIN[kind])


def named(item: Field, says: str) -> Field:
    """Values of one kind by name."""
    schema = {"type": "object", "description": says, "additionalProperties": item.schema}
    return Field(schema, lambda values: {str(key): item.write(one) for key, one in values.items()})


def vector(says: str) -> Field:
    """Three numbers, null where it is not known."""
    schema = {
        "type": ["array", "null"],
        "items": {"type": "number"},
        "minItems": 3,
        "maxItems": 3,
        "description": says,
    }
    return Field(schema, lambda value: None if value is None else [number_of(x) for x in value])


def group(says: str, /, **fields: Field) -> Field:
    """An object with fields of its own, every one of them required."""
    schema = {
        "type": "object",
        "description": says,
        "properties": {name: field.schema for name, field in fields.items()},
        "required": list(fields),
        "additionalProperties": False,
    }
    return Field(schema, functools.partial(_written, fields))


def _written(fields: Mapping[str, Field], owner: Any) -> dict[str, Any]:
    return {name: field.of(owner, name) for name, field in fields.items()}


def or_null(field: Field) -> Field:
    """The same object, or null."""
    schema = {**field.schema, "type": ["object", "null"]}
    return dataclasses.replace(
        field, schema=schema, write=lambda value: None if value is None else field.write(value)
    )


def page(title: str, schema: Mapping[str, Any]) -> str:
    """Every field of a schema, its kind and its meaning, as one Markdown table."""
    rows = [f"| `{name}` | {kind} | {says} |" for name, kind, says in _walk("", schema)]
    return "\n".join([f"# {title}", "", "| field | kind | meaning |", "|---|---|---|", *rows])


def _walk(prefix: str, schema: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    for name, field in schema.get("properties", {}).items():
        place = f"{prefix}{name}"
        yield place, _kind(field), str(field.get("description", ""))
        yield from _walk(f"{place}.", field)
        yield from _walk(f"{place}[].", field.get("items", {}))


def _kind(field: Mapping[str, Any]) -> str:
    if "const" in field:
        return f"«{field['const']}»"
    if "enum" in field:
        return ", ".join(f"«{value}»" for value in field["enum"])
    kind = field.get("type", "")
    return kind if isinstance(kind, str) else " or ".join(kind)
