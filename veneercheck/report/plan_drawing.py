"""A plan's drawings, 1:1: the depth map with its marks, and outlines for a silicone key."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import escape
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from veneercheck.core.judge.structure.planes import laid_out
from veneercheck.core.mesh.sections import crossing, laid_flat
from veneercheck.core.mesh.triangles import all_in, vertex_normals
from veneercheck.core.plan.planned import Mark, Plan
from veneercheck.core.plan.shade import ACCEPTABLE, PERCEPTIBLE, Wedge
from veneercheck.core.types import Bools, Floats, SectionPlane, TriangleMesh
from veneercheck.report.placing import Room
from veneercheck.report.words import Language, Words

MAP, SHADES = "depths.svg", "shade.svg"
KEYS = "keys"

_MARGIN_MM = 4.0
_STEP_MM = 0.1
"""Between lines of one depth."""

_EVERY = 5
"""Each fifth of them is drawn strongly."""

_FACING = 0.25
"""Surface that is seen more slantingly than this belongs to another view."""

_FRAME_MM = 4.0
"""A key reaches this far beyond the contour."""

_HALF_MARK_MM, _APART_MM = (0.75, 0.85), 0.1
"""Half the width and height of a mark's number over its depth, and the room between two."""

_AROUND_MM = 2.6
"""Words of a view's marks stand no farther than this above and below all of these."""

_HEADING_MM = 1.3
"""Of a view: no larger than what it stands over."""

_GAPS_MM = (0.3, 0.6, 1.0, 1.5, 2.1, 2.8, 3.6)
"""Between a mark and its words, near ones first."""

_STYLE = (
    "<style>path{fill:none;stroke-linecap:round}text{font-family:'Source Sans Pro',sans-serif;"
    "text-anchor:middle;dominant-baseline:central;paint-order:stroke;stroke:#fff;stroke-width:.25}"
    ".line{stroke:#1a1a1a;stroke-width:.18}.thin{stroke:#6d93b8;stroke-width:.06}"
    ".seen{stroke:#8a6d1f;stroke-width:.1}"
    ".refused{stroke:#80143c;stroke-width:.2}"
    ".strong{stroke:#184a78;stroke-width:.12}.short{stroke:#80143c;stroke-width:.25}"
    ".target{stroke:#184a78;stroke-width:.12;stroke-dasharray:.6 .4}.edge{stroke:#9a958c;"
    "stroke-width:.08}</style>"
)


def write_drawings(folder: Path, plan: Plan, wedge: Wedge | None, lang: Language) -> None:
    """Write the map and a key for every unit."""
    (folder / MAP).write_text(depth_map(plan, lang), encoding="utf-8", newline="\n")
    if wedge is not None and plan.shade_off is not None:
        text = shade_map(plan, plan.shade_off, wedge, lang)
        (folder / SHADES).write_text(text, encoding="utf-8", newline="\n")
    sections = [one for one in plan.planes if one.kind == "unit"]
    if sections:
        (folder / KEYS).mkdir()
    for section in sections:
        name = re.sub(r"[^0-9A-Za-z]+", "-", section.name).strip("-") or "unit"
        outline = _outline(plan.contour, section)
        target = _outline(plan.target, section)
        text = key_svg(outline, target, section.name)
        (folder / KEYS / f"{name}.svg").write_text(text, encoding="utf-8", newline="\n")
        (folder / KEYS / f"{name}.dxf").write_text(key_dxf(outline), encoding="ascii", newline="\n")


def depth_map(plan: Plan, lang: Language) -> str:
    """The wax-up from above and from its sides, 1:1, with lines of depth and numbered marks."""
    words = Words(lang)
    places = np.reshape([mark.at_mm for mark in plan.marks], (-1, 3))
    _, at = cKDTree(plan.contour.points_mm).query(places)
    marks = [one for one in zip(plan.marks, at, strict=True) if np.isfinite(one[0].square_mm)]
    return _views_drawn(plan, lang, lambda flat, seen: _one_view(plan, marks, flat, seen, words))


