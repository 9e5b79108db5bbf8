"""The drawing of a rig, made from the same geometry that its statics are computed from: one language for all."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from math import hypot

from biofeedback.session.exercises import Exercise
from biofeedback.session.rig import Point, Rig

SCALE = 180.0  # pixels per metre
MARGIN, ARROW = 26.0, 58.0  # pixels
HEAD_M = 0.10
STYLE = (  # legible on light and dark ground; the page's own text colours do not reach into an image
    "svg{--ink:#33404d;--thing:#8a97a3;--link:#0b62a4;--push:#b3261e;--paper:#fff}"
    "@media(prefers-color-scheme:dark){svg{--ink:#d5dde5;--thing:#7d8a96;--link:#6bb6f2;--push:#ff8a80;--paper:#15191d}}"
    ".limb{fill:none;stroke:var(--ink);stroke-width:9;stroke-linecap:round;stroke-linejoin:round}"
    ".head{fill:var(--ink)}.thing{fill:none;stroke:var(--thing);stroke-width:3}"
    ".link{stroke:var(--link);stroke-width:3}.strut{stroke-width:7}"
    ".cell{fill:var(--paper);stroke:var(--link);stroke-width:3}"
    ".push{stroke:var(--push);stroke-width:5}.point{fill:var(--push)}"
    "text{font:15px sans-serif;fill:var(--ink)}.said{fill:var(--push)}.read{fill:var(--link)}"
)


def draw_rig(exercise: Exercise) -> str:
    """SVG of the rig of ``exercise``: body, link, cell, push arrow; empty for one without a rig. For an image."""
    rig = exercise.rig
    if rig is None:
        return ""
    left, top, width, height = _frame(rig)
    title = f"{exercise.title}, seen from {_VIEWS[rig.view]}: {exercise.force}. Pushing makes the number rise."
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="{left:.1f} {top:.1f} {width:.1f} {height:.1f}" '
        f'width="{width:.0f}" height="{height:.0f}" data-pixels-per-metre="{SCALE:g}">',
        f"<title>{escape(title)}</title><style>{STYLE}</style>",
        *(_line("thing", line) for line in rig.things),
        *(_line("limb", [rig.points[name] for name in line]) for line in rig.body),
    ]
    if "head" in rig.points:
        x, y = _place(rig.points["head"])
        parts.append(f'<circle class="head" cx="{x:.1f}" cy="{y:.1f}" r="{HEAD_M * SCALE:.1f}"/>')
    parts += [_straight("link", *line) for line in rig.other_links]
    parts += [*_draw_push(rig), *_draw_link(rig)]
    return "".join([*parts, "</svg>"])


_VIEWS = {"side": "the side", "front": "the front", "above": "above"}


def _draw_link(rig: Rig) -> Iterable[str]:
    contact = rig.points[rig.contact]
    yield _straight(f"link {rig.link}", contact, rig.anchor)
    ax, ay = _place(rig.anchor)
    yield f'<circle class="link" cx="{ax:.1f}" cy="{ay:.1f}" r="4" fill="none"/>'
    x, y = _place(_between(contact, rig.anchor, rig.cell))
    yield f'<rect class="cell" x="{x - 9:.1f}" y="{y - 9:.1f}" width="18" height="18" rx="4"/>'
    length = hypot(rig.anchor[0] - contact[0], rig.anchor[1] - contact[1])
    nx, ny = (rig.anchor[1] - contact[1]) / length, (rig.anchor[0] - contact[0]) / length  # across the link, on screen
    if ny > 0.2 or (abs(ny) <= 0.2 and nx < 0):
        nx, ny = -nx, -ny  # above it, or to its right
    side = "middle" if abs(nx) < 0.5 else "start" if nx > 0 else "end"
    x, y = x + 18 * nx, y + 18 * ny + 5 * abs(nx)
    yield f'<text class="read" x="{x:.1f}" y="{y:.1f}" text-anchor="{side}">cell ↑</text>'


def _draw_push(rig: Rig) -> Iterable[str]:
    x, y = _place(rig.points[rig.contact])
    px, py = rig.push
    ex, ey = x + ARROW * px, y - ARROW * py
    yield f'<line class="push" x1="{x:.1f}" y1="{y:.1f}" x2="{ex:.1f}" y2="{ey:.1f}"/>'
    wing = [(ex + 13 * px, ey - 13 * py), (ex + 7 * py, ey + 7 * px), (ex - 7 * py, ey - 7 * px)]
    yield f'<path class="point" d="M{" L".join(f"{a:.1f} {b:.1f}" for a, b in wing)}Z"/>'
    side = "middle" if abs(px) < 0.7 else "start" if px > 0 else "end"
    yield f'<text class="said" x="{ex + 17 * px:.1f}" y="{ey - 24 * py + 5:.1f}" text-anchor="{side}">push</text>'


def _frame(rig: Rig) -> tuple[float, float, float, float]:
    """Left, top, width and height in pixels of everything drawn."""
    contact, (px, py) = rig.points[rig.contact], rig.push
    arrow = contact[0] + (ARROW + 40) / SCALE * px, contact[1] + (ARROW + 25) / SCALE * py
    lines = [*rig.things, *rig.other_links, tuple(rig.points.values()), (rig.anchor, arrow)]
    places = [_place(point) for line in lines for point in line]
    if "head" in rig.points:
        hx, hy = _place(rig.points["head"])
        places += [(hx - HEAD_M * SCALE, hy - HEAD_M * SCALE), (hx + HEAD_M * SCALE, hy + HEAD_M * SCALE)]
    xs, ys = [x for x, _ in places], [y for _, y in places]
    left, top = min(xs) - MARGIN, min(ys) - MARGIN
    return left, top, max(xs) - left + MARGIN, max(ys) - top + MARGIN


def _between(a: Point, b: Point, share: float) -> Point:
    return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])


def _place(point: Point) -> Point:
    return point[0] * SCALE, -point[1] * SCALE


def _line(kind: str, points: Iterable[Point]) -> str:
    joined = " ".join(f"{x:.1f},{y:.1f}" for x, y in map(_place, points))
    return f'<polyline class="{kind}" points="{joined}"/>'


def _straight(kind: str, a: Point, b: Point) -> str:
    (ax, ay), (bx, by) = _place(a), _place(b)
    return f'<line class="{kind}" x1="{ax:.1f}" y1="{ay:.1f}" x2="{bx:.1f}" y2="{by:.1f}"/>'
