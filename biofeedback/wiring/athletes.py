"""The coach's athletes, for the start page: last evening, maximum and range with their age, what is due, one press."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from biofeedback.acquisition.source import SourceUrl
from biofeedback.calibration.maxima import OLD_DAYS, CarriedMaximum, carry_maximum
from biofeedback.errors import BiofeedbackError, CalibrationError
from biofeedback.model import ATHLETE_CODE, Channel, same_name
from biofeedback.session.exercises import Exercise
from biofeedback.session.plan import Plan
from biofeedback.storage.evening import Evening, KeptMaximum, read_evening
from biofeedback.storage.library import Entry, filter_recordings, list_recordings
from biofeedback.wiring.programmes import Tonight, read_programme
from biofeedback.wiring.programmes import find_tonight as find_tonight_of
from biofeedback.wiring.start_form import ChosenSession
from biofeedback.wiring.trials import collect_evenings, describe_tonight, find_trial

DAY_S = 86_400.0
REST_DAYS = 1.5  # hard work on consecutive days; common practice, no source
LOOK_BACK = 12  # evenings of an athlete that are searched for a maximum and a range
SIMULATED_OPTIONS = {"seed", "athlete", "channels"}  # what the form's own fields can say
ANSWERS = {
    "less": "contracting: less discomfort",
    "more": "contracting: more discomfort",
    "no clear difference": "contracting: no clear difference",
    "too few ratings to say": "too few ratings to say",
}
NO_MAXIMUM = "no maximum of this stretch and side: find one, or choose a plan by felt effort"


@dataclass(frozen=True, slots=True)
class Setup:
    """What an evening was held with, as one entry of the library says it; compared however it was written."""

    exercise: str
    side: str
    position: str

    @classmethod
    def of(cls, entry: Entry) -> Setup:
        """Of a recording."""
        return cls(entry.exercise, entry.side, entry.position)

    def holds(self, maximum: KeptMaximum) -> bool:
        """Whether a maximum is of this stretch and side; another position is a doubt, not another thing."""
        then = maximum.maximum
        return same_name(then.exercise) == same_name(self.exercise) and then.side == self.side


@dataclass(frozen=True, slots=True)
class Lent:
    """A maximum that is taken over from the recording ``name``, and what has to be said about it."""

    name: str
    carried: CarriedMaximum
    age_days: float | None
    doubts: tuple[str, ...]

    @property
    def text(self) -> str:
        """Number and age."""
        maximum = self.carried.maximum
        return f"{maximum.strength:.0f} {maximum.unit}, {describe_age(self.age_days)}"


def list_athletes(
    folder: Path,
    library: Mapping[str, Exercise],
    *,
    now_utc: str,
    sensor: Mapping[str, Any] | None = None,
    sensor_source: str = "",
    plans: Mapping[str, Plan] | None = None,
) -> list[dict[str, Any]]:
    """A card for each code, the one of the newest evening first; ``form`` begins the next one as it stands.

    RecordingError when the folder is there and cannot be read. ``sensor``: the sensor's fields of the form that gave
    ``sensor_source``; the same source gets the same fields.
    """
    if not folder.exists():  # no recording yet
        return []
    entries = [entry for entry in list_recordings(folder) if entry.athlete and not entry.problem]
    return [
        _describe(folder, own, library, now_utc=now_utc, sensor=sensor, sensor_source=sensor_source, plans=plans or {})
        for own in group_by_athlete(entries).values()
    ]


def group_by_athlete(entries: Iterable[Entry]) -> dict[str, list[Entry]]:
    """By code, whatever the case of its letters; in the order of the entries."""
    grouped: dict[str, list[Entry]] = {}
    for entry in entries:
        grouped.setdefault(entry.athlete.casefold(), []).append(entry)
    return grouped


def find_lent(entries: Sequence[Entry], setup: Setup, *, now_utc: str) -> Lent | None:
    """The newest force maximum of this stretch and side among an athlete's ``entries``, newest first."""
    for entry, evening in _look_back(entries):
        if evening.learning:
            continue
        for kept in evening.maxima:
            if not setup.holds(kept):
                continue
            channel = Channel(name=kept.maximum.channel, kind="force", unit=kept.maximum.unit)
            try:
                carried = carry_maximum(
                    kept.maximum,
                    channel=channel,
                    now_utc=now_utc,
                    position=setup.position,
                    side=setup.side,
                    exercise=setup.exercise,
                )
            except CalibrationError:
                continue
            age = find_age_days(kept.maximum.utc, now_utc)
            return Lent(entry.name, carried, age, tuple(filter(None, (*carried.warnings, kept.doubt))))
    return None


