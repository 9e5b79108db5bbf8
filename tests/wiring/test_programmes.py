"""A programme: which plan on which evening, told by line, and slowed down for a reason that is said."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from biofeedback.account.kinds import Aftermath
from biofeedback.errors import PlanError
from biofeedback.model import Event
from biofeedback.session.plan import Plan, parse_plan, read_plan_text
from biofeedback.wiring.programmes import is_hard, parse_programme, read_programme, save_programme

from .test_athletes import list_cards, make_event, make_maximum, record
from .test_start_page import make_place

PLANS: dict[str, Plan] = {}
for NAME, KIND in (("light", "[20, 30]"), ("strong", "[80, 100]")):
    TEXT = f'name = "{NAME}"\n[[block]]\n[[block.phase]]\nkind = "contract"\nduration_s = 10\nband = {KIND}\n'
    PLANS[NAME] = parse_plan(TEXT, f"{NAME}.toml")
GOOD = 'begun = "2026-11-01"\n[[evening]]\nplan = "light"\nrepeat = 2\n[[evening]]\nplan = "strong"\n'
HARD = Event(20, "phase", {"kind": "contract", "index": 0, "band": [80, 100]})


def carry_out(plan: str) -> Event:
    return Event(5, "plan", {"name": plan})


def list_due(folder: Path, **more: Any) -> list[str]:
    due: list[str] = list_cards(folder, plans=PLANS, **more)["A01"]["due"]
    return [text for text in due if "programme" in text or "slower" in text]


def test_an_evening_counts_when_its_plan_was_carried_out(tmp_path: Path) -> None:
    save_programme(tmp_path, "a01", GOOD, PLANS)
    record(tmp_path, "A01", 5)
    assert list_due(tmp_path) == ["evening 1 of 3 of the programme: light"]
    record(tmp_path, "A01", 6, carry_out("light"))
    record(tmp_path, "A01", 7, carry_out("strong"))  # not its turn
    record(tmp_path, "A01", 8)
    assert list_due(tmp_path) == ["evening 2 of 3 of the programme: light"]
    record(tmp_path, "A01", 9, carry_out("light"))
    assert list_due(tmp_path) == ["evening 3 of 3 of the programme: strong"]
    record(tmp_path, "A01", 12, carry_out("strong"))
    assert list_due(tmp_path) == ["the programme is over: make the next one"]


def test_it_ends_on_its_date(tmp_path: Path) -> None:
    save_programme(tmp_path, "A01", 'until = "2026-11-20"\n' + GOOD, PLANS)
    record(tmp_path, "A01", 5)
    assert list_due(tmp_path) == ["the programme is over: make the next one"]


@pytest.mark.parametrize(
    ("events", "day", "reason"),
    [
        ([HARD], 27, "hard work on consecutive days"),
        ([make_event(Aftermath(when="next", new_pain=True))], 20, "a licensed professional looks at it first"),
        ([make_event(Aftermath(when="end", numbness=True))], 20, "new pain or numbness"),
        ([make_event(Aftermath(when="next", soreness=5.0))], 20, "soreness 5 of 10"),
        ([make_maximum(250.0, day=20)], 20, "the maximum fell from 412 to 250"),
    ],
)
def test_what_slows_it_down_is_said_and_the_evening_waits(
    tmp_path: Path, events: list[Event], day: int, reason: str
) -> None:
    save_programme(tmp_path, "A01", 'begun = "2026-11-01"\n[[evening]]\nplan = "strong"\n', PLANS)
    record(tmp_path, "A01", 10, make_maximum(412.0, day=10))
    record(tmp_path, "A01", day, *events)
    due = list_due(tmp_path)
    assert any(reason in text for text in due if text.startswith("slower tonight"))
    assert due[-1] == "evening 1 of 1 of the programme waits; rest, or a light plan"


def test_nothing_slows_it_down_for_less_or_for_what_is_long_ago(tmp_path: Path) -> None:
    save_programme(tmp_path, "A01", 'begun = "2026-11-01"\n[[evening]]\nplan = "strong"\n', PLANS)
    hard = Event(20, "phase", {"kind": "contract", "index": 0, "band": [80, 100]})
    record(tmp_path, "A01", 10, make_maximum(412.0, day=10))
    record(tmp_path, "A01", 25, make_maximum(380.0, day=25), hard, make_event(Aftermath(when="end", soreness=2.0)))
    assert list_due(tmp_path) == ["evening 1 of 1 of the programme: strong"]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('plan = "strong"', 'plan = "gone"', "A01.toml, line 6: there is no plan 'gone'"),
        ("repeat = 2", "repeat = 0", "line 4: repeat 0"),
        ("repeat = 2", "repeat = 500", "line 4: repeat 500"),
        ('begun = "2026-11-01"', 'begun = "soon"', "line 1: begun is not a date"),
        ("repeat", "repaet", "line 4: no such entry 'repaet'"),
        (GOOD, 'begun = "2026-11-01"\n', "no evening"),
        (GOOD, 'until = "2026-01-01"\n' + GOOD, "line 1: until 2026-01-01 is before"),
        (GOOD, "begun = \n", "not valid TOML"),
    ],
)
def test_mistakes_are_told_by_line_and_the_old_programme_stays(tmp_path: Path, old: str, new: str, told: str) -> None:
    kept = save_programme(tmp_path, "A01", GOOD, PLANS)
    with pytest.raises(PlanError, match=told):
        save_programme(tmp_path, "A01", GOOD.replace(old, new), PLANS)
    assert read_programme(tmp_path, "A01", PLANS) == kept
    (tmp_path / "programmes" / "A01.toml").write_text(GOOD.replace(old, new), "utf-8")  # a plan was deleted since
    record(tmp_path, "A01", 5)
    assert any("A01.toml" in text for text in list_cards(tmp_path, plans=PLANS)["A01"]["due"])


@pytest.mark.parametrize("code", ["../A01", "", "A01/..", "Mia"])
def test_only_a_code_has_a_programme(tmp_path: Path, code: str) -> None:
    with pytest.raises(PlanError, match="is not a code"):
        save_programme(tmp_path, code, GOOD, PLANS)
    assert list(tmp_path.iterdir()) == []


def test_the_page_opens_keeps_and_begins_with_tonights_plan(tmp_path: Path) -> None:
    source = "simulated:?seed=1&channels=force"
    record(tmp_path, "A01", 5, simulated=True, source=source)
    begun: list[Any] = []
    place = make_place(tmp_path, begun)
    offered = place.open_programme({"athlete": "A01"})
    assert offered["is_new"]
    name = list(place._plans())[-1]
    text = f'begun = "2026-11-01"\n[[evening]]\nplan = "{name}"\n'
    assert place.save_programme({"athlete": "A01", "text": text}) == {"n_evenings": 1}
    assert place.open_programme({"athlete": "A01"}) == {"text": text, "is_new": False}
    assert place.save_programme({"athlete": "A01", "text": offered["text"]}) == {"n_evenings": 3}
    place.save_programme({"athlete": "A01", "text": text})
    place.begin(place.list_athletes()[0]["form"])
    assert begun[0].first_plan in ("", name)  # empty when a reason slows it down
    assert begun[0].to_options().get("first_plan", "") == begun[0].first_plan


def test_hard_is_what_asks_for_60_percent_and_more() -> None:
    assert [is_hard(plan) for plan in PLANS.values()] == [False, True]
    assert is_hard(parse_plan(*read_plan_text("response-check")))


def test_the_text_to_begin_with_is_a_programme(tmp_path: Path) -> None:
    offered = make_place(tmp_path, []).open_programme({"athlete": "A01"})
    plans = make_place(tmp_path, [])._plans()
    assert len(parse_programme(offered["text"], "A01.toml", plans).plans) == 3
