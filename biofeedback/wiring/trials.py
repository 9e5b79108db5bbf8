"""Trials over evenings: a file for each beside the recordings, drawn before the first evening and never drawn again."""

from __future__ import annotations

import re
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from biofeedback.analysis.trial import Schedule, TrialEvening, draw_schedule
from biofeedback.errors import PlanError
from biofeedback.model import same_name
from biofeedback.session.plan_file import write_table
from biofeedback.storage.evening import Evening, read_evening
from biofeedback.storage.library import Entry, filter_recordings, list_recordings
from biofeedback.storage.schema import TRIALS
from biofeedback.toml_file import TomlFile, parse_toml, read_text_file
from biofeedback.wiring.user_files import save_text

NEEDED: Mapping[str, type] = {
    "athlete": str, "exercise": str, "side": str, "position": str, "ways": list, "n_blocks": int, "seed": int,
    "drawn_utc": str, "order": list,
}  # fmt: skip
WAYS: Mapping[str, str] = {  # how each is done, before the first rating; common practice, no source
    "nothing": "sit quietly for 10 min, no warmth, no massage, no contractions",
    "warmth": "a warm pack on the stretched muscle for 10 min, comfortable and never hot; take it off before rating",
    "massage": "5 min along the stretched muscle, never into pain; hands off while rating",
    "light contraction": "5 contractions of 10 s at 20-30 % in the position, counting aloud; let go before rating",
    "hard contraction": "5 contractions of 10 s at 60-80 % in the position, counting aloud; let go before rating",
}


@dataclass(frozen=True, slots=True)
class KeptTrial:
    """A trial as its file says it; ``name`` is the file's."""

    name: str
    athlete: str
    exercise: str
    side: str
    position: str
    drawn_utc: str
    schedule: Schedule

    @property
    def n_evenings(self) -> int:
        """How many were drawn."""
        return len(self.schedule.order)

    def holds(self, entry: Entry) -> bool:
        """Whether a recording is of the trial's stretch and side."""
        return same_name(entry.exercise) == same_name(self.exercise) and entry.side == self.side


@dataclass(frozen=True, slots=True)
class HeldEvening:
    """One recorded evening of a trial."""

    entry: Entry
    evening: Evening
    number: int
    drawn: str
    done: str


@dataclass(frozen=True, slots=True)
class TrialRecord:
    """What the recordings say of a trial: its evenings by number, and what has to be said about them."""

    held: tuple[HeldEvening, ...]
    said: tuple[str, ...]

    @property
    def next_number(self) -> int:
        """The evening that comes next: a day without a session uses up nothing of the draw."""
        return max((one.number for one in self.held), default=0) + 1


def begin_trial(
    folder: Path,
    athlete: str,
    ways: Sequence[str],
    n_blocks: int,
    *,
    utc: str,
    seed: int | None = None,
    exercise: str = "",
    side: str = "",
    position: str = "",
) -> KeptTrial:
    """Draw the athlete's next trial, of the last evening's stretch, side and position where none is named.

    PlanError while an earlier one is open. ``seed`` None draws a new one.
    """
    entries = list_own(folder, athlete)
    earlier = find_trial(folder, athlete)
    if earlier and (n_held := len(collect_evenings(earlier, entries).held)) < earlier.n_evenings:
        raise PlanError(
            f"trial {earlier.name} is open: {n_held} of {earlier.n_evenings} evenings are held",
            f"go on with it, or end it by moving {earlier.name}.toml out of the folder {TRIALS}",
        )
    newest = entries[0] if entries else None
    return draw_trial(
        folder,
        athlete,
        ways,
        n_blocks,
        seed=secrets.randbits(32) if seed is None else seed,
        utc=utc,
        exercise=exercise or (newest.exercise if newest else ""),
        side=side or (newest.side if newest else ""),
        position=position or (newest.position if newest else ""),
    )


def list_own(folder: Path, athlete: str) -> list[Entry]:
    """The athlete's recordings that can be read, newest first."""
    entries = filter_recordings(list_recordings(folder), athlete=athlete) if folder.is_dir() else []
    return [entry for entry in entries if not entry.problem]


def draw_trial(
    folder: Path,
    athlete: str,
    ways: Sequence[str],
    n_blocks: int,
    *,
    seed: int,
    utc: str,
    exercise: str = "",
    side: str = "",
    position: str = "",
) -> KeptTrial:
    """Draw a schedule and store it. PlanError when a trial of the athlete's is still open, or the ways do not do."""
    unknown = [way for way in ways if way not in WAYS]
    if unknown:
        raise PlanError(f"no way {unknown[0]!r}", f"choose two to four of {', '.join(WAYS)}")
    try:
        schedule = draw_schedule(ways, n_blocks, seed=seed)
    except ValueError as error:
        raise PlanError(str(error), f"choose two to four of {', '.join(WAYS)}, and 2 to 12 blocks") from error
    number = 1 + max((int(path.stem.rpartition("-")[2]) for path in find_files(folder, athlete)), default=0)
    name = f"{athlete}-{number}"
    data = {"athlete": athlete, "exercise": exercise, "side": side, "position": position, "drawn_utc": utc}
    kept = {"ways": list(ways), "n_blocks": n_blocks, "seed": seed, "order": list(schedule.order)}
    save_text(folder / TRIALS / f"{name}.toml", write_table("trial", data | kept))
    return KeptTrial(name, athlete, exercise, side, position, utc, schedule)


