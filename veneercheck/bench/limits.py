"""The laboratory's own limits: every change is a new version, the old ones stay."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from veneercheck.bench.store import Store
from veneercheck.bench.wish import toml_text
from veneercheck.core.errors import ProfileError, Told
from veneercheck.core.types import Limits
from veneercheck.profile import GENERIC, built_in, load_profile, parse_profile
from veneercheck.report.tables import limit_called
from veneercheck.report.words import LANGUAGES, Words

_VERSION = re.compile(r"([0-9a-f]{2,64})-v(\d{1,4})\.toml")
_LONGEST_NAME = 32
_MOST_VERSIONS = 500


def _folder(store: Store) -> Path:
    return store.root / "limits"


def _versions(store: Store) -> dict[str, list[Path]]:
    """Every set of limits by its name, its versions from old to new."""
    found: dict[str, list[tuple[int, Path]]] = {}
    if _folder(store).is_dir():
        for path in _folder(store).iterdir():
            match = _VERSION.fullmatch(path.name)
            if match:
                name = bytes.fromhex(match.group(1)).decode("utf-8", "replace")
                found.setdefault(name, []).append((int(match.group(2)), path))
    return {name: [path for _, path in sorted(found[name])] for name in sorted(found)}


async def listed(request: Request) -> Response:
    """Built-in and own limits, every value with where it comes from."""
    store: Store = request.app.state.bench.store
    asked = request.query_params.get("lang")
    words = Words("de" if asked == LANGUAGES[1] else "en")
    own = [
        _shown(load_profile(paths[-1]), words, name, version=len(paths))
        for name, paths in _versions(store).items()
    ]
    return JSONResponse([_shown(built_in(), words, GENERIC, version=0), *own])


def _shown(limits: Limits, words: Words, name: str, *, version: int) -> dict[str, Any]:
    values = [
        {
            "key": key,
            "called": limit_called(key, words),
            "value": value,
            "certainty": words.known("certainty", limits.certainty.get(key)),
        }
        for key, value in limits.values().items()
    ]
    return {"name": name, "version": version, "values": values}


def keep(store: Store, data: object) -> dict[str, Any]:
    """File a new version of a set of limits.

    Raises
    ------
    ProfileError
        If the name or a value cannot be used.
    """
    if not isinstance(data, Mapping) or not isinstance(data.get("values"), Mapping):
        raise ProfileError("no values were sent.", where="limits", next_step="Fill the form in.")
    name = usable_name(data.get("name"))
    document: dict[str, Any] = {}
    standard = built_in().values()
    for key, value in data["values"].items():
        table, _, field = str(key).partition(".")
        if value != standard.get(key):  # what stays as built in keeps its source, too
            document.setdefault(table, {})[field] = value
    parse_profile({"name": name, **document}, where=name)
    known = _versions(store).get(name, [])
    number = _number(known[-1]) + 1 if known else 1
    if sum(map(len, _versions(store).values())) >= _MOST_VERSIONS:
        raise ProfileError(
            "there are too many versions.", where=name, next_step="Clear the folder «limits» out."
        )
    text = toml_text({"name": f"{name}, version {number}", **document})
    _folder(store).mkdir(mode=0o700, exist_ok=True)
    path = _folder(store) / f"{name.encode().hex()}-v{number}.toml"
    with path.open("x", encoding="utf-8", newline="\n") as file:  # never over an older one
        file.write(text)
    return {"name": name, "version": number}


def _number(path: Path) -> int:
    match = _VERSION.fullmatch(path.name)
    return int(match.group(2)) if match else 0


def with_value(store: Store, name: str, key: str, value: float) -> dict[str, Any]:
    """A new version of a set of limits in which one value is another; a new set if need be."""
    paths = _versions(store).get(name)
    before = load_profile(paths[-1]) if paths else built_in()
    return keep(store, {"name": name, "values": {**before.values(), key: value}})


def usable_name(name: object) -> str:
    """A name for a set of limits of one's own; `ProfileError` where it cannot be one."""
    if (
        not isinstance(name, str)
        or not name.strip()
        or not name.isprintable()
        or len(name.encode()) > _LONGEST_NAME
        or name.strip() == GENERIC
    ):
        raise ProfileError(
            "this name cannot be used.",
            where="name",
            next_step=Told(
                "Give one of your own, up to {longest_name} letters.", longest_name=_LONGEST_NAME
            ),
        )
    return name.strip()


def chosen(store: Store, name: str | None, beads_mm: float | None) -> tuple[str, dict[str, str]]:
    """Name of the limits, and the profile file where it is not the built-in one.

    Beads that were named beside the button stand out by half their diameter.
    """
    document: dict[str, Any] = {}
    called = GENERIC
    if name is not None and name != GENERIC:
        paths = _versions(store).get(name)
        if not paths:
            raise ProfileError(
                Told("there are no limits «{name}».", name=name),
                where="profile",
                next_step="Choose from the list.",
            )
        document = tomllib.loads(paths[-1].read_text("utf-8"))
        called = document["name"]
    if beads_mm is not None:
        allowance = {**document.get("allowance", {}), "beads_mm": round(beads_mm / 2, 3)}
        document = {
            **document,
            "name": f"{called}, beads {beads_mm:g} mm",
            "allowance": allowance,
        }
    texts = {"profile.toml": toml_text(document)} if document else {}
    return str(name or GENERIC), texts