def shade_map(plan: Plan, off: Floats, wedge: Wedge, lang: Language) -> str:
    """The wax-up 1:1 with lines where the shade starts to be seen, and to be refused."""
    words = Words(lang)
    known = np.isfinite(off)

    def lines(flat: Floats, seen: Bools) -> str:
        faces = all_in(seen, plan.contour.faces)
        drawn = [_lines(plan.contour, plan.extent_mm, 0.0, faces=faces, flat=flat, kind="line")]
        read = faces & all_in(known, plan.contour.faces)
        for limit, kind in ((PERCEPTIBLE, "seen"), (ACCEPTABLE, "refused")):
            drawn.append(_lines(plan.contour, off, limit, faces=read, flat=flat, kind=kind))
        share = known.astype(np.float64)
        drawn.append(_lines(plan.contour, share, 0.5, faces=faces, flat=flat, kind="edge"))
        return "".join(drawn)

    legend = words(
        "plan.shade_lines",
        seen=words.number(PERCEPTIBLE, 1),
        refused=words.number(ACCEPTABLE, 1),
        error=words.number(wedge.error(), 1),
    )
    return _views_drawn(plan, lang, lines, legend)


def _views_drawn(
    plan: Plan, lang: Language, draw: Callable[[Floats, Bools], str], legend: str = ""
) -> str:
    words = Words(lang)
    normals = vertex_normals(plan.contour)
    parts, top, widest = [], _MARGIN_MM, 0.0
    for name, toward, up in _views(plan):
        right = np.cross(up, toward)
        flat = np.stack([plan.contour.points_mm @ right, -(plan.contour.points_mm @ up)], axis=1)
        seen = normals @ toward > _FACING
        shown = flat[seen & np.isfinite(plan.square_mm)]
        if not len(shown):
            continue
        low, high = shown.min(axis=0), shown.max(axis=0)
        shift = np.array([_MARGIN_MM - low[0], top + 3.0 - low[1]])
        parts.append(_label(_MARGIN_MM + 3.0, top, _HEADING_MM, words.known("view", name)))
        parts.append(draw(flat + shift, seen))
        top += float(high[1] - low[1]) + 3.0 + _MARGIN_MM
        widest = max(widest, float(high[0] - low[0]))
    title = f"<title>{escape(words('plan.title'))}</title>"
    widest = max(widest, 20.0 if legend else 6.0)  # what is beside it in words has room, too
    for line in legend.split("\n") if legend else ():
        parts.append(_label(0.5 * widest + _MARGIN_MM, top, 1.2, line))
        top += 2.0
    return _svg(widest + 2.0 * _MARGIN_MM, top, title + "".join(parts))


def _views(plan: Plan) -> list[tuple[str, Floats, Floats]]:
    if plan.frame.occlusal is None or plan.frame.buccal is None:
        return [("occlusal", np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0]))]
    occlusal, buccal = np.array(plan.frame.occlusal), np.array(plan.frame.buccal)
    buccal = buccal - (buccal @ occlusal) * occlusal
    buccal /= np.linalg.norm(buccal)
    return [
        ("occlusal", occlusal, buccal),
        ("buccal", buccal, occlusal),
        ("lingual", -buccal, occlusal),
    ]


def _one_view(
    plan: Plan, marks: list[tuple[Mark, int]], flat: Floats, seen: Bools, words: Words
) -> str:
    mesh = plan.contour
    faces = all_in(seen, mesh.faces)
    known = np.nan_to_num(plan.square_mm, nan=0.0)
    deepest = int(np.ceil(known.max(initial=0.0) / _STEP_MM))
    paths = []
    for step in range(1, deepest + 1):
        kind = "thin" if step % _EVERY else "strong"
        paths.append(
            _lines(mesh, known, (step - 0.5) * _STEP_MM, faces=faces, flat=flat, kind=kind)
        )
    paths.append(_lines(mesh, plan.extent_mm, 0.0, faces=faces, flat=flat, kind="line"))
    short = np.nan_to_num(plan.short_mm, nan=-1.0)
    paths.append(_lines(mesh, short, 0.0, faces=faces, flat=flat, kind="short"))
    return "".join([*paths, *_marks(marks, flat, seen, words)])


