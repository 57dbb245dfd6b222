"""Typed values from what a record kept of them, so that a check can be repeated years later."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping
from typing import Any, TypeVar

from veneercheck.core.errors import RecordError, Told

Kind = TypeVar("Kind")


def kept(value: Any) -> Any:
    """A dataclass as plain JSON values; keys of mappings become text.

    Examples
    --------
    >>> from veneercheck.core.types import Case
    >>> case = Case("D-1", units=(45, 46), occlusal=(0.0, -0.6, 0.8), buccal="+x")
    >>> rebuild(Case, kept(case)) == case
    True
    """
    if dataclasses.is_dataclass(value):
        return {f.name: kept(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): kept(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [kept(one) for one in value]
    return value


def rebuild(kind: type[Kind], data: Mapping[str, Any]) -> Kind:
    """The dataclass that `kept` wrote down.

    Raises
    ------
    RecordError
        If the record holds a field that this program does not know, or lacks one it needs.
    """
    hints = typing.get_type_hints(kind)
    unknown = sorted(set(data) - set(hints))
    if unknown:
        raise RecordError(
            Told(
                "the record holds «{unknown}», which this program does not know.",
                unknown=unknown[0],
            ),
            where=kind.__name__,
            next_step="Repeat it with the version that wrote it.",
        )
    try:
        return kind(**{name: _value(hints[name], one) for name, one in data.items()})
    except (TypeError, ValueError, AttributeError) as error:
        raise RecordError(
            Told("the record does not hold what is needed ({error}).", error=error),
            where=kind.__name__,
            next_step="Repeat it with the version that wrote it.",
        ) from error


def _value(hint: Any, value: Any) -> Any:
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if value is None:
        return None
    if origin in (typing.Union, types.UnionType):
        listed = isinstance(value, list)
        kinds = [one for one in inner if one is not type(None)]
        fits = (one for one in kinds if (typing.get_origin(one) is tuple) == listed)
        return _value(next(fits, kinds[0]), value)
    if dataclasses.is_dataclass(hint):
        return rebuild(typing.cast("type[Any]", hint), value)
    if origin is tuple:
        wanted = inner[:1] * len(value) if inner[-1] is Ellipsis else inner
        return tuple(_value(one, item) for one, item in zip(wanted, value, strict=True))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {_value(inner[0], key): _value(inner[1], one) for key, one in value.items()}
    return hint(value) if hint in (int, float, str, bool) else value
