"""Cases on record: a register whose entries are chained by hashes, and bundles for the file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from veneercheck.record.canonical import canonical, sha256_of, sha256_of_file

if TYPE_CHECKING:
    from veneercheck.record.register import Entry, Register

__all__ = ["Entry", "Register", "canonical", "sha256_of", "sha256_of_file"]


def __getattr__(name: str) -> Any:
    """The register when it is asked for: hashes need no database."""
    if name in ("Entry", "Register"):
        from veneercheck.record import register

        return getattr(register, name)
    raise AttributeError(name)
