"""How the band of a phase moves or is hidden, and what ends a phase early: the words of a plan file for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from biofeedback.account.target import BAND_LOST, RECOVERED
from biofeedback.account.words import get_meaning
from biofeedback.model import Band
from biofeedback.session.plan_values import parse_band, read_number
from biofeedback.toml_file import Place, TomlFile

SHAPES = ("ramp", "steps", "blind", "until", "lost_s")
MOST_BANDS = 20
LEAST_PERCENT, MOST_PERCENT = 1.0, 100.0  # of a band that moves: nobody is led to nothing, or beyond their maximum
SHORTEST_BLIND_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """The bands that a band moves through, what is hidden, and what ends the phase before its longest duration."""

    ramp: tuple[Band, ...] = ()
    steps: tuple[Band, ...] = ()
    blind: tuple[tuple[float, float], ...] = ()
    until: str = ""
    lost_s: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """What there is of it, as in a plan file."""
        bands = {"ramp": self.ramp, "steps": self.steps}
        moving = {key: [[b.low_percent, b.high_percent] for b in value] for key, value in bands.items() if value}
        blind = {"blind": [list(stretch) for stretch in self.blind]} if self.blind else {}
        until = {"until": self.until} if self.until else {}
        return {**moving, **blind, **until, **({"lost_s": self.lost_s} if self.lost_s is not None else {})}

    def shortened(self, factor: float) -> Shape:
        """The same in less time."""
        blind = tuple((first * factor, end * factor) for first, end in self.blind)
        return Shape(ramp=self.ramp, steps=self.steps, blind=blind, until=self.until, lost_s=self.lost_s)


STANDING = Shape()  # a band that stays where it is, in sight, to the end


def parse_shape(
    file: TomlFile, place: Place, entry: Mapping[str, Any], *, kind: str, band: Band | None, duration_s: float
) -> Shape:
    """Read and check what ``entry``, a phase of a plan file, says of its shape."""
    for key in ("ramp", "steps", "blind"):
        if key in entry and band is None:
            file.refuse((*place, key), f"{key} in a phase without a band", "use it in a contract phase with a band")
    if "ramp" in entry and "steps" in entry:
        file.refuse((*place, "steps"), "a ramp and steps in one phase", "give each a phase of its own")
    moves = next((key for key in ("ramp", "steps") if key in entry), "")
    if moves and "adapt" in entry:
        file.refuse((*place, moves), f"{moves} in a band that adapts", "leave out one of them")
    bands = _parse_moving(file, place, moves, entry, band) if moves and band else ()
    return Shape(
        ramp=bands if moves == "ramp" else (),
        steps=bands if moves == "steps" else (),
        blind=_parse_blind(file, (*place, "blind"), entry.get("blind", []), duration_s),
        **_parse_until(file, place, entry, kind, band),
    )


def _parse_moving(file: TomlFile, place: Place, key: str, entry: Mapping[str, Any], band: Band) -> tuple[Band, ...]:
    value, at = entry[key], (*place, key)
    if not isinstance(value, list) or not 1 <= len(value) <= MOST_BANDS or not all(isinstance(b, list) for b in value):
        cure = f"give the bands that it goes on to, 1 to {MOST_BANDS}, e.g. {key} = [[40, 50], [60, 70]]"
        file.refuse(at, f"{key} = {value!r}", cure)
    bands = tuple(parse_band(file, at, one) for one in value)
    for one in (band, *bands):
        if one.low_percent < LEAST_PERCENT or one.high_percent > MOST_PERCENT:
            said = f"{key} to {one.low_percent:g}-{one.high_percent:g} %"
            file.refuse(at, said, f"stay between {LEAST_PERCENT:g} and {MOST_PERCENT:g} % with every edge")
    return bands


def _parse_blind(file: TomlFile, place: Place, value: object, duration_s: float) -> tuple[tuple[float, float], ...]:
    cure = f"give seconds from the start, within the {duration_s:g} s, e.g. blind = [[5, 10]]"
    if not isinstance(value, list) or not all(isinstance(one, list) and len(one) == 2 for one in value):
        file.refuse(place, f"blind = {value!r}", cure)
    stretches, before_s = [], 0.0
    for one in value:
        first, end = (read_number(file, place, each, 0, duration_s) for each in one)
        if first < before_s or end - first < SHORTEST_BLIND_S:
            file.refuse(place, f"blind = {value!r}", f"{cure}, each {SHORTEST_BLIND_S:g} s or longer, in order")
        stretches.append((first, end))
        before_s = end
    return tuple(stretches)


def _parse_until(
    file: TomlFile, place: Place, entry: Mapping[str, Any], kind: str, band: Band | None
) -> dict[str, Any]:
    until = entry.get("until")
    if until is not None:
        meaning = get_meaning(kind)
        wanted = BAND_LOST if meaning.contracts else RECOVERED
        if meaning.in_position and not meaning.contracts:
            file.refuse((*place, "until"), f"until in a {kind} phase", "use it in a contract or a rest phase")
        if until != wanted:
            file.refuse((*place, "until"), f"until = {until!r}", f'use until = "{wanted}" in a {kind} phase')
        if meaning.contracts and band is None:
            file.refuse((*place, "until"), "until band lost without a band", "add band = [low, high] in % of maximum")
    if "lost_s" not in entry:
        return {"until": until or ""}
    if until != BAND_LOST:
        file.refuse((*place, "lost_s"), "lost_s without until", f'add until = "{BAND_LOST}" to the contract phase')
    return {"until": until, "lost_s": read_number(file, (*place, "lost_s"), entry["lost_s"], 0.5, 10)}
