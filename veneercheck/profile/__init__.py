"""TOML to typed values: profiles of limits, and case files."""

from __future__ import annotations

from veneercheck.profile.case import CaseFile, load_case, parse_case
from veneercheck.profile.keys import STAGES, TOOTH_CODES
from veneercheck.profile.limits import (
    GENERIC,
    built_in,
    load_profile,
    parse_profile,
    profile_names,
    profile_toml,
)

__all__ = [
    "GENERIC",
    "STAGES",
    "TOOTH_CODES",
    "CaseFile",
    "built_in",
    "load_case",
    "load_profile",
    "parse_case",
    "parse_profile",
    "profile_names",
    "profile_toml",
]
