"""The coach's athletes, for the start page: last evening, maximum and range with their age, what is due, one press."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from biofeedback.acquisition.source import SourceUrl
from biofeedback.analysis.words import MAY_COME_LATE
from biofeedback.errors import BiofeedbackError
from biofeedback.model import ATHLETE_CODE, same_name
from biofeedback.session.exercises import Exercise
from biofeedback.session.plan import Plan
from biofeedback.storage.evening import read_evening
from biofeedback.storage.library import Entry, filter_recordings, lacks_band, list_recordings
from biofeedback.wiring.due import list_due, list_due_of_answer, list_due_of_lessons, list_due_of_trial
from biofeedback.wiring.lent import Setup, describe_age, find_age_days, find_lent, look_back
from biofeedback.wiring.programmes import Tonight, read_programme
from biofeedback.wiring.programmes import find_tonight as find_tonight_of
from biofeedback.wiring.start_form import ChosenSession
from biofeedback.wiring.trials import collect_evenings, describe_tonight, find_trial

SIMULATED_OPTIONS = {"seed", "athlete", "channels"}  # what the form's own fields can say
ANSWERS = {
    "less": "contracting: less discomfort",
    "more": "contracting: more discomfort",
    "no clear difference": "contracting: no clear difference",
    MAY_COME_LATE: "contracting: not decided, may come late",
    "too few ratings to say": "too few ratings to say",
}


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
        "seeking": lacks_band(newest),
        "maximum": lent.text if lent else "",
        "doubts": [doubt.partition(" (")[0] for doubt in lent.doubts] if lent else [],
        "range": _describe_range(same_kind, setup, now_utc=now_utc),
        "tonight": tonight,
        "due": [
            *_list_due_of_programme(folder, same_kind, plans, now_utc=now_utc),
            *list_due(lent, evening),
            *list_due_of_lessons(same_kind, setup),
            *list_due_of_answer(lent, same_kind, age),
            *list_due_of_trial(tonight, evening, age),
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
    for entry, evening in look_back(entries):
        is_same = (same_name(entry.exercise), entry.side) == (same_name(setup.exercise), setup.side)
        if evening.ranges and is_same:
            last = evening.ranges[-1]
            age = describe_age(find_age_days(entry.started_utc, now_utc))
            return f"{last.value:g} {last.unit} at {last.at}, {age}"
    return ""


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
