"""TOML to typed values: profiles of limits, and case files.

A profile
---------
A profile gives only what differs from the built-in one. `veneercheck profiles show generic` prints
all of it:

    name = "my composite"

    [layer]
    least_mm = 1.0
    greatest_mm = 2.0

    [allowance]
    opaquer_mm = 0.2
    opaquer_u_mm = 0.03
    beads_mm = 0.0

    [finish_line]
    width_mm = 0.8

    [scan]
    trueness_u_mm = 0.01
    seating_u_mm = 0.03

    [zone]
    smallest_mm2 = 0.25

    [surface.occlusal]
    least_mm = 1.2

A case file
-----------
A case file tells the program about the piece of work:

    case = "D-0001"
    units = [45, 46, 47]
    pontics = [46]
    stage = "wax"
    profile = "generic"
    alloy = "CoCr"
    composite = "laboratory paste"
    shade = "A3"
    scanner_checked = 2026-03-31
    notes = ""

    [lots]
    alloy = "0471"
    composite = "0815"

    [scans]
    framework = "framework.stl"
    waxup = "waxup.stl"

    # painted = "painted.ply"  # a copy of the framework: green left uncut, blue to be veneered
    # waxup_kind = "key"  # the wax-up file is a scanned silicone key: its inside is the contour

    [frame]
    occlusal = "+z"
    buccal = "-y"

    [veneered]
    surfaces = ["occlusal", "buccal", "basal"]
    metal_stops = "ask"

Teeth are two-digit codes (ISO 3950), in order along the bridge. `stage` is `wax`, `cast`,
`opaqued`, `dentine` or `finished`. Where single units are veneered otherwise, `[veneered.units]`
says so: `45 = ["occlusal"]`. A surface that was meant and hardly cut, or cut and not meant, is told
as a question; the first keeps the verdict at undecided, and so does a spot left uncut amid the
veneer unless `metal_stops`, which is `ask`, `meant` or `forbidden`, says `meant` and it does not
stand out of the contour. `scanner_checked` is the day of the scanner's last check. `[lots]` may
name `alloy`, `opaquer` and `composite`. Directions that are left out are judged from the shape, and
the result says so; where no axis of the scan is one, a vector in the wax-up's frame is:
`occlusal = [0.1, -0.66, -0.74]`, as the bench page takes it from how the model is turned. Where the
teeth are told apart wrongly, a point on each tooth's crown puts it right, in the wax-up's frame:
`[frame.teeth]`, then
`46 = [1.5, 0.0, 6.2]`. Every key that is not known is refused, with a guess at what was meant.

Places picked by hand
---------------------
Where the program finds no pose, or a doubtful one, pick three or more places on both scans, far
apart and not on one line, on the bench page or into the case file by hand; the fit starts there,
and is trusted no more for it:

    [[landmarks]]
    framework = [12.1, 3.4, 5.6]  # mm, in the framework scan's own frame
    waxup = [-3.4, 22.1, 5.6]

    [[landmarks]]
    framework = [20.1, 3.4, 5.6]
    waxup = [4.6, 22.1, 5.6]

    [[landmarks]]
    framework = [12.1, 9.4, 4.6]
    waxup = [-3.4, 28.1, 4.6]
"""

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
