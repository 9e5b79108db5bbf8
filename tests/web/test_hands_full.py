"""What can be pressed at each stage, in sight; the press before the first hold; a rating taken back."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest

from biofeedback.errors import SessionError

from .conftest import Page, Served
from .scenes import SCENES

pytestmark = [pytest.mark.browser, pytest.mark.slow]

FIRST = {
    "cautions": "#accept-cautions",
    "zero": "#zero",
    "maximum_idle": "#attempt",
    "maximum_push": "#stop",
    "ready": "#plans .primary",
    "inside": "#stop",
    "done": "#report",
}


def test_what_comes_first_is_in_sight_at_every_stage(served: Served, open_tab: Callable[..., Page]) -> None:
    page = open_tab(path="coach")
    for size, (name, button) in itertools.product([(1280, 800), (390, 844)], FIRST.items()):
        page.resize(size)
        served.do(lambda live, name=name: (live.restart(), SCENES[name](live)))  # type: ignore[misc]
        page.wait(lambda button=button: page.tab.is_visible(button))  # type: ignore[misc]
        page.tab.evaluate("() => { window.scrollTo(0, 0); document.getElementById('main').scrollTo(0, 0); }")
        page.tab.wait_for_timeout(100)
        box = page.tab.locator(button).first.bounding_box()
        assert box
        assert box["y"] >= 0, (size, name)
        assert box["y"] + box["height"] <= size[1], (size, name)
        at = [box["x"] + box["width"] / 2, box["y"] + box["height"] / 2]
        hit = page.tab.evaluate(
            "([x, y, query]) => Boolean(document.elementFromPoint(x, y)?.closest(query))", [*at, button]
        )
        assert hit, f"{size} {name}: something lies over it"
    assert page.complaints == []


def test_the_coachs_column_shows_by_stage_what_can_be_done_now(served: Served, open_tab: Callable[..., Page]) -> None:
    page = open_tab(path="coach")
    shown = {
        "cautions": ["note", "covariates"],
        "zero": ["note", "covariates", "feedback"],
        "maximum_idle": ["note", "typing", "covariates", "feedback"],
        "ready": ["note", "typing", "covariates", "corrections"],
        "inside": ["note", "mark", "end-phase", "extend-phase", "undo-rating"],
        "done": ["note", "corrections"],
    }
    everything = {one for names in shown.values() for one in names}
    for name, expected in shown.items():
        served.do(lambda live, name=name: (live.restart(), SCENES[name](live)))  # type: ignore[misc]
        page.wait(lambda: page.tab.get_attribute("body", "data-stage") == served.live.state()["stage"])
        page.tab.wait_for_timeout(100)
        visible = {one for one in everything if page.tab.is_visible(f"#{one}")}
        assert visible - {"mark"} == set(expected) - {"mark"}, name


def test_one_press_takes_the_last_rating_back(served: Served, open_tab: Callable[..., Page]) -> None:
    served.do(SCENES["inside"])
    coach, athlete = open_tab(path="coach"), open_tab(path="athlete")
    coach.wait(lambda: coach.text("last-rating-said") == "Last rating: 7")
    for page, button in ((coach, "#undo-rating"), (athlete, "#take-back")):
        served.do(lambda live: live.commands.clear())
        page.tab.click(button)
        page.wait(lambda: [message for message, _ in served.live.commands] == [{"do": "take_back", "rating": 1}])


@pytest.mark.parametrize("place", ["", "coach", "athlete"])
@pytest.mark.parametrize("scene", ["zero", "maximum_idle", "ready"])
def test_every_page_asks_for_one_press_before_the_first_hold(
    served: Served, open_tab: Callable[..., Page], scene: str, place: str
) -> None:
    served.do(SCENES[scene])
    page = open_tab(path=place, pressed=False)
    page.wait(lambda: page.tab.is_visible("#read-them"))
    assert page.text("read-them") == "We have read them; play the sound"
    assert not page.tab.is_visible("#accept-cautions")  # that was said already, on some page
    assert page.tab.is_visible("#cautions")
    page.wait(lambda: page.text("sound-name") == "Tap for sound")
    behind = {"zero": ".channels", "maximum_idle": "#attempts-panel", "ready": "#settling-keys"}[scene]
    assert not page.tab.is_visible(behind)
    page.tab.click("#read-them")
    page.wait(lambda: page.tab.is_visible(behind))
    page.wait(lambda: "on" in page.text("sound-name"))
    assert page.complaints == []


def test_on_the_computer_that_reads_the_cautions_that_answer_is_the_press(
    served: Served, open_tab: Callable[..., Page]
) -> None:
    page = open_tab(path="coach", pressed=False)
    page.wait(lambda: page.tab.is_visible("#accept-cautions"))
    assert not page.tab.is_visible("#read-them")
    page.tab.click("#accept-cautions")
    page.wait(lambda: page.tab.is_visible("#zero"))


def test_what_is_behind_the_press_on_an_athletes_page(served: Served, open_tab: Callable[..., Page]) -> None:
    served.do(SCENES["ready"])
    page = open_tab(path="athlete", pressed=False)
    page.wait(lambda: page.tab.is_visible("#read-them"))
    page.wait(lambda: page.tab.locator("[data-abilities] li:visible").count() == 5)
    page.tab.click("#read-them")
    page.wait(lambda: page.tab.is_visible("#settling-keys"))
    page.wait(lambda: "on" in page.text("sound-name"))
    page.tab.click("#settling-keys [data-rating='5']")
    page.wait(lambda: served.live.commands[-1][0] == {"do": "rate", "value": 5})
    assert page.complaints == []


@pytest.mark.parametrize("place", ["", "coach", "athlete"])
def test_an_effort_is_never_hidden_behind_the_press(served: Served, open_tab: Callable[..., Page], place: str) -> None:
    page = open_tab(path=place, pressed=False)
    for scene in ("maximum_countdown", "maximum_push", "maximum_rest", "passive", "inside", "lost"):
        served.do(lambda live, scene=scene: (live.restart(), SCENES[scene](live)))  # type: ignore[misc]
        page.wait(lambda: page.tab.get_attribute("body", "data-stage") == served.live.state()["stage"])
        page.wait(lambda: page.tab.is_visible("#number") and page.tab.is_visible("#stop"))
        assert not page.tab.is_visible("#read-them"), scene


@pytest.mark.parametrize("size", [(390, 844), (844, 390), (820, 1180), (1280, 800)])
@pytest.mark.parametrize("place", ["", "coach"])
def test_the_position_question_is_at_most_three_tabs_away(
    served: Served, open_tab: Callable[..., Page], place: str, size: tuple[int, int]
) -> None:
    """From where the page begins, from the rating that was just given, from Stop; Enter answers, Space still stops."""
    where = "() => document.activeElement?.closest('#position-ask') ? document.activeElement.dataset.answer : ''"
    page = open_tab(path=place, viewport={"width": size[0], "height": size[1]})  # a new one, for where a page begins
    for start, key in ((None, "Tab"), ("#pad-keys button >> nth=12", "Tab"), ("#stop", "Shift+Tab")):
        served.do(lambda live: (live.restart(), SCENES["inside"](live)))  # type: ignore[func-returns-value]
        page.wait(lambda: page.text("number") == "71" and page.tab.is_visible("#stop"))
        page.wait(lambda: not page.tab.is_visible("#position-ask"))
        if start:
            page.tab.focus(start)
        served.do(SCENES["position"])
        page.wait(lambda: page.tab.is_visible("#position-ask"))
        n_tabs = 0
        while not page.tab.evaluate(where):
            page.tab.keyboard.press(key)
            n_tabs += 1
            assert n_tabs <= 3, (start, page.tab.evaluate("() => document.activeElement.outerHTML.slice(0, 90)"))
        answer = page.tab.evaluate(where)
        page.tab.keyboard.press("Enter")
        page.wait(lambda: served.live.commands[-1][0].get("do") == "position")
        assert served.live.commands[-1][0]["answer"] == answer
        page.tab.keyboard.press("Space")
        page.wait(lambda: served.live.commands[-1][0].get("do") == "stop")


def test_zeroed_is_said_before_the_page_moves_on(served: Served, open_tab: Callable[..., Page]) -> None:
    served.do(SCENES["zero"])
    page = open_tab()
    page.wait(lambda: page.tab.is_visible("#zero"))
    served.do(lambda live: live.change(zero={"state": "running", "results": {}}))
    page.wait(lambda: "keep it still" in page.text("zero-status"))
    served.do(lambda live: live.command({"do": "zero"}, "test"))
    page.wait(lambda: page.tab.is_visible("#zero-status") and page.text("zero-status") == "Zeroed")
    page.wait(lambda: page.tab.is_visible("#attempt"))


def test_numbers_that_no_person_gives_are_asked_about(served: Served, open_tab: Callable[..., Page]) -> None:
    served.do(SCENES["maximum_idle"])
    sense = {"what": "force: with nothing on it it reads 85552 N", "cure": "it looks like grams: check the factor"}
    served.do(lambda live: live.change(maximum=live.state()["maximum"] | {"sense": sense}))
    page = open_tab()
    page.wait(lambda: "85552 N" in page.text("attempts"))
    assert page.tab.is_disabled("#attempt")
    page.tab.click("#trust-numbers")
    page.wait(lambda: served.live.commands[-1][0] == {"do": "trust_numbers"})


def test_a_typed_maximum_that_no_person_gives_is_asked_about_and_meant_when_it_is_used_again(
    served: Served, open_tab: Callable[..., Page]
) -> None:
    def refuse(message: dict[str, object]) -> None:
        if not message.get("anyway"):
            raise SessionError(
                "force: a typed maximum of 85552 N; a person's joint gives 20 to 3000 N", "read it again"
            )

    served.live._do_typed_maximum = refuse  # type: ignore[attr-defined]
    served.do(SCENES["maximum_idle"])
    page = open_tab(path="coach")
    page.wait(lambda: page.tab.is_visible("#typed"))

    def use(value: str) -> dict[str, object]:
        served.do(lambda live: live.commands.clear())
        page.tab.fill("#typed", value)
        page.tab.select_option("#typed-unit", "N")
        page.tab.click("#typing button")
        page.wait(lambda: served.live.commands)
        return dict(served.live.commands[-1][0])

    assert "anyway" not in use("85552")
    page.wait(lambda: "85552 N" in page.text("banner"))
    assert "anyway" not in use("8555")  # another number is asked about again
    assert "anyway" not in use("85552")
    assert use("85552")["anyway"] is True


def test_the_answer_is_a_sentence_a_picture_and_what_next_and_numbers_behind_a_fold(
    served: Served, open_tab: Callable[..., Page]
) -> None:
    served.do(SCENES["done"])
    said = {
        "over": "How it was held",
        "headline": "In the band 99 % of 58 s",
        "said": "1 contraction.",
        "next": ["Rest."],
    }
    served.do(lambda live: live.change(answer=live.state()["answer"] | said))
    page = open_tab()
    page.wait(lambda: page.text("answer-word") == "In the band 99 % of 58 s")
    order = [
        page.tab.locator(f"#{one}").bounding_box()["y"] for one in ("answer-text", "course", "next-steps", "numbers")
    ]
    assert order == sorted(order)
    assert "Ratings in order: 7 " in page.tab.get_attribute("#course svg", "aria-label")
    assert not page.tab.is_visible("#answer-details")
    page.tab.click("#numbers summary")
    assert page.tab.is_visible("#answer-details")


STAGES = {name: name for name in ("cautions", "zero", "ready", "done")} | {"maximum": "maximum_idle", "plan": "inside"}


@pytest.mark.parametrize("stage", STAGES)
def test_the_coach_reads_what_is_wrong_with_the_athletes_phone_at_every_stage(
    served: Served, open_tab: Callable[..., Page], stage: str
) -> None:
    served.do(SCENES[STAGES[stage]])
    page = open_tab(path="coach")
    page.wait(lambda: page.tab.get_attribute("body", "data-stage") == stage)
    lines = page.tab.locator(".angle-now >> visible=true")
    assert lines.count() == 0, "without a phone there is nothing to say"
    phone = {"state": "silent", "what": "the phone has sent nothing for 2 s", "cure": "unlock it and open its page"}
    served.do(lambda live: live.change(phone=phone))
    page.wait(lambda: lines.count() == 1)
    assert lines.inner_text() == f"{phone['what']}: {phone['cure']}"
    assert lines.get_attribute("data-bad") == "true"
    served.do(lambda live: live.change(phone=phone | {"state": "off"}))
    page.wait(lambda: lines.count() == 0)


@pytest.mark.parametrize("place", ["", "coach", "athlete"])
def test_how_long_a_set_lasts_stands_once(served: Served, open_tab: Callable[..., Page], place: str) -> None:
    served.do(SCENES["to_fatigue"])
    page = open_tab(path=place)
    page.wait(lambda: page.tab.is_visible("#share") and page.text("share"))
    lines = [page.text(name) for name in ("more", "share") if page.tab.is_visible(f"#{name}")]
    assert sum("Count aloud" in line for line in lines) == 1, lines
    assert sum(" expected" in line or " of about " in line for line in lines) == 1, lines


def test_a_revised_maximum_that_no_person_gives_is_meant_when_it_is_pressed_again(
    served: Served, open_tab: Callable[..., Page]
) -> None:
    def refuse(message: dict[str, object]) -> None:
        if not message.get("anyway"):
            raise SessionError("force: a revised maximum of 8000 N", "check the sensor's factor")

    served.live._do_revise_maximum = refuse  # type: ignore[attr-defined]
    served.do(SCENES["position"])  # in which there is evidence against the maximum
    page = open_tab(path="coach")
    button = page.tab.locator("#doubts-coach button")
    page.wait(button.is_visible)
    served.do(lambda live: live.commands.clear())
    button.click()
    page.wait(lambda: "8000 N" in page.text("banner"))
    assert "anyway" not in served.live.commands[0][0]
    button.click()
    page.wait(lambda: len(served.live.commands) == 2)
    assert served.live.commands[1][0]["anyway"] is True