def _marks(marks: list[tuple[Mark, int]], flat: Floats, seen: Bools, words: Words) -> list[str]:
    """A dot for each mark, and beside it, over no other, its number and depth."""
    shown = [(mark, flat[at]) for mark, at in marks if seen[at]]
    if not shown:
        return []
    own = np.stack([place for _, place in shown])
    low, high = own.min(axis=0) - _AROUND_MM, flat.max(axis=0) + _MARGIN_MM
    room = Room(float(high[0]), float(own[:, 1].max()) + _AROUND_MM, _APART_MM)
    room.boxes.append((0.0, 0.0, float(high[0]), float(low[1])))  # its name, other views
    wanted = [((float(x), float(y)), _HALF_MARK_MM) for _, (x, y) in shown]
    parts, signs = [], []
    for (mark, (x, y)), (to_x, to_y) in zip(shown, room.beside(wanted, _GAPS_MM), strict=True):
        parts.append(f'<circle cx="{x:.2f}" cy="{y:.2f}" r=".22" fill="#1a1a1a"/>')
        parts.append(f'<path class="edge" d="M{x:.2f} {y:.2f}L{to_x:.2f} {to_y:.2f}"/>')
        ground = f'x="{to_x - 0.75:.2f}" y="{to_y - 0.85:.2f}" width="1.5" height="1.7"'
        signs.append(f'<rect {ground} rx=".3" fill="#ffffff" fill-opacity=".85"/>')
        signs.append(_label(to_x, to_y - 0.4, 0.75, f"{mark.number}", "#80143c"))
        signs.append(_label(to_x, to_y + 0.4, 0.95, words.number(mark.square_mm, 1)))
    return [*parts, *signs]


def _lines(
    mesh: TriangleMesh, values: Floats, level: float, *, faces: Bools, flat: Floats, kind: str
) -> str:
    found = crossing(mesh, values, level, faces)
    if not len(found.face):
        return ""
    ends = found.at(flat)
    pieces = "".join(f"M{a:.2f} {b:.2f}L{c:.2f} {d:.2f}" for (a, b), (c, d) in ends)
    return f'<path class="{kind}" d="{pieces}"/>'


def _outline(mesh: TriangleMesh, section: SectionPlane) -> Floats:
    """Pieces of a section, shape (k, 2, 2), mm, up to the plane's own middle height upward."""
    offset, flat = laid_out(section, mesh.points_mm)
    return laid_flat(mesh, offset, flat).pieces_mm


def key_svg(outline: Floats, target: Floats, name: str) -> str:
    """The outline that a key is cut along, 1:1, the target dashed, within the key's own border."""
    if not len(outline):
        return _svg(1.0, 1.0, "")
    low, high = outline.min(axis=(0, 1)) - _FRAME_MM, outline.max(axis=(0, 1)) + _FRAME_MM
    size = high - low

    def path(pieces: Floats, kind: str) -> str:
        at = (pieces - low) * [1.0, -1.0] + [0.0, size[1]]
        d = "".join(f"M{a:.3f} {b:.3f}L{c:.3f} {e:.3f}" for (a, b), (c, e) in at)
        return f'<path class="{kind}" d="{d}"/>'

    border = (
        f'<rect x=".1" y=".1" width="{size[0] - 0.2:.3f}" height="{size[1] - 0.2:.3f}" '
        'fill="none" stroke="#1a1a1a" stroke-width=".18"/>'
    )
    label = _label(3.0, 2.0, 2.0, name)
    return _svg(size[0], size[1], border + label + path(target, "target") + path(outline, "line"))


def key_dxf(outline: Floats) -> str:
    """The same outline as lines of a DXF drawing in millimetres (R12 entities)."""
    lines = ["0", "SECTION", "2", "ENTITIES"]
    for (x0, y0), (x1, y1) in outline:
        ends = zip(("10", "20", "11", "21"), (x0, y0, x1, y1), strict=True)
        lines += ["0", "LINE", "8", "contour"]
        lines += [part for code, value in ends for part in (code, f"{value:.4f}")]
    return "\n".join([*lines, "0", "ENDSEC", "0", "EOF"]) + "\n"


def _label(x: float, y: float, size: float, text: str, fill: str = "#1a1a1a") -> str:
    return f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size}" fill="{fill}">{escape(text)}</text>'


def _svg(width: float, height: float, inside: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.2f}mm" height="{height:.2f}mm" '
        f'viewBox="0 0 {width:.2f} {height:.2f}">{_STYLE}{inside}</svg>\n'
    )
