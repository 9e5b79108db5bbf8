"""A programme per athlete: which plan on which evening, until when; and what slows it down tonight."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from biofeedback.account.words import SORE
from biofeedback.calibration.maxima import REPEATS_PERCENT
from biofeedback.errors import PlanError
from biofeedback.model import ATHLETE_CODE, same_name
from biofeedback.session.plan import Plan
from biofeedback.storage.evening import HARD_PERCENT, read_evening
from biofeedback.storage.library import Entry
from biofeedback.storage.schema import PROGRAMMES
from biofeedback.toml_file import TomlFile, parse_toml, read_text_file
from biofeedback.wiring.user_files import save_text

REST_DAYS = 1.5  # hard work on consecutive days; common practice, no source
MOST_EVENINGS = 200
LICENSED = "if it stays or comes back, a licensed professional looks at it first"
KEYS = {"begun", "until", "evening"}
EVENING_KEYS = {"plan", "repeat"}
TEMPLATE = """# Which plan on which evening, one after the other; an evening counts when its plan was carried out.
begun = "{begun}"
# until = "2026-12-31"

[[evening]]
plan = "{plan}"
repeat = 3
"""


@dataclass(frozen=True, slots=True)
class Programme:
    """``plans`` evening by evening; ``begun`` and ``until`` are dates, ``until`` may be empty."""

    plans: tuple[str, ...]
    begun: str
    until: str


@dataclass(frozen=True, slots=True)
class Tonight:
    """The programme's evening: ``plan`` is empty when it is over, or slowed down for ``reasons``."""

    plan: str
    number: int
    n_evenings: int
    reasons: tuple[str, ...] = ()
    is_over: bool = False

    def describe(self) -> list[str]:
        """For the card, what comes first first."""
        if self.is_over:
            return ["the programme is over: make the next one"]
        where = f"evening {self.number} of {self.n_evenings} of the programme"
        if self.reasons:
            return [f"slower tonight: {reason}" for reason in self.reasons] + [f"{where} waits; rest, or a light plan"]
        return [f"{where}: {self.plan}"]


def name_path(folder: Path, athlete: str) -> Path:
    """The file of an athlete's programme. PlanError for what is no code: it would lead elsewhere."""
    if not ATHLETE_CODE.fullmatch(athlete):
        raise PlanError(f"{athlete[:40]!r} is not a code", "use letters and a number, for example A01")
    return folder / PROGRAMMES / f"{athlete.upper()}.toml"


def read_programme(folder: Path, athlete: str, known: Collection[str]) -> Programme | None:
    """The athlete's programme; None without one. PlanError names the line of a mistake, also of a plan that is gone."""
    path = name_path(folder, athlete)
    if not path.exists():
        return None
    try:
        text = read_text_file(path)
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(f"{path} cannot be read", "correct the file, or move it out of the folder") from error
    return parse_programme(text, path.name, known)


def parse_programme(text: str, name: str, known: Collection[str]) -> Programme:
    """A programme from its text; mistakes by line."""
    file = parse_toml(text, name)
    for key in file.data:
        if key not in KEYS:
            file.refuse((key,), f"no such entry {key!r}", f"use {', '.join(sorted(KEYS))}")
    begun, until = _read_date(file, "begun"), _read_date(file, "until") if "until" in file.data else ""
    if until and until < begun:
        file.refuse(("until",), f"until {until} is before {begun}", "give a later date")
    entries = file.data.get("evening")
    if not isinstance(entries, list) or not entries:
        file.refuse((), "no evening", 'add [[evening]] with plan = "..."')
    plans: list[str] = []
    for number, entry in enumerate(entries):
        plans += _read_evening(file, number, entry, known)
    if len(plans) > MOST_EVENINGS:
        file.refuse(("evening",), f"{len(plans)} evenings", f"plan at most {MOST_EVENINGS}")
    return Programme(tuple(plans), begun, until)


