"""How often occlusal is told where the case does not say it, and how far off.

    python tests/benchmarks/occlusal_trials.py [NUMBER] [STEP]

Bodies of `veneer_trials.py`, sound, faulty and strange, every STEP-th of the first NUMBER of each
kind (default 60 and 2), whose case says where occlusal lies; checked in their true frame without
that. Expected: what the case says.
"""

from __future__ import annotations

import dataclasses
import itertools
import sys

import numpy as np

from veneer_bodies import make
from veneer_forms import contour_of
from veneer_jobs import body
from veneercheck.check import Surfaces, check
from veneercheck.core.types import Case, unit_way
from veneercheck.profile import built_in


def main() -> None:
    count, step = (int(word) for word in (*sys.argv[1:], "60", "2")[:2])
    off: list[float] = []
    for kind, number in itertools.product(("sound", "faulty", "strange"), range(0, count, step)):
        made = make(body(kind, number), contour_of)
        case = Case(**made.case)
        if not case.occlusal:
            continue
        found = check(
            Surfaces(made.framework, made.waxup),
            case=dataclasses.replace(case, occlusal=None),
            limits=built_in(),
            aligned=True,
        )
        told = found.frame.occlusal
        cosine = float("nan") if told is None else float(np.dot(told, unit_way(case.occlusal)))
        off.append(float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))))
        how = found.frame.words[0].split(";")[-1] if found.frame.words else ""
        print(f"{kind:8}{number:4}{off[-1]:7.1f}° {how}", flush=True)
    told_off = np.array(off)[np.isfinite(off)]
    print(f"{len(off)} bridges, told in {len(told_off)}, at most {told_off.max():.1f}° off")


if __name__ == "__main__":
    main()