def find_files(folder: Path, athlete: str) -> list[Path]:
    """The files of an athlete's trials, oldest first."""
    named = re.compile(rf"{re.escape(athlete)}-\d+", re.IGNORECASE)
    found = [path for path in (folder / TRIALS).glob("*.toml") if named.fullmatch(path.stem)]
    return sorted(found, key=lambda path: int(path.stem.rpartition("-")[2]))


def find_trial(folder: Path, athlete: str) -> KeptTrial | None:
    """The athlete's newest trial; None without one. PlanError names the line of a file that is none."""
    files = find_files(folder, athlete)
    return read_trial(files[-1]) if files else None


def read_trial(path: Path) -> KeptTrial:
    """The trial of a file; PlanError with the line where it is not what was drawn."""
    try:
        file = parse_toml(read_text_file(path), path.name)
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(f"{path} cannot be read", "put the file back, or move it out of the folder") from error
    data = _read_fields(file)
    try:
        schedule = draw_schedule(data["ways"], data["n_blocks"], seed=data["seed"])
    except ValueError as error:
        file.refuse(("trial", "ways"), str(error), "put back what was drawn")
    if list(schedule.order) != data["order"]:
        file.refuse(
            ("trial", "order"),
            "not the order that this seed draws",
            "put back the file as it was drawn: an order changed by hand is not random, and answers nothing",
        )
    texts = {key: data[key] for key in ("athlete", "exercise", "side", "position", "drawn_utc")}
    return KeptTrial(path.stem, schedule=schedule, **texts)


def _read_fields(file: TomlFile) -> dict[str, Any]:
    table = file.data.get("trial")
    if not isinstance(table, dict):
        file.refuse((), "no [trial]", "use the form that biofeedback trial writes")
    table = {"exercise": "", "side": "", "position": "", **table}  # empty ones are not written
    for key, kind in NEEDED.items():
        if not isinstance(table.get(key), kind) or isinstance(table.get(key), bool):
            file.refuse(("trial", key), f"{key} is missing or of another kind", "put back what was drawn")
    if not all(isinstance(way, str) for way in (*table["ways"], *table["order"])):
        file.refuse(("trial", "ways"), "ways are texts", "put back what was drawn")
    return table


def collect_evenings(trial: KeptTrial, entries: Sequence[Entry]) -> TrialRecord:
    """The evenings of a trial among an athlete's recordings, by number, whatever the computers' clocks said."""
    by_number: dict[int, HeldEvening] = {}
    said: list[str] = []
    ordered = sorted((entry for entry in entries if not entry.problem), key=lambda e: (e.started_utc, e.name))
    for entry in ordered:
        evening = read_evening(entry.evening)
        way = evening.way
        if way is None or way.trial != trial.name:
            if trial.holds(entry) and entry.started_utc[:10] >= trial.drawn_utc[:10]:
                said.append(f"{entry.name} is of the same stretch and no evening of the trial: it does not count")
            continue
        number = way.evening
        if not 1 <= number <= trial.n_evenings or trial.schedule.order[number - 1] != way.drawn:
            said.append(f"{entry.name} says evening {number}, {way.drawn}: not what was drawn; it does not count")
            continue
        if number in by_number:
            said.append(f"{entry.name} is evening {number} once more: the earlier one counts")
            continue
        by_number[number] = HeldEvening(entry, evening, number, way.drawn, way.done)
        if way.done != way.drawn:
            said.append(f"evening {number} was drawn for {way.drawn}, and {way.done or 'nothing of it'} was done")
        if entry.started_utc < trial.drawn_utc:
            said.append(f"evening {number} is dated before the draw: the clocks of two computers differ")
    held = tuple(by_number[number] for number in sorted(by_number))
    dates = [one.entry.started_utc for one in held]
    if dates != sorted(dates):
        said.append("the evenings' dates do not follow their numbers: clocks differed; the numbers of the draw count")
    missing = sorted(set(range(1, max(by_number, default=0))) - set(by_number))
    if missing:
        said.append(f"no recording of evening {', '.join(map(str, missing))}: lost or kept elsewhere; left out")
    return TrialRecord(held, tuple(said))


def measure_evenings(record: TrialRecord) -> tuple[list[TrialEvening], list[TrialEvening], str]:
    """Outcomes by evening: discomfort while relaxed at the same range; range at the agreed discomfort, and its unit.

    Ranges of another unit than the newest one are left out.
    """
    ranges: dict[int, tuple[float, str]] = {}
    for one in record.held:
        read = [
            reading for reading in one.evening.ranges if reading.at == "agreed discomfort" and not reading.contracting
        ]
        if read:
            ranges[one.number] = read[-1].value, read[-1].unit
    unit = ranges[max(ranges)][1] if ranges else ""
    discomfort = [TrialEvening(one.number, one.drawn, one.done, one.evening.relaxed) for one in record.held]
    reach = [
        TrialEvening(one.number, one.drawn, one.done, value if its == unit else None)
        for one in record.held
        for value, its in [ranges.get(one.number, (None, ""))]
    ]
    return discomfort, reach, unit


def describe_tonight(trial: KeptTrial, record: TrialRecord) -> dict[str, Any] | None:
    """Tonight's way for the start page; None when all evenings are held."""
    number = record.next_number
    if number > trial.n_evenings:
        return None
    drawn = trial.schedule.order[number - 1]
    return {
        "trial": trial.name,
        "evening": number,
        "n_evenings": trial.n_evenings,
        "drawn": drawn,
        "how": WAYS.get(drawn, ""),
        "ways": list(trial.schedule.ways),
        "said": list(record.said),
    }


def to_dict(trial: KeptTrial) -> dict[str, Any]:
    """For other programs."""
    return asdict(trial)
