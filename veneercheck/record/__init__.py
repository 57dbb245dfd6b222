"""Cases on record: a register whose entries are chained by hashes, and bundles for the file."""

from __future__ import annotations

from veneercheck.record.canonical import canonical, sha256_of, sha256_of_file
from veneercheck.record.register import Entry, Register

__all__ = ["Entry", "Register", "canonical", "sha256_of", "sha256_of_file"]
