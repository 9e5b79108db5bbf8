"""Where a push acts, where the cell is, and whether the reading rises: one rig in one plane, as data and as statics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from math import hypot
from typing import Any, Literal, TypeAlias, get_args

from biofeedback.toml_file import Place, TomlFile

Point: TypeAlias = tuple[float, float]
View: TypeAlias = Literal["side", "front", "above"]
Link: TypeAlias = Literal["strap", "strut"]
Turn: TypeAlias = Literal["clockwise", "counter-clockwise"]
LEAST_READING = 0.2  # N read per N pushed; less, and the push goes into the joint instead of the cell (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """One rig in a plane; lengths in metres, x to the right, y up.

    The contraction (``action``) would turn the limb about ``joint`` as ``turns`` says and pushes at ``contact``; the
    link carries the push to ``anchor``. A strap only pulls, a strut (bar, plate, cell on something firm) is only
    pressed. ``cell`` is how far along the link it sits, 0 at the body. ``body`` are lines through ``points``,
    ``things`` floor and furniture, ``other_links`` further straps without a cell.
    """

    view: View
    action: str
    points: Mapping[str, Point]
    body: tuple[tuple[str, ...], ...]
    joint: str
    turns: Turn
    contact: str
    link: Link
    anchor: Point
    cell: float = 0.5
    things: tuple[tuple[Point, ...], ...] = ()
    other_links: tuple[tuple[Point, ...], ...] = ()

    @property
    def push(self) -> Point:
        """Unit vector of the push at the contact: across the limb, the way in which it would turn."""
        x, y = self._lever
        sense = 1 if self.turns == "counter-clockwise" else -1
        return -sense * y / hypot(x, y), sense * x / hypot(x, y)

    @property
    def reading_per_push(self) -> float:
        """Newton in the cell per newton of push: the joint's moments balance. Negative: the link slackens."""
        x, y = self._lever
        ux, uy = self.anchor[0] - self.points[self.contact][0], self.anchor[1] - self.points[self.contact][1]
        across = (x * uy - y * ux) / hypot(ux, uy)  # lever of the link about the joint
        if abs(across) < 1e-9:
            return 0.0
        px, py = self.push
        tension = -(x * py - y * px) / across
        return tension if self.link == "strap" else -tension

    @property
    def lever_m(self) -> float:
        """From the joint to the contact."""
        return hypot(*self._lever)

    @property
    def _lever(self) -> Point:
        joint, contact = self.points[self.joint], self.points[self.contact]
        return contact[0] - joint[0], contact[1] - joint[1]


def parse_rig(file: TomlFile, place: Place, entry: object) -> Rig:
    """A rig from the table at ``place``; MistakeError names line and cure, also of one whose reading would fall."""
    if not isinstance(entry, Mapping):
        file.refuse(place, "rig is not a table", f"write [{'.'.join(map(str, place))}] and its values below")
    known = {field.name for field in fields(Rig)}
    for key in entry:
        if key not in known:
            file.refuse((*place, key), f"{key!r} is not known here", f"use {', '.join(sorted(known))}")
    for key in sorted(known - {"cell", "things", "other_links"}):
        if key not in entry:
            file.refuse(place, f"a rig without {key}", f"add {key} = ...")
    for key, allowed in (("view", View), ("link", Link), ("turns", Turn)):
        if entry[key] not in get_args(allowed):
            file.refuse((*place, key), f"{key} = {entry[key]!r}", f"use {', '.join(get_args(allowed))}")
    rig = _build(file, place, entry)
    _refuse_fall(file, place, rig)
    return rig


def _build(file: TomlFile, place: Place, entry: Mapping[str, Any]) -> Rig:
    points = entry["points"]
    if not isinstance(points, Mapping) or not points:
        file.refuse((*place, "points"), "points is not a table of places", "write points = {hip = [0.0, 0.9], ...}")
    placed = {name: _point(file, (*place, "points"), value) for name, value in points.items()}
    body = _lines(file, (*place, "body"), entry["body"])
    for name in (entry["joint"], entry["contact"], *(name for line in body for name in line)):
        if name not in placed:
            file.refuse((*place, "points"), f"{name!r} has no place", f"add it to points, or use {', '.join(placed)}")
    if placed[entry["joint"]] == placed[entry["contact"]]:
        file.refuse((*place, "contact"), "the push acts in the joint itself", "give a contact away from the joint")
    cell = entry.get("cell", 0.5)
    if isinstance(cell, bool) or not isinstance(cell, int | float) or not 0 <= cell <= 1:
        file.refuse((*place, "cell"), f"cell = {cell!r}", "use 0 (at the body) to 1 (at the anchor)")
    anchor = _point(file, (*place, "anchor"), entry["anchor"])
    if anchor == placed[entry["contact"]]:
        file.refuse((*place, "anchor"), "the link has no length", "give the anchor a place away from the contact")
    lines = {
        key: tuple(
            tuple(_point(file, (*place, key), point) for point in line)
            for line in _lines(file, (*place, key), entry.get(key, []))
        )
        for key in ("things", "other_links")
    }
    return Rig(
        view=entry["view"],
        action=str(entry["action"]),
        points=placed,
        body=tuple(tuple(str(name) for name in line) for line in body),
        joint=entry["joint"],
        turns=entry["turns"],
        contact=entry["contact"],
        link=entry["link"],
        anchor=anchor,
        cell=float(cell),
        **lines,
    )


def _refuse_fall(file: TomlFile, place: Place, rig: Rig) -> None:
    if rig.reading_per_push >= LEAST_READING:
        return
    if rig.reading_per_push > -LEAST_READING:
        file.refuse((*place, "anchor"), "the link runs past the joint and hardly feels the push",
                    "anchor it across the limb, in or against the direction of the push")  # fmt: skip
    if rig.link == "strap":
        file.refuse((*place, "link"), "this strap slackens when it is pushed, and the reading falls",
                    "anchor it outward, on the side that the push moves away from, or press on a strut")  # fmt: skip
    file.refuse((*place, "link"), "nothing presses this strut when it is pushed, and the reading falls",
                "put it on the side that the push moves towards, or pull on a strap")  # fmt: skip


def _lines(file: TomlFile, place: Place, value: object) -> list[list[Any]]:
    if not isinstance(value, list) or any(not isinstance(line, list) or len(line) < 2 for line in value):
        file.refuse(place, f"{place[-1]} is not a list of lines", "write a list of lists with two or more places each")
    return value


def _point(file: TomlFile, place: Place, value: object) -> Point:
    numbers = value if isinstance(value, list) else []
    if len(numbers) != 2 or any(isinstance(n, bool) or not isinstance(n, int | float) or abs(n) > 10 for n in numbers):
        file.refuse(place, f"{value!r} is not a place", "write [x, y] in metres, at most 10 from the origin")
    return float(numbers[0]), float(numbers[1])