def find_age_days(utc: str, now_utc: str) -> float | None:
    """Days from one moment to another; None where a date cannot be read."""
    try:
        then, now = (datetime.fromisoformat(text) for text in (utc, now_utc))
    except ValueError:
        return None
    then, now = (one if one.tzinfo else one.replace(tzinfo=UTC) for one in (then, now))
    return (now - then).total_seconds() / DAY_S


def describe_age(age_days: float | None) -> str:
    """In words; a date that lies ahead is told as what it is."""
    if age_days is None:
        return "without a date"
    if age_days < -1 / 24:
        return "dated later than now: check the computer's clock"
    if age_days < 0.5:
        return "earlier today"
    n_days = max(1, round(age_days))
    return "1 day old" if n_days == 1 else f"{n_days} days old"


def _look_back(entries: Sequence[Entry]) -> Iterator[tuple[Entry, Evening]]:
    return ((entry, read_evening(entry.evening)) for entry in entries[:LOOK_BACK])


def _describe(
    folder: Path,
    own: Sequence[Entry],
    library: Mapping[str, Exercise],
    *,
    now_utc: str,
    sensor: Mapping[str, Any] | None,
    sensor_source: str,
    plans: Mapping[str, Plan],
) -> dict[str, Any]:
    newest = own[0]
    setup, evening = Setup.of(newest), read_evening(newest.evening)
    same_kind = [entry for entry in own if entry.simulated == newest.simulated]
    tonight, trouble = _find_tonight(folder, newest.athlete, same_kind)
    lent = find_lent(same_kind, setup, now_utc=now_utc)
    age = find_age_days(newest.started_utc, now_utc)
    return {
        "code": newest.athlete,
        "n_evenings": len(own),
        "last": _describe_last(newest.started_utc, age),
        "stretch": " · ".join(filter(None, (setup.exercise, setup.side, setup.position))),
        "simulated": bool(newest.simulated),
        "answer": ANSWERS.get(newest.word, ""),
        "maximum": lent.text if lent else "",
        "doubts": [doubt.partition(" (")[0] for doubt in lent.doubts] if lent else [],
        "range": _describe_range(same_kind, setup, now_utc=now_utc),
        "tonight": tonight,
        "due": [
            *_list_due_of_programme(folder, same_kind, plans, now_utc=now_utc),
            *_list_due(lent, evening),
            *_list_due_of_trial(tonight, evening, age),
            *trouble,
        ],
        "form": {
            **_write_sensor(evening.source, sensor, sensor_source),
            "athlete": newest.athlete,
            "exercise": _find_exercise_name(setup.exercise, library),
            "side": setup.side,
            "position": setup.position,
            "before": [],
            **({} if evening.limit is None else {"limit": f"{evening.limit:g}"}),
            "carry": lent is not None,
            **({"way": tonight["drawn"]} if tonight else {}),
        },
    }


def _describe_last(utc: str, age_days: float | None) -> str:
    if age_days is None:
        return "without a date"
    if age_days < -1 / 24:
        return f"{utc[:10]}, later than now: check the computer's clock"
    if age_days < 0.5:
        return "today"
    n_days = max(1, round(age_days))
    return f"{'yesterday' if n_days == 1 else f'{n_days} days ago'}, {utc[:10]}"


def _describe_range(entries: Sequence[Entry], setup: Setup, *, now_utc: str) -> str:
    for entry, evening in _look_back(entries):
        is_same = (same_name(entry.exercise), entry.side) == (same_name(setup.exercise), setup.side)
        if evening.ranges and is_same:
            last = evening.ranges[-1]
            age = describe_age(find_age_days(entry.started_utc, now_utc))
            return f"{last.value:g} {last.unit} at {last.at}, {age}"
    return ""


def _list_due(lent: Lent | None, evening: Evening) -> Iterator[str]:
    if lent is None:
        yield NO_MAXIMUM
    elif lent.age_days is None or lent.age_days > OLD_DAYS:
        yield f"a new maximum: this one is more than {OLD_DAYS:.0f} days old"
    for one in evening.aftermath[-1:]:
        if one.new_pain or one.numbness:
            yield "ask first: the last evening ended with new pain or numbness"


