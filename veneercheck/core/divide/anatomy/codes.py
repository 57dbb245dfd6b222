"""Two-digit tooth codes (ISO 3950): side, place along the arch, width, jaw."""

from __future__ import annotations

_UPPER_MM = (8.5, 6.5, 7.5, 7.0, 7.0, 10.0, 9.0, 8.5)
_LOWER_MM = (5.0, 5.5, 7.0, 7.0, 7.0, 11.0, 10.5, 10.0)
_UPPER_MILK_MM = (6.5, 5.0, 7.0, 7.0, 9.0)
_LOWER_MILK_MM = (4.0, 4.5, 5.5, 8.0, 10.0)
"""Mesio-distal crown widths (rounded textbook means, from memory): only their proportions count,
and only as a hint where along the bridge a valley is to be expected."""

_FRONT = 3
"""Incisors and canines are numbers 1 to 3 of each quadrant."""


def side_of(code: int) -> int:
    """+1 for the quadrants that lie at +x in an arch seen from its occlusal side, else −1.

    With the occlusal direction towards the viewer and the front teeth up (+y), the lower jaw is
    seen from above, the patient's right on the right (quadrant 4 at +x); the upper jaw is seen
    from below, the patient's left on the right (quadrant 2 at +x).
    """
    return 1 if code // 10 in (2, 4, 6, 8) else -1


def station(code: int) -> int:
    """Place along the arch, growing from −x over the front to +x: 18 … 11, 21 … 28."""
    return side_of(code) * (code % 10)


def is_upper(code: int) -> bool:
    """Whether the tooth stands in the upper jaw."""
    return code // 10 in (1, 2, 5, 6)


def is_front(code: int) -> bool:
    """Whether the tooth is an incisor or a canine."""
    return 1 <= code % 10 <= _FRONT


def usual_width_mm(code: int) -> float:
    """Usual mesio-distal width of the crown."""
    milk = code >= 50
    if is_upper(code):
        widths = _UPPER_MILK_MM if milk else _UPPER_MM
    else:
        widths = _LOWER_MILK_MM if milk else _LOWER_MM
    return widths[min(code % 10, len(widths)) - 1]


def one_arch(codes: tuple[int, ...]) -> bool:
    """Whether the codes name different places of one jaw."""
    jaws = {is_upper(code) for code in codes}
    return len(jaws) == 1 and len({station(code) for code in codes}) == len(codes)


def in_order(codes: tuple[int, ...]) -> bool:
    """Whether the codes run one way along the arch, either way."""
    stations = [station(code) for code in codes]
    return stations in (sorted(stations), sorted(stations, reverse=True))
