"""Whether another pose fits nearly as well as the one that was taken."""

from __future__ import annotations

import dataclasses

import numpy as np

from veneercheck.core.align import fit, polish, words
from veneercheck.core.align.fit import Candidate
from veneercheck.core.align.pairs import Target
from veneercheck.core.align.polish import Body, Polished, Quality
from veneercheck.core.types import Reason

_OTHER_POSE_MM = 0.5
_RIVALS = 3
_WORTH_ANOTHER_FIT = 0.4

_SHARE = 0.7
_LEAD_MM2 = 25.0
_CLOSE_SHARE = 0.9
"""A rival with more than the first share of the winner's rank leaves the choice open, unless the
winner leads by hundreds of independent readings; one with more than the last always does."""

_LEAST_RANK_MM2 = 1.0
"""A pose of which as much stands out of the contour as touches it has no rank to divide by."""


@dataclasses.dataclass(frozen=True, slots=True)
class Rival:
    """The best pose other than the one taken.

    Parameters
    ----------
    share : float
        Its rank over that of the pose taken; NaN if there is none.
    apart_mm : float
        How far the two are apart.
    near : bool
        Both lie near any start that lies near one: picked places do not tell them apart.
    """

    share: float = float("nan")
    apart_mm: float = float("nan")
    near: bool = False

    def doubt(self, taken: Quality) -> Reason | None:
        """What is told of it, if the choice is open."""
        lead_mm2 = (1.0 - self.share) * taken.score_mm2
        open_ = self.share > _SHARE and lead_mm2 < _LEAD_MM2
        if not (open_ or self.share > _CLOSE_SHARE):
            return None
        own_mm2 = max(taken.score_mm2, _LEAST_RANK_MM2)
        if self.near:
            return words.rival_near(self.share * own_mm2, own_mm2, self.apart_mm)
        return words.rival(self.share * own_mm2, own_mm2)


def share(rival_mm2: float, own_mm2: float) -> float:
    """Rank of another pose over that of the pose taken; NaN where there is no other."""
    return float(np.maximum(rival_mm2, 0.0)) / max(own_mm2, _LEAST_RANK_MM2)


def best_rival(
    body: Body, target: Target, found: list[Candidate], last: Polished, taken: Quality
) -> Rival:
    """The best pose other than the one taken, by the same noise, that it does not outweigh.

    A candidate that runs into the pose taken when it is fitted once more is no other pose.
    """
    motion, noise_mm = last.motion, last.noise_mm
    own_mm2 = polish.judge(body, target, motion, noise_mm=noise_mm).score_mm2
    others = [
        one.motion
        for one in found
        if fit.apart_mm(one.motion, motion, body) > _OTHER_POSE_MM
        and not fit.outweighs(taken, one.quality)
    ]
    rivals: list[tuple[float, float]] = []
    for start in others[:_RIVALS]:
        other = start
        rank_mm2 = polish.judge(body, target, other, noise_mm=noise_mm).score_mm2
        if rank_mm2 > _WORTH_ANOTHER_FIT * own_mm2:
            other = polish.search_fit(body, target, start, polish.QUICK_POINTS)
            if fit.apart_mm(other, motion, body) <= _OTHER_POSE_MM:
                continue
            rank_mm2 = polish.judge(body, target, other, noise_mm=noise_mm).score_mm2
        rivals.append((rank_mm2, fit.apart_mm(other, motion, body)))
    if not rivals:
        return Rival()
    rank_mm2, apart_mm = max(rivals)
    return Rival(share(rank_mm2, own_mm2), apart_mm, apart_mm <= fit.near_mm(body))