def find_tonight(folder: Path, athlete: str, *, is_simulated: bool) -> dict[str, Any] | None:
    """Tonight's way of the athlete's trial; None without one."""
    with suppress(BiofeedbackError):
        entries = filter_recordings(list_recordings(folder), athlete=athlete)
        own = [entry for entry in entries if not entry.problem and bool(entry.simulated) == is_simulated]
        return _find_tonight(folder, athlete, own)[0]
    return None


def choose_way(choice: ChosenSession, done: object, tonight: Mapping[str, Any] | None) -> ChosenSession:
    """The session with what is done of tonight's way: on record, and among what was done before.

    ``done``: a way, "" for nothing of it; anything else is no evening of the trial.
    """
    if tonight is None or not isinstance(done, str) or done not in ("", *tonight["ways"]):
        return choice
    told = {key: tonight[key] for key in ("trial", "evening", "drawn")}
    before = choice.before if done in ("", "nothing") else tuple(dict.fromkeys((*choice.before, done)))
    return replace(choice, before=before, way={"do": "way", **told, "done": done})


def _find_tonight(folder: Path, athlete: str, own: Sequence[Entry]) -> tuple[dict[str, Any] | None, list[str]]:
    """Tonight's way, and what is wrong with the trial's file."""
    try:
        trial = find_trial(folder, athlete)
    except BiofeedbackError as error:
        return None, [f"{error.what}: {error.cure}"]
    return (describe_tonight(trial, collect_evenings(trial, own)) if trial else None), []


def _list_due_of_trial(tonight: Mapping[str, Any] | None, last: Evening, age_days: float | None) -> Iterator[str]:
    if tonight is None:
        return
    yield f"evening {tonight['evening']} of {tonight['n_evenings']} of the trial: {tonight['drawn']}, {tonight['how']}"
    if tonight["drawn"] == "hard contraction" and last.hard and age_days is not None and 0 <= age_days < REST_DAYS:
        yield "hard work on consecutive days: wait a day, the draw waits too"


def _list_due_of_programme(folder: Path, own: Sequence[Entry], plans: Mapping[str, Plan], *, now_utc: str) -> list[str]:
    """The programme's evening, what slows it down, or what is wrong with its file."""
    try:
        tonight = find_programmes_evening(folder, own, plans, now_utc=now_utc)
    except BiofeedbackError as error:
        return [f"{error.what}: {error.cure}"]
    return tonight.describe() if tonight else []


def find_programmes_evening(
    folder: Path, own: Sequence[Entry], plans: Mapping[str, Plan], *, now_utc: str
) -> Tonight | None:
    """Where the programme of the athlete of ``own`` stands; None without one. PlanError for a mistake in its file."""
    if not own or not ATHLETE_CODE.fullmatch(own[0].athlete):
        return None
    programme = read_programme(folder, own[0].athlete, plans)
    if programme is None:
        return None
    age = find_age_days(own[0].started_utc, now_utc)
    return find_tonight_of(programme, own, plans, age_days=age, today=now_utc[:10])


def _find_exercise_name(title: str, library: Mapping[str, Exercise]) -> str:
    same = same_name(title)
    return next((each.name for each in library.values() if same in map(same_name, (each.name, each.title))), title)


def _write_sensor(source: str, sensor: Mapping[str, Any] | None, sensor_source: str) -> dict[str, Any]:
    """The fields of the form for a source: those that it was chosen by, where they are known, else as it is typed."""
    if sensor and source and _without_athlete(source) == _without_athlete(sensor_source):
        return dict(sensor)
    try:
        url = SourceUrl.parse(source)
    except BiofeedbackError:
        return {"sensor": "", **({} if not source else {"url": source})}
    if url.scheme == "felt":
        return {"sensor": "felt"}
    if url.scheme == "simulated" and not url.target and set(url.options) <= SIMULATED_OPTIONS:
        channels, seed = url.options.get("channels", ""), url.options.get("seed", "1")
        return {"sensor": "simulated", "simulated": channels, "seed": seed}
    return {"sensor": "url", "url": source}


def _without_athlete(source: str) -> str:
    """A simulated source names its athlete; everything else of it may be the same."""
    head, _, query = source.partition("?")
    return f"{head}?{'&'.join(part for part in query.split('&') if not part.startswith('athlete='))}"
