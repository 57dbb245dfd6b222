"""Of how many bridges given the wrong way round that is noticed; of how many given rightly asked.

    python tests/benchmarks/swapped_pairs.py [NUMBER]

The bodies of `veneer_trials.py`, sound, faulty and strange, NUMBER of each kind (all of them unless
told otherwise), in their true frame.
"""

from __future__ import annotations

import itertools
import sys
from collections import Counter

from veneer_bodies import make
from veneer_forms import contour_of
from veneer_jobs import BODIES, body
from veneercheck.core.align import doubted, given
from veneercheck.core.types import TriangleMesh


def asked(framework: TriangleMesh, waxup: TriangleMesh) -> bool:
    """Whether the two look as if they had been given the wrong way round."""
    found = doubted(given(framework, waxup), framework, waxup)
    return "swapped" in [reason.code for reason in found.reasons]


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else BODIES
    seen: Counter[str] = Counter()
    for kind, number in itertools.product(("sound", "faulty", "strange"), range(count)):
        made = make(body(kind, number), contour_of)
        seen["bridges"] += 1
        seen["given rightly and asked"] += asked(made.framework, made.waxup)
        if asked(made.waxup, made.framework):
            seen["exchanged and noticed"] += 1
        else:
            print(kind, number, "exchanged and not noticed", flush=True)
    print(dict(seen))


if __name__ == "__main__":
    main()