def _read_evening(file: TomlFile, number: int, entry: object, known: Collection[str]) -> list[str]:
    place = ("evening", number)
    if not isinstance(entry, dict):
        file.refuse(place, "an evening is a table", "write [[evening]]")
    for key in entry:
        if key not in EVENING_KEYS:
            file.refuse((*place, key), f"no such entry {key!r}", "use plan and repeat")
    plan, repeat = entry.get("plan"), entry.get("repeat", 1)
    if plan not in known:
        cure = f"it may have been deleted; choose one of {', '.join(sorted(known))}"
        file.refuse((*place, "plan"), f"there is no plan {plan!r}", cure)
    if not isinstance(repeat, int) or isinstance(repeat, bool) or not 1 <= repeat <= MOST_EVENINGS:
        file.refuse((*place, "repeat"), f"repeat {repeat!r}", "say how many evenings, from 1")
    return [str(plan)] * repeat


def _read_date(file: TomlFile, key: str) -> str:
    try:
        return date.fromisoformat(str(file.data.get(key, ""))).isoformat()
    except ValueError:
        file.refuse((key,), f"{key} is not a date", f'write {key} = "2026-01-31"')


def save_programme(folder: Path, athlete: str, text: str, known: Collection[str]) -> Programme:
    """Check the text, then put it in place of the old one; PlanError with the line otherwise, and the old one stays."""
    path = name_path(folder, athlete)
    programme = parse_programme(text, path.name, known)
    save_text(path, text)
    return programme


def find_tonight(
    programme: Programme, entries: Sequence[Entry], plans: Mapping[str, Plan], *, age_days: float | None, today: str
) -> Tonight:
    """Where the programme stands among an athlete's ``entries``, newest first, and what slows it down.

    ``age_days``: since the newest of them.
    """
    done = 0
    for entry in sorted(entries, key=lambda one: (one.started_utc, one.name)):
        carried_out = {same_name(name) for name in entry.plans.split(";")}
        if entry.started_utc[:10] >= programme.begun and done < len(programme.plans):
            done += same_name(programme.plans[done]) in carried_out
    if done >= len(programme.plans) or (programme.until and today > programme.until):
        return Tonight("", done, len(programme.plans), is_over=True)
    plan = programme.plans[done]
    reasons = find_reasons(entries, is_hard=is_hard(plans[plan]) if plan in plans else True, age_days=age_days)
    return Tonight("" if reasons else plan, done + 1, len(programme.plans), tuple(reasons))


def is_hard(plan: Plan) -> bool:
    """Whether a plan asks for contractions that are hard work at the end of the range."""
    return any(phase.band is not None and phase.band.low_percent >= HARD_PERCENT for phase in plan.phases)


def find_reasons(entries: Sequence[Entry], *, is_hard: bool, age_days: float | None) -> list[str]:
    """What speaks against going on as planned tonight, in words; nothing here ever speaks for more."""
    evenings = [read_evening(entry.evening) for entry in entries[:4]]
    reasons = []
    if evenings and evenings[0].hard and is_hard and age_days is not None and -1 < age_days < REST_DAYS:
        reasons.append("hard work on consecutive days")
    for after in evenings[0].aftermath[-1:] if evenings else ():
        if after.new_pain or after.numbness:
            reasons.append(f"new pain or numbness after the last evening; {LICENSED}")
        elif (after.soreness or 0.0) > SORE:
            reasons.append(f"soreness {after.soreness:g} of 10 the day after")
    strengths = [
        kept.maximum.strength
        for evening in evenings
        for kept in evening.maxima[:1]
        if kept.maximum.method == "attempts"
    ]
    if len(strengths) > 1 and strengths[0] < (1 - REPEATS_PERCENT / 100) * max(strengths[1:]):
        reasons.append(
            f"the maximum fell from {max(strengths[1:]):.0f} to {strengths[0]:.0f}, more than it repeats from day to "
            f"day; {LICENSED}"
        )
    return reasons


def to_text(folder: Path, athlete: str, *, plan: str, today: str) -> dict[str, Any]:
    """The text to change on the page: the file's, or one to begin with."""
    path = name_path(folder, athlete)
    try:
        text = read_text_file(path) if path.exists() else TEMPLATE.format(begun=today, plan=plan)
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(f"{path} cannot be read", "correct the file, or move it out of the folder") from error
    return {"text": text, "is_new": not path.exists()}
