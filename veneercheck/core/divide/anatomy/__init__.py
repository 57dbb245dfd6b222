"""Where on the bridge a point lies: its tooth, its surface, its third, and all that in words."""

from veneercheck.core.divide.anatomy.located import (
    frame,
    limits_of_surfaces,
    locate,
    named,
    question,
    telling,
)
from veneercheck.core.divide.anatomy.missing import missing_unit
from veneercheck.core.divide.anatomy.places import (
    Places,
    Surface,
    line_words,
    on_functional_cusps,
    place_words,
    surface_word,
    surface_words,
)
from veneercheck.core.divide.anatomy.placing import place

__all__ = [
    "Places",
    "Surface",
    "frame",
    "limits_of_surfaces",
    "line_words",
    "locate",
    "missing_unit",
    "named",
    "on_functional_cusps",
    "place",
    "place_words",
    "question",
    "surface_word",
    "surface_words",
    "telling",
]
