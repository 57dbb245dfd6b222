"""Where on the bridge a point lies: its tooth, its surface, its third, and all that in words."""

from veneercheck.core.anatomy.places import (
    Places,
    Surface,
    line_words,
    on_functional_cusps,
    place_words,
    surface_word,
    surface_words,
)
from veneercheck.core.anatomy.placing import place

__all__ = [
    "Places",
    "Surface",
    "line_words",
    "on_functional_cusps",
    "place",
    "place_words",
    "surface_word",
    "surface_words",
]
