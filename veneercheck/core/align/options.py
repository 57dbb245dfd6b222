"""What the alignment may be told."""

from __future__ import annotations

import dataclasses


@dataclasses.dataclass(frozen=True, slots=True)
class AlignOptions:
    """Settings of the fit; the defaults are for dental scans of one to sixteen units.

    Parameters
    ----------
    orientations : int
        Orientations the search from any pose starts from.
    polish_points : int
        Framework points of the last fit.
    denoise_mm : float
        Length over which both surfaces are smoothed before they are compared.
    limit_mm : float
        Difference between the fit of the model and the fit of the bridge that is still told as
        seated; also of a bow, and of a part against the whole.
    scale_limit : float
        Difference in size that is still told as none.
    """

    orientations: int = 700
    polish_points: int = 20_000
    denoise_mm: float = 0.25
    limit_mm: float = 0.03
    scale_limit: float = 0.002
