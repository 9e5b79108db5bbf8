"""A trial's file and its evenings: told tonight, on record as done, and nothing that went otherwise goes unsaid."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import pytest

from biofeedback.account.kinds import Aftermath, RangeRead, WayDone
from biofeedback.analysis.trial import analyse_trial
from biofeedback.commands import trial as trial_command
from biofeedback.errors import BiofeedbackError, PlanError
from biofeedback.model import Event
from biofeedback.report.trial import build_trial, list_items, tabulate_differences, tabulate_evenings
from biofeedback.storage.forget import find_files_of, forget_athlete
from biofeedback.storage.library import list_recordings
from biofeedback.storage.rename import rename_athlete
from biofeedback.wiring.trial_report import make_report
from biofeedback.wiring.trials import (
    KeptTrial,
    collect_evenings,
    describe_tonight,
    draw_trial,
    find_trial,
    measure_evenings,
    read_trial,
)

from .test_athletes import STRETCH, list_cards, make_event, record
from .test_start_page import make_place

DRAWN_UTC = "2026-11-01T12:00:00+00:00"
WAYS = ("nothing", "warmth")


def draw(folder: Path, n_blocks: int = 4, code: str = "A01", **more: Any) -> KeptTrial:
    return draw_trial(folder, code, WAYS, n_blocks, seed=5, utc=DRAWN_UTC, **{**STRETCH, **more})


def hold(
    folder: Path, trial: KeptTrial, number: int, discomfort: float, *events: Event, done: str | None = None, **more: Any
) -> Path:
    """One evening with two relaxed phases and their ratings."""
    drawn = trial.schedule.order[number - 1]
    way = WayDone(trial=trial.name, evening=number, drawn=drawn, done=drawn if done is None else done)
    phases = [Event(20, "phase", {"kind": "passive", "index": 0}), Event(40, "phase", {"kind": "contract", "index": 1})]
    ratings = [Event(30, "rating", {"value": discomfort}), Event(50, "rating", {"value": 0.0})]
    code, day = more.pop("code", "A01"), more.pop("day", number + 1)
    return record(folder, code, day, make_event(way), *phases, *ratings, *events, **more)


def test_what_was_drawn_is_stored_before_the_first_evening_and_read_back(tmp_path: Path) -> None:
    trial = draw(tmp_path)
    assert (tmp_path / "trials" / "A01-1.toml").stat().st_mode & 0o077 == 0
    assert find_trial(tmp_path, "a01") == trial
    assert find_trial(tmp_path, "A02") is None
    assert draw(tmp_path).name == "A01-2"


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('order = ["', 'order = ["other", "', "line 10.*not the order that this seed draws"),
        ("seed = 5", "seed = 6", "not the order that this seed draws"),
        ("seed = 5", 'seed = "5"', "line 9.*seed is missing or of another kind"),
        ("[trial]", "[other]", "no \\[trial\\]"),
        ("n_blocks = 4", "n_blocks = 400", "400 blocks"),
        ("[trial]", "[trial", "not valid TOML"),
    ],
)
def test_a_file_that_was_changed_by_hand_is_told_by_line(tmp_path: Path, old: str, new: str, told: str) -> None:
    draw(tmp_path)
    path = tmp_path / "trials" / "A01-1.toml"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")
    with pytest.raises(PlanError, match=told):
        read_trial(path)
    record(tmp_path, "A01", 25)
    card = list_cards(tmp_path)["A01"]  # the page is not lost for it
    assert card["tonight"] is None
    assert any("A01-1.toml" in due for due in card["due"])


def test_tonights_way_follows_the_evenings_held_and_not_the_days(tmp_path: Path) -> None:
    trial = draw(tmp_path)
    hold(tmp_path, trial, 1, 5.0)
    hold(tmp_path, trial, 2, 4.0, day=20)
    card = list_cards(tmp_path)["A01"]
    drawn = trial.schedule.order[2]
    assert (card["tonight"]["evening"], card["tonight"]["drawn"]) == (3, drawn)
    assert any(due.startswith(f"evening 3 of 8 of the trial: {drawn}") for due in card["due"])
    assert card["form"]["way"] == drawn
    for number in range(3, 9):
        hold(tmp_path, trial, number, 4.0)
    assert list_cards(tmp_path)["A01"]["tonight"] is None


def test_hard_work_is_not_for_consecutive_days(tmp_path: Path) -> None:
    ways = ("hard contraction", "nothing")
    trial = draw_trial(tmp_path, "A01", ways, 2, seed=1, utc=DRAWN_UTC, **STRETCH)
    first_hard = trial.schedule.order.index("hard contraction") + 1
    for number in range(1, first_hard):
        hold(tmp_path, trial, number, 5.0)
    hard = Event(60, "phase", {"kind": "contract", "index": 2, "band": [80, 100]})
    record(tmp_path, "A01", 27, hard)
    assert any("consecutive days" in due for due in list_cards(tmp_path)["A01"]["due"])
    assert not any(
        "consecutive days" in due for due in list_cards(tmp_path, now_utc="2026-11-30T18:00:00+00:00")["A01"]["due"]
    )


def test_the_page_puts_on_record_what_was_done_and_that_it_was_done_before(tmp_path: Path) -> None:
    source = "simulated:?seed=1&channels=force"
    trial = draw(tmp_path)
    record(tmp_path, "A01", 25, simulated=True, source=source)
    form = list_cards(tmp_path)["A01"]["form"]
    begun: list[Any] = []
    for done in (form["way"], "warmth", "", "-", None, 3):
        make_place(tmp_path, begun).begin({**form, "way": done})
    drawn = trial.schedule.order[0]
    told = {"do": "way", "trial": "A01-1", "evening": 1, "drawn": drawn}
    assert [choice.way for choice in begun] == [
        {**told, "done": drawn}, {**told, "done": "warmth"}, {**told, "done": ""}, None, None, None,
    ]  # fmt: skip
    assert begun[1].before == ("warmth",)
    assert begun[2].before == ()


def test_only_ratings_while_relaxed_and_ranges_at_the_agreed_discomfort_are_outcomes(tmp_path: Path) -> None:
    trial = draw(tmp_path)
    far = [make_event(RangeRead(when="after", at="furthest tolerated", value=90.0, unit="cm"))]
    agreed = [make_event(RangeRead(when=when, at="agreed discomfort", value=v, unit="cm")) for when, v in
              (("before", 60.0), ("after", 64.0))]  # fmt: skip
    hold(tmp_path, trial, 1, 5.0, *far, *agreed)
    hold(tmp_path, trial, 2, 4.0, make_event(RangeRead(when="after", at="agreed discomfort", value=1.0, unit="deg")))
    hold(tmp_path, trial, 3, 4.5, *agreed)
    discomfort, reach, unit = measure_evenings(collect_evenings(trial, list_recordings(tmp_path)))
    assert [one.outcome for one in discomfort] == [5.0, 4.0, 4.5]
    assert ([one.outcome for one in reach], unit) == ([64.0, None, 64.0], "cm")


def test_what_went_otherwise_is_said_and_counts_as_it_should(tmp_path: Path) -> None:
    trial = draw(tmp_path)
    first, second = trial.schedule.order[:2]
    hold(tmp_path, trial, 1, 5.0, done=second)  # swapped with the next
    hold(tmp_path, trial, 2, 4.0, done="")
    hold(tmp_path, trial, 4, 4.0, day=9)  # 3 is lost
    hold(tmp_path, trial, 5, 4.0, day=8)  # another computer's clock
    hold(tmp_path, trial, 5, 9.0, day=22)  # copied in: the same evening again
    hold(tmp_path, trial, 7, 4.0, day=10, started_utc="2026-10-31T18:00:00+00:00")  # that clock is behind
    record(tmp_path, "A01", 1)  # after the draw, on the same day
    record(tmp_path, "A01", 26)  # copied in from elsewhere, of the same stretch
    record(tmp_path, "A01", 27, make_event(WayDone(trial="A01-1", evening=6, drawn="massage", done="massage")))
    said = "\n".join(collect_evenings(trial, list_recordings(tmp_path)).said)
    for text in (
        f"evening 1 was drawn for {first}, and {second} was done",
        f"evening 2 was drawn for {second}, and nothing of it was done",
        "no recording of evening 3, 6: lost or kept elsewhere",
        "evening 7 is dated before the draw",
        "the evenings' dates do not follow their numbers",
        "is evening 5 once more: the earlier one counts",
        "A01-2026-11-01.hold is of the same stretch and no evening of the trial",
        "A01-2026-11-26.hold is of the same stretch and no evening of the trial",
        "says evening 6, massage: not what was drawn",
    ):
        assert text in said
    assert said.count("dated before the draw") == 1
    record_ = collect_evenings(trial, list_recordings(tmp_path))
    assert [one.number for one in record_.held] == [1, 2, 4, 5, 7]
    answer = analyse_trial(trial.schedule, measure_evenings(record_)[0])
    assert sum(answer.n_by_way.values()) == 3  # done as drawn


@pytest.mark.parametrize(
    ("numbers", "missing"),
    [([], ""), ([1], ""), ([2], "1"), ([1, 2], ""), ([1, 3], "2"), ([3], "1, 2"), ([2, 5], "1, 3, 4")],
)
def test_an_evening_is_missed_only_when_a_later_one_was_held(tmp_path: Path, numbers: list[int], missing: str) -> None:
    trial = draw(tmp_path)
    for number in numbers:
        hold(tmp_path, trial, number, 5.0)
    found = collect_evenings(trial, list_recordings(tmp_path))
    assert [one.number for one in found.held] == numbers
    told = f"no recording of evening {missing}: lost or kept elsewhere; left out"
    assert found.said == ((told,) if missing else ())


def test_the_report_has_what_the_standard_for_single_person_trials_asks_for(tmp_path: Path) -> None:
    trial = draw(tmp_path, n_blocks=6)
    for number, way in enumerate(trial.schedule.order, 1):
        pain = [make_event(Aftermath(when="end", new_pain=True))] if number == 3 else []
        hold(tmp_path, trial, number, (3.0 if way == "warmth" else 6.0) + 0.5 * (number % 2), *pain, simulated=True)
    report = make_report(trial, list_recordings(tmp_path))
    assert report.answers[0][3].lowest == "warmth"
    items = dict(list_items(report))
    # headings of CENT 2015 (BMJ 350 (2015) h1738), from memory
    wanted = "Design, Participant, Ways, Order by lot, Concealment, Blinding, Outcomes, Carry-over, Estimate, Test, "
    wanted += "Several looks, Deviations and missing, Harms, Registration, Reach"
    assert all(items[name] for name in wanted.split(", "))
    assert "evening 3" in items["Harms"]
    assert "64 schedules" in items["Test"]
    tables = tabulate_differences(report.answers[0][3], "points"), tabulate_evenings(report)
    assert [[table.head[k] for k in table.text_columns] for table in tables] == [["ways", "verdict"], ["drawn", "done"]]
    page = build_trial(report)
    assert "Which way helps most: A01" in page
    assert "no licence to go further" in page
    assert "Simulated" in page


def run_command(folder: Path, *arguments: str) -> int:
    parser = argparse.ArgumentParser()
    trial_command.add_arguments(parser)
    return trial_command.run(parser.parse_args([*arguments, "--folder", str(folder)]))


def test_the_command_draws_once_and_tells_what_the_evenings_say(tmp_path: Path, capsys: Any) -> None:
    record(tmp_path, "A01", 1)
    with pytest.raises(BiofeedbackError, match="no trial of A01"):
        run_command(tmp_path, "A01")
    with pytest.raises(PlanError, match="no way 'sauna'"):
        run_command(tmp_path, "A01", "--draw", "nothing,sauna")
    assert run_command(tmp_path, "A01", "--draw", "nothing, warmth", "--blocks", "6", "--seed", "5") == 0
    drawn = capsys.readouterr().out.splitlines()
    assert drawn[0] == "Drawn:    trial A01-1, 12 evenings, seed 5"
    assert [line.partition(": ")[0] for line in drawn[1:3]] == ["  nothing", "  warmth"]
    assert "never hot" in drawn[2]
    assert drawn[3] == "Tonight's way is told on the start page: biofeedback live"
    with pytest.raises(PlanError, match="is open: 0 of 12"):
        run_command(tmp_path, "A01", "--draw", "nothing,massage")
    trial = find_trial(tmp_path, "A01")
    assert trial is not None
    assert (trial.exercise, trial.side) == (STRETCH["exercise"], "left")  # of the last evening
    for number in range(1, 5):
        hold(tmp_path, trial, number, 4.0)
    out = tmp_path / "trial.html"
    assert run_command(tmp_path, "A01", "--out", str(out)) == 0
    told = capsys.readouterr().out
    assert "Discomfort at the same range" in told
    assert "Range at the same discomfort" in told
    assert "easier is not further" in told
    assert out.exists()
    assert run_command(tmp_path, "A01", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["athlete"], told["n_blocks"], list(told["ways"])) == ("A01", 6, ["nothing", "warmth"])
    outcomes = [evening["outcome"] for evening in told["answers"][0][2]]
    assert outcomes == [4.0] * 4


def test_a_new_code_in_the_middle_of_a_trial_takes_the_trial_along(tmp_path: Path) -> None:
    trial = draw(tmp_path)
    paths = [hold(tmp_path, trial, number, 5.0) for number in (1, 2)]
    rename_athlete(paths[0], "B07")
    assert find_trial(tmp_path, "A01") == trial  # its other evening is still there
    rename_athlete(paths[1], "B07")
    assert find_trial(tmp_path, "A01") is None
    renamed = find_trial(tmp_path, "B07")
    assert renamed is not None
    assert (renamed.athlete, renamed.schedule) == ("B07", trial.schedule)
    evenings = collect_evenings(renamed, list_recordings(tmp_path))
    assert [one.number for one in evenings.held] == [1, 2]
    assert describe_tonight(renamed, evenings)["evening"] == 3  # type: ignore[index]


def test_who_is_forgotten_leaves_no_trial(tmp_path: Path) -> None:
    hold(tmp_path, draw(tmp_path), 1, 5.0)
    draw(tmp_path, code="A011")
    done = forget_athlete(tmp_path, "A01", find_files_of(tmp_path, "A01"))
    assert done.traces == ()
    assert [path.name for path in (tmp_path / "trials").iterdir()] == ["A011-1.toml"]
