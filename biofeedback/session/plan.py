"""Plans as data: what the athlete does, for how long, in which band, and when a rating is asked for."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, cast

from biofeedback.account.codec import read_payload
from biofeedback.account.kinds import PhaseBegun, PlanBegun
from biofeedback.account.lessons import LESSONS
from biofeedback.account.records import DWELL_S, GRACE_S, HYSTERESIS_PERCENT
from biofeedback.account.target import Target
from biofeedback.account.words import PHASES, PhaseKind, PhaseMeaning, get_meaning
from biofeedback.errors import PlanError
from biofeedback.model import Band
from biofeedback.session.plan_shapes import SHAPES, STANDING, Shape, parse_shape
from biofeedback.session.plan_values import parse_band, read_number, read_text, refuse_unknown
from biofeedback.toml_file import Place, TomlFile, parse_toml, read_text_file

BUILT_IN = (
    "half-check",
    "light-hold",
    "short-check",
    "drawn-check",
    "dose-check",
    "dose-search",
    "contract-relax",
    "felt-check",
    "control-check",
    "moving-bands",
    "hard-hold",
    "hard-sets",
    "response-check",
    *(f"lesson-{name}" for name in LESSONS),
)
RENAMED = {"draw": "randomise", "draw_bands": "randomise_bands"}  # plans written before read as they are meant
DESIGNS = ("pairs", "shuffle", "control")
LONGEST_PHASE_S = 3600.0
MOST_PHASES = 500
MOST_FELT = 3.0  # of 10: harder goes by a measured maximum only (common practice)
HARDEST_BY_FEEL_PERCENT = 60.0  # plans of harder bands are about the hardness: not offered by feel (common practice)
_PERCENT = re.compile(r"\d+(?:\s*(?:-|–|to)\s*\d+)?\s*%")
MOST_DRAWN = 60  # contractions of a drawn order, and rounds of drawn bands


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPhase:
    """One phase: ``passive`` and ``contract`` keep the position, ``rest`` leaves it. Only ``contract`` has a band.

    With ``adapt`` the band may move within these limits, to the effort that is worth trying next. ``felt`` instead of
    a band: the effort by feeling, 0 to 3 of 10, for who tests no maximum. ``shape``: how the band moves or is hidden,
    and what ends the phase before ``duration_s`` is over.
    """

    kind: PhaseKind
    title: str
    duration_s: float
    band: Band | None = None
    adapt: Band | None = None
    felt: float | None = None
    ask: bool = False
    cycle: int = 1
    shape: Shape = STANDING

    @property
    def target(self) -> Target | None:
        """Where its band is when; None without a band."""
        if self.band is None:
            return None
        shape = self.shape
        return Target(self.band, self.duration_s, shape.ramp, shape.steps, shape.blind)

    @property
    def highest_percent(self) -> float | None:
        """The highest edge that its band comes to; None without a band."""
        return max(band.high_percent for band in self.target.bands) if self.target else None

    @property
    def meaning(self) -> PhaseMeaning:
        """What a phase of this kind is for."""
        return get_meaning(self.kind)

    def to_dict(self) -> dict[str, Any]:
        """As stored in a recording and sent to the page."""
        band = [self.band.low_percent, self.band.high_percent] if self.band else None
        adapt = {"adapt": [self.adapt.low_percent, self.adapt.high_percent]} if self.adapt else {}
        return {
            "kind": self.kind,
            "title": self.title,
            "duration_s": self.duration_s,
            "band": band,
            **adapt,
            **({"felt": self.felt} if self.felt is not None else {}),
            "ask": self.ask,
            "cycle": self.cycle,
            **self.shape.to_dict(),
        }

    def begun(self, index: int, *, grace_s: float, reason: str = "") -> PhaseBegun:
        """The event that it begins, as phase ``index`` of its plan; ``reason``: why it lasts as long as it does."""
        return read_payload(PhaseBegun, {**self.to_dict(), "index": index, "grace_s": grace_s, "reason": reason})

    def shortened(self, factor: float) -> PlannedPhase:
        """The same with every time multiplied by ``factor``, but for how long below the band is losing it."""
        return replace(self, duration_s=self.duration_s * factor, shape=self.shape.shortened(factor))


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Phases in order and what counts.

    ``grace_s``: ramp-in of a contraction that is not counted (2 s, common practice); ``hysteresis_percent`` and
    ``dwell_s`` keep tremor from flickering the band state (1 point, 0.2 s); a rating is asked for
    ``ask_before_end_s`` before the end of a phase that asks.

    ``randomise`` asks for an order drawn by lot before the start, ``randomise_bands`` for bands
    that the contractions take in rounds drawn by lot; ``drawn`` is what the lot said, with its seed: only then can a
    p-value be given afterwards. ``read_range``: how far the stretch goes is asked before and after.
    """

    name: str
    title: str
    description: str
    phases: tuple[PlannedPhase, ...]
    grace_s: float = GRACE_S
    hysteresis_percent: float = HYSTERESIS_PERCENT
    dwell_s: float = DWELL_S
    ask_before_end_s: float = 5.0
    randomise: str = ""
    randomise_bands: tuple[Band, ...] = ()
    drawn: Mapping[str, Any] | None = field(default=None, hash=False)
    lesson: str = ""
    read_range: bool = False

    @property
    def duration_s(self) -> float:
        """All phases together."""
        return sum(phase.duration_s for phase in self.phases)

    @property
    def begins_contracting(self) -> bool:
        """Whether a contraction that is led by a band comes before any relaxed stretch in the position."""
        relaxes = [PHASES[phase.kind].relaxes for phase in self.phases if phase.band or PHASES[phase.kind].relaxes]
        return bool(relaxes) and not relaxes[0]

    def to_dict(self) -> dict[str, Any]:
        """As stored in a recording and sent to the page."""
        return {
            "name": self.name,
            "title": self.title,
            "description": self.description,
            "grace_s": self.grace_s,
            "hysteresis_percent": self.hysteresis_percent,
            "dwell_s": self.dwell_s,
            "ask_before_end_s": self.ask_before_end_s,
            "duration_s": self.duration_s,
            "drawn": self.drawn,
            **({"lesson": self.lesson} if self.lesson else {}),
            **({"read_range": True} if self.read_range else {}),
            "phases": [{"index": index, **phase.to_dict()} for index, phase in enumerate(self.phases)],
        }

    def begun(self) -> PlanBegun:
        """The event that it is carried out from now on."""
        return read_payload(PlanBegun, self.to_dict())

    def shortened(self, factor: float) -> Plan:
        """The same plan with every time multiplied by ``factor`` (0-1], for trying things out; the name says so."""
        if not 0 < factor <= 1:
            raise ValueError(f"factor {factor} is not above 0 and at most 1")
        phases = tuple(phase.shortened(factor) for phase in self.phases)
        return replace(
            self,
            title=f"{self.title} (shortened)",
            phases=phases,
            grace_s=self.grace_s * factor,
            ask_before_end_s=self.ask_before_end_s * factor,
        )

    def by_feel(self) -> Plan | None:
        """The same plan for a session without a sensor: felt effort in place of bands; None if it needs a number.

        Efforts that are drawn or that adapt cannot be told apart by feeling, and harder than 3 of 10 goes by a measured
        maximum only. A band from 30 % on becomes 3 of 10.
        """
        bands = [phase.band for phase in self.phases if phase.band]
        if not bands:
            return None if self.lesson else self
        if self.randomise_bands or self.lesson or any(p.adapt or p.shape != STANDING for p in self.phases):
            return None
        if max(band.high_percent for band in bands) > HARDEST_BY_FEEL_PERCENT:
            return None
        felt = [min(MOST_FELT, (band.low_percent + band.high_percent) // 20) for band in bands]
        names = " and ".join(f"{value:g}" for value in sorted(set(felt)))
        efforts = iter(felt)
        return replace(
            self,
            title=f"{self.title}, by feel",
            description=f"By feel, {names} of 10. {_PERCENT.sub(f'{names} of 10', self.description)}",
            phases=tuple(replace(p, band=None, felt=next(efforts)) if p.band else p for p in self.phases),
        )


def offer_by_feel(plans: Sequence[Plan]) -> list[Plan]:
    """The plans that can be carried out by feel, those made for it first; of several with equal phases the first."""
    made = [plan for plan in plans if not plan.lesson and all(phase.band is None for phase in plan.phases)]
    others = [plan for plan in (plan.by_feel() for plan in plans if plan not in made) if plan]
    offered: dict[Any, Plan] = {}
    for plan in (*made, *others):
        offered.setdefault((plan.randomise, tuple((p.kind, p.duration_s) for p in plan.phases)), plan)
    return list(offered.values())


def load_plan(path_or_name: str | Path) -> Plan:
    """A built-in plan by name, or a plan file. PlanError names the line and the cure."""
    name = str(path_or_name)
    return _load_built_in(name) if name in BUILT_IN else parse_plan(*read_plan_text(path_or_name))


@cache
def _load_built_in(name: str) -> Plan:
    return parse_plan(*read_plan_text(name))


def read_plan_text(path_or_name: str | Path) -> tuple[str, str]:
    """Text and file name of a built-in plan, or of a plan file. PlanError when it cannot be read."""
    if str(path_or_name) in BUILT_IN:
        resource = files("biofeedback.session") / "plans" / f"{path_or_name}.toml"
        return resource.read_text("utf-8"), f"{path_or_name}.toml"
    path = Path(path_or_name)
    try:
        return read_text_file(path), path.name
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(
            f"plan {str(path_or_name)!r} cannot be read", f"use {', '.join(BUILT_IN)} or the path of a plan file"
        ) from error


def parse_plan(text: str, name: str) -> Plan:
    """Parse and validate the text of a plan file; ``name`` is used in messages."""
    file = parse_toml(text, name)
    texts = ("name", "title", "description", "block", "lesson", "read_range")
    refuse_unknown(file, (), file.data, {*texts, *RENAMED, *RENAMED.values(), *_PLAN_NUMBERS})
    phases: list[PlannedPhase] = []
    blocks = file.data.get("block")
    if not isinstance(blocks, list) or not blocks:
        file.refuse((), "a plan without phases", "add [[block]] and [[block.phase]] with a kind and a duration_s")
    for number, block in enumerate(blocks):
        place: Place = ("block", number)
        refuse_unknown(file, place, block, {"repeat", "phase"})
        repeat = read_number(file, (*place, "repeat"), block.get("repeat", 1), 1, 100)
        if repeat != int(repeat):
            file.refuse((*place, "repeat"), f"repeat = {repeat}", "use a whole number from 1 to 100")
        entries = block.get("phase")
        if not isinstance(entries, list) or not entries:
            file.refuse(place, "a block without phases", "add [[block.phase]] with a kind and a duration_s")
        parsed = [_parse_phase(file, (*place, "phase", index), entry) for index, entry in enumerate(entries)]
        for cycle in range(1, int(repeat) + 1):
            phases += [replace(phase, cycle=cycle) for phase in parsed]
    if len(phases) > MOST_PHASES:
        file.refuse(("block",), f"{len(phases)} phases, repeats included", f"use {MOST_PHASES} at most")
    numbers: dict[str, Any] = {
        key: read_number(file, (key,), file.data[key], 0, limit)
        for key, limit in _PLAN_NUMBERS.items()
        if key in file.data
    }
    title = read_text(file, ("title",), file.data.get("title", name))
    read_range = file.data.get("read_range", False)
    if not isinstance(read_range, bool):
        file.refuse(("read_range",), f"read_range = {read_range!r}", "use true or false")
    return Plan(
        name=read_text(file, ("name",), file.data.get("name", Path(name).stem)),
        title=title,
        description=read_text(file, ("description",), file.data.get("description", "")),
        phases=tuple(phases),
        lesson=_parse_lesson(file, phases),
        randomise=_parse_order(file, phases),
        randomise_bands=_parse_bands(file, phases),
        read_range=read_range,
        **numbers,
    )


_PLAN_NUMBERS: Mapping[str, float] = {
    "grace_s": 30.0,
    "hysteresis_percent": 20.0,
    "dwell_s": 2.0,
    "ask_before_end_s": 60.0,
}


def _parse_phase(file: TomlFile, place: Place, entry: Mapping[str, Any]) -> PlannedPhase:
    refuse_unknown(file, place, entry, {"kind", "title", "duration_s", "band", "adapt", "felt", "ask", *SHAPES})
    kind = entry.get("kind")
    if not isinstance(kind, str) or kind not in PHASES:
        file.refuse((*place, "kind"), f"kind = {kind!r}", f"use {', '.join(PHASES)}")
    meaning = get_meaning(kind)
    if "duration_s" not in entry:
        if "until" in entry:
            cure = "add duration_s: the longest it may last, whatever happens, e.g. duration_s = 60"
            file.refuse((*place, "until"), "until without a longest duration", cure)
        file.refuse(place, "a phase without duration_s", "say how many seconds it lasts")
    duration_s = read_number(file, (*place, "duration_s"), entry["duration_s"], 1, LONGEST_PHASE_S)
    band = parse_band(file, (*place, "band"), entry.get("band")) if "band" in entry else None
    felt = read_number(file, (*place, "felt"), entry["felt"], 0, MOST_FELT) if "felt" in entry else None
    if felt is not None and (not meaning.contracts or band is not None):
        file.refuse(
            (*place, "felt"), f"felt effort in a {kind} phase", "use it in a contract phase, in place of a band"
        )
    if felt is None and meaning.contracts != (band is not None):
        cure = "add band = [low, high] in % of maximum" if band is None else "remove the band, or use kind = 'contract'"
        file.refuse((*place, "band"), f"a {kind} phase {'without' if band is None else 'with'} a band", cure)
    adapt = parse_band(file, (*place, "adapt"), entry["adapt"]) if "adapt" in entry else None
    if adapt and not (band and adapt.low_percent <= band.low_percent and band.high_percent <= adapt.high_percent):
        cure = "give the band to start with inside it, e.g. band = [20, 30], adapt = [10, 90]"
        file.refuse((*place, "adapt"), f"adapt = {entry['adapt']}", cure)
    if adapt and any(file.data.get(_key(file, name)) for name in RENAMED.values()):
        file.refuse((*place, "adapt"), "adapt in a randomised plan", "leave the efforts to the lot, or adapt, not both")
    ask = entry.get("ask", False)
    if not isinstance(ask, bool):
        file.refuse((*place, "ask"), f"ask = {ask!r}", "use true or false")
    shape = parse_shape(file, place, entry, kind=kind, band=band, duration_s=duration_s)
    if shape != STANDING and any(file.data.get(_key(file, name)) for name in RENAMED.values()):
        key = next(key for key in SHAPES if key in entry)
        file.refuse((*place, key), f"{key} in a randomised plan", "leave it out, or keep the order and bands fixed")
    title = read_text(file, (*place, "title"), entry.get("title", meaning.say))
    return PlannedPhase(
        kind=cast("PhaseKind", kind),
        title=title,
        duration_s=duration_s,
        band=band,
        adapt=adapt,
        felt=felt,
        ask=ask,
        shape=shape,
    )


def _key(file: TomlFile, name: str) -> str:
    """``name``, or what this file calls it."""
    return next((old for old, new in RENAMED.items() if new == name and old in file.data), name)


def _parse_lesson(file: TomlFile, phases: Sequence[PlannedPhase]) -> str:
    lesson = file.data.get("lesson", "")
    if lesson == "":
        return ""
    if lesson not in LESSONS:
        file.refuse(("lesson",), f"lesson = {lesson!r}", f"use {', '.join(LESSONS)}, or leave it out")
    if any(file.data.get(_key(file, name)) for name in RENAMED.values()):
        file.refuse(("lesson",), "a lesson in a randomised plan", "keep the order and bands of a lesson fixed")
    efforts = [phase for phase in phases if phase.meaning.contracts]
    if not efforts or any((phase.band is None) == LESSONS[lesson].needs_maximum for phase in efforts):
        kind = "a band" if LESSONS[lesson].needs_maximum else "felt effort in place of a band"
        file.refuse(("lesson",), f"the lesson {lesson} without {kind}", f"give every contract phase {kind}")
    return str(lesson)


def _parse_order(file: TomlFile, phases: Sequence[PlannedPhase]) -> str:
    key = _key(file, "randomise")
    design = file.data.get(key, "")
    if design != "" and design not in DESIGNS:
        file.refuse((key,), f"{key} = {design!r}", f"use {', '.join(DESIGNS)}, or leave it out for a fixed order")
    if not design:
        return ""
    if design == "control":
        efforts = [phase.kind for phase in phases if phase.kind in ("contract", "remote")]
        pairs = [set(efforts[k : k + 2]) for k in range(0, len(efforts), 2)]
        if not pairs or any(pair != {"contract", "remote"} for pair in pairs) or len(pairs) > MOST_DRAWN:
            cure = f"give one contract and one remote phase in turn, {MOST_DRAWN} of each at most"
            file.refuse((key,), "a control without contract and remote in pairs", cure)
        return "control"
    if {"passive", "contract"} - {phase.kind for phase in phases}:
        file.refuse((key,), "nothing to randomise", "give at least one passive and one contract phase")
    if any(not phase.meaning.in_position for phase in phases):  # nobody may lose a rest to the lot
        file.refuse((key,), "a randomised order has no place for rests", "leave the rests out, or keep the order fixed")
    if len({(phase.kind, phase.duration_s, phase.band, phase.ask) for phase in phases}) > 2:
        file.refuse((key,), "phases to randomise that differ", "give all of one kind the same seconds, band and ask")
    if sum(phase.meaning.contracts for phase in phases) > MOST_DRAWN:
        file.refuse((key,), "too many contractions to randomise", f"use {MOST_DRAWN} at most")
    return str(design)


def _parse_bands(file: TomlFile, phases: Sequence[PlannedPhase]) -> tuple[Band, ...]:
    key = _key(file, "randomise_bands")
    bands, place = file.data.get(key, []), (key,)
    if not isinstance(bands, list) or len(bands) == 1 or len(bands) > 10:
        file.refuse(place, f"{key} = {bands!r}", "use two to ten bands, e.g. [[20, 30], [70, 80]]")
    parsed = tuple(parse_band(file, place, band) for band in bands)
    if len({band.low_percent + band.high_percent for band in parsed}) < len(parsed):
        file.refuse(place, "two bands with the same middle", "give efforts that differ")
    n_contracts = sum(phase.meaning.contracts for phase in phases)
    if parsed and not 1 <= n_contracts <= MOST_DRAWN * len(parsed):
        file.refuse(place, f"bands for {n_contracts} contractions", f"give 1 to {MOST_DRAWN * len(parsed)} of them")
    return parsed
