"""The start page: sensors found and checked, a session begun once, choices kept for the next evening."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from biofeedback.acquisition import scan
from biofeedback.acquisition.identify import BoardInfo
from biofeedback.analysis.trial import draw_schedule
from biofeedback.commands.live import add_arguments, request_chosen
from biofeedback.errors import PlanError, RecordingError, SessionError, SourceError
from biofeedback.storage.recording import open_recording
from biofeedback.storage.schema import LAST_START
from biofeedback.web.own_browser import OwnBrowsers
from biofeedback.wiring import start_page
from biofeedback.wiring.form_fields import FormError
from biofeedback.wiring.start_form import ChosenSession
from biofeedback.wiring.start_page import NO_ANSWER, LocalStartPage, open_chosen
from biofeedback.wiring.trials import find_trial

from ..pty_device import PtyDevice
from .test_athletes import make_maximum, record

SIMULATED = {"sensor": "simulated", "simulated": "force", "seed": "1"}
FORM = SIMULATED | {"athlete": "A07", "exercise": "hamstring-standing", "side": "left", "limit": "8"}


@pytest.fixture
def begun() -> list[ChosenSession]:
    return []


def make_place(folder: Path, begun: list[ChosenSession], *arguments: str) -> LocalStartPage:
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    args = parser.parse_args(["--folder", str(folder), *arguments])
    return LocalStartPage(args, open_session=begun.append, open_recording=open_recording, check_s=0.6)


@pytest.fixture
def place(tmp_path: Path, begun: list[ChosenSession]) -> LocalStartPage:
    return make_place(tmp_path, begun)


@pytest.fixture
def board(tmp_path: Path) -> Iterator[PtyDevice]:
    if sys.platform == "win32":
        pytest.skip("pseudo-terminals are a Unix thing")
    device = PtyDevice(tmp_path / "board", rate_hz=200.0, line="{k} {k}\n")
    yield device
    device.unplug()


def test_the_first_evening_offers_the_library_and_nothing_from_before(place: LocalStartPage) -> None:
    told = place.describe()
    assert place.list_athletes() == []
    assert told["form"]["athlete"] == ""
    assert any(each["name"] == "hamstring-standing" and each["muscle"] for each in told["exercises"])
    assert {"frame-lines", "frame-radio"} <= {each["name"] for each in told["profiles"]}
    assert told["cautions"]
    json.dumps(told)


def test_a_choice_begins_one_session_and_its_sensor_is_there_the_next_evening_for_whoever_comes(
    place: LocalStartPage, begun: list[ChosenSession], tmp_path: Path
) -> None:
    assert place.begin(FORM | {"more": "than asked"}) == {"place": "/coach"}
    with pytest.raises(SessionError, match="begun already"):
        place.begin(FORM)
    assert [choice.athlete for choice in begun] == ["A07"]
    kept = tmp_path / LAST_START
    assert json.loads(kept.read_text("utf-8")) == FORM
    assert kept.stat().st_mode & 0o077 == 0
    form = make_place(tmp_path, []).describe()["form"]
    assert {name: form[name] for name in SIMULATED} == SIMULATED
    assert [form[name] for name in ("athlete", "exercise", "side", "position", "before")] == ["", "", "", "", []]
    assert make_place(tmp_path, [], "--athlete", "B01").describe()["form"]["athlete"] == "B01"


def test_a_limit_on_the_command_line_is_the_one_of_the_form_and_the_last_athletes_is_not(
    place: LocalStartPage, tmp_path: Path
) -> None:
    assert place.describe()["form"]["limit"] == "8"
    place.begin(FORM | {"limit": "9"})
    assert make_place(tmp_path, []).describe()["form"]["limit"] == "8"
    told = make_place(tmp_path, [], "--limit", "6.5", "--athlete", "A08").describe()
    assert (told["form"]["limit"], told["form"]["athlete"]) == ("6.5", "A08")


def test_the_press_on_a_card_takes_over_the_maximum_of_the_card(tmp_path: Path, begun: list[ChosenSession]) -> None:
    record(tmp_path, "A07", 20, make_maximum(300.0, day=20), source="simulated:?seed=1&channels=force", simulated=True)
    path = record(tmp_path, "A07", 25, make_maximum(), source="simulated:?seed=1&channels=force", simulated=True)
    place = make_place(tmp_path, begun)
    (card,) = place.list_athletes()
    assert card["maximum"].startswith("412 N")
    place.begin(card["form"])
    assert begun[0].carry == (str(path),)
    assert begun[0].to_options()["carry"] == [str(path)]
    assert f"--carry {path}" in begun[0].to_command()
    assert (begun[0].exercise, begun[0].side) == ("hamstring-standing", "left")


def test_without_the_tick_or_for_another_stretch_no_maximum_is_taken_over(
    tmp_path: Path, begun: list[ChosenSession]
) -> None:
    record(tmp_path, "A07", 25, make_maximum(), source="simulated:?seed=1&channels=force", simulated=True)
    form = make_place(tmp_path, []).list_athletes()[0]["form"]
    for changed in ({"carry": False}, {"side": "right"}, {"athlete": "A08"}):
        make_place(tmp_path, begun).begin(form | changed)
    assert [choice.carry for choice in begun] == [(), (), ()]


@pytest.mark.parametrize(
    ("no_browser", "again", "is_shown"), [(False, False, True), (True, False, False), (False, True, False)]
)
def test_the_page_opens_by_itself_once_where_a_browser_is_wanted(
    no_browser: bool, again: bool, is_shown: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shown: list[str] = []
    monkeypatch.setattr(start_page, "show_page", shown.append)
    args = argparse.Namespace(port=0, no_browser=no_browser)
    start_page._tell_page(args, OwnBrowsers(is_needed=True), "http://127.0.0.1:4321/", again=again)
    assert args.port == 4321  # later servers take the same
    told = capsys.readouterr().out
    assert told.startswith("Page: http://127.0.0.1:4321/start?key=")
    assert [address in told for address in shown] == [True] * is_shown


def test_a_typed_maximum_is_not_the_next_athletes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    codes, seen = ["A07", "A08", "A07"], []

    async def choose(place: LocalStartPage, args: argparse.Namespace, *_: Any, **__: Any) -> bool:
        place.begin(FORM | {"athlete": codes[len(seen)]})
        return True

    async def serve_sessions(*_: Any, **__: Any) -> bool:
        return len(seen) < len(codes)

    def plan(url: str, athlete: str, args: argparse.Namespace) -> Any:
        seen.append((athlete, args.maximum))

    monkeypatch.setattr(start_page, "serve_start_page", choose)
    monkeypatch.setattr(start_page, "serve_sessions", serve_sessions)
    monkeypatch.setattr(start_page, "open_sessions", lambda *_, **__: {})
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    args = parser.parse_args(["--folder", str(tmp_path), "--maximum", "force=300"])
    assert start_page.run_from_start(args, plan, open_recording) == 0
    assert seen == [("A07", ["force=300"]), ("A08", []), ("A07", ["force=300"])]


@pytest.mark.parametrize("text", ["", "{", "[1]", '{"athlete": {"a": 1}}', '{"columns": 3, "sensor": "port"}'])
def test_a_damaged_file_of_last_choices_is_no_obstacle(tmp_path: Path, text: str) -> None:
    (tmp_path / LAST_START).write_text(text)
    place = make_place(tmp_path, [])
    assert place.describe()["form"]["athlete"] == ""
    assert place.begin(FORM) == {"place": "/coach"}


def test_what_cannot_be_opened_is_told_and_can_be_tried_again(tmp_path: Path) -> None:
    refusals = [SourceError("no data from /dev/ttyX within 3 s", "check the baud rate")]
    begun: list[ChosenSession] = []

    def open_session(choice: ChosenSession) -> None:
        if refusals:
            raise refusals.pop()
        begun.append(choice)

    place = make_place(tmp_path, [])
    place._open_session = open_session
    with pytest.raises(SourceError, match="no data"):
        place.begin(FORM)
    assert not (tmp_path / LAST_START).exists()
    assert place.begin(FORM)["place"] == "/coach"
    assert len(begun) == 1


def test_the_source_is_written_before_all_is_filled_in(place: LocalStartPage) -> None:
    assert place.write(SIMULATED) == {"source": "simulated:?seed=1&channels=force", "command": ""}
    assert place.write(FORM)["command"].startswith("biofeedback live --source 'simulated:?seed=1&athlete=A07")


def test_ports_are_asked_who_they_are(place: LocalStartPage, monkeypatch: pytest.MonkeyPatch) -> None:
    found = [("/dev/ttyX", "some board"), ("/dev/ttyY", "modem")]
    board = BoardInfo("1A2B", "3", 1000.0, ("seq", "force"), ((0, 1),))
    monkeypatch.setattr("biofeedback.wiring.start_page.find_ports", lambda: found)
    monkeypatch.setattr(scan, "ask_port", lambda path: (board, "") if path == "/dev/ttyX" else (None, "no answer"))
    assert place.find_ports()[0] == {"port": "/dev/ttyX", "name": "some board"}
    asked = place.ask_port({"port": "/dev/ttyX"})
    assert (asked["board"], asked["profile"]) == ("board 1A2B, firmware 3, 1000 readings/s", "frame-lines")
    assert place.ask_port({"port": "/dev/ttyY"}) == {"board": None, "reason": "no answer"}
    for stranger in ("/etc/passwd", None, 3):  # only what the list gives is ever opened
        with pytest.raises(SourceError, match="there is no port"):
            place.ask_port({"port": stranger})


@pytest.mark.parametrize(
    ("reason", "told"),
    [
        ("/dev/ttyX does not answer as a board of profile frame-lines", "no board of ours answers: say below"),
        ("/dev/ttyX is in use by another program", "is in use by another program"),
        ("no permission for /dev/ttyX", "no permission for /dev/ttyX"),
    ],
)
def test_why_nobody_answers_is_said_beside_the_port(
    place: LocalStartPage, monkeypatch: pytest.MonkeyPatch, reason: str, told: str
) -> None:
    monkeypatch.setattr("biofeedback.wiring.start_page.find_ports", lambda: [("/dev/ttyX", "board")])
    monkeypatch.setattr(scan, "ask_port", lambda path: (None, reason))
    assert place.ask_port({"port": "/dev/ttyX"})["reason"].startswith(told)


def test_the_silence_of_another_board_is_recognised(place: LocalStartPage, board: PtyDevice) -> None:
    _, reason = scan.ask_port(board.path)
    assert reason.endswith(NO_ANSWER)


def test_radios_are_listed_by_name(place: LocalStartPage, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = [scan.RadioSeen("Board 7", "00:11", -60, ("frame-radio",)), scan.RadioSeen("", "00:12", -80, ("x",))]
    monkeypatch.setattr(scan, "scan_radios", lambda: seen)
    assert place.scan_radios()[0] == {
        "radio": "Board 7",
        "title": "Board 7",
        "dbm": -60,
        "profiles": ["frame-radio"],
    }
    assert place.scan_radios()[1]["radio"] == "00:12"


def test_a_check_of_the_simulated_athlete_says_that_it_is_simulated(place: LocalStartPage) -> None:
    told = place.check(SIMULATED)
    assert told["simulated"] is True
    assert any(finding["text"] == "no gaps" for finding in told["findings"])
    assert told["picture"].startswith("data:image/png;base64,iVBOR")
    json.dumps(told)


def port_form(board: PtyDevice, n_columns: int = 2, **more: Any) -> dict[str, Any]:
    kinds = ["force", "emg", "position"][:n_columns]
    return {
        "sensor": "port",
        "port": board.path,
        "columns": [{"kind": kind, "unit": "count"} for kind in kinds],
        "rate": "200",
    } | more


def test_a_board_is_checked_over_its_port(place: LocalStartPage, board: PtyDevice) -> None:
    told = place.check(port_form(board))
    assert told["simulated"] is False
    assert {finding["about"] for finding in told["findings"]} == {
        "session",
        "wire",
        "force",
        "emg",
    }  # raw EMG at 200 Hz


def test_what_stands_in_the_way_of_a_check_has_the_commands_cure(place: LocalStartPage, board: PtyDevice) -> None:
    with pytest.raises(SourceError, match="check plug and cable"):
        place.check(port_form(board, port=f"{board.path}-none"))
    with pytest.raises(SourceError, match="sends 2 numbers where 3 are expected"):
        place.check(port_form(board, n_columns=3))
    board.talking = False
    with pytest.raises(SourceError, match="check that the board is on and sends"):
        place.check(port_form(board))


def test_leaving_ends_a_check(tmp_path: Path) -> None:
    place = make_place(tmp_path, [])
    place._check_s = 600.0
    place.leaving.set()
    assert place.check(SIMULATED)["picture"] == ""


def test_which_of_two_boards_is_pulled(place: LocalStartPage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(place, "_check_s", 4.0)
    boards = [PtyDevice(tmp_path / f"which-{k}", rate_hz=100.0, line="{k}\n") for k in range(2)]
    for board, pull in zip(boards, (0, 500), strict=True):

        def print_lines(first: int, n: int, pull: int = pull) -> bytes:
            values = (100 + k % 3 + pull * (300 < k < 360) for k in range(first, first + n))
            return "".join(f"{value}\n" for value in values).encode()

        board.make_block = print_lines  # type: ignore[method-assign]
    try:
        forms = [port_form(board, n_columns=1, rate="100") for board in boards]
        assert place.tell_apart({"forms": forms}) == {"which": 1, "failed": []}
        with pytest.raises(SourceError, match="only one"):
            place.tell_apart({"forms": forms[:1]})
    finally:
        for board in boards:
            board.unplug()


def test_a_trial_is_drawn_up_on_the_page_and_tonights_way_is_due(tmp_path: Path) -> None:
    record(tmp_path, "A07", 25)
    place = make_place(tmp_path, [])
    told = place.open_trial({"athlete": "A07"})
    assert told["trial"] is None
    assert "warmth" in dict(told["ways"])
    for order, field in (({"ways": ["warmth"]}, "ways"), ({"ways": ["warmth", "nothing"], "blocks": "13"}, "blocks")):
        with pytest.raises(FormError) as caught:
            place.draw_trial({"athlete": "A07", "blocks": "3"} | order)
        assert list(caught.value.mistakes) == [field]
    trial = place.draw_trial({"athlete": "A07", "ways": ["nothing", "warmth"], "blocks": "3"})["trial"]
    assert (trial["n_evenings"], trial["n_held"], trial["stretch"].split(" · ")[1]) == (6, 0, "left")
    kept = find_trial(tmp_path, "A07")
    assert kept is not None
    assert kept.schedule == draw_schedule(["nothing", "warmth"], 3, seed=trial["seed"])  # the seed that is shown
    assert "order" not in trial  # what comes after tonight stays out of sight
    (card,) = place.list_athletes()
    assert card["tonight"]["drawn"] == kept.schedule.order[0]
    with pytest.raises(PlanError, match="A07-1 is open: 0 of 6"):
        place.draw_trial({"athlete": "A07", "ways": ["nothing", "warmth"], "blocks": "3"})
    with pytest.raises(PlanError, match="is not a code"):
        place.draw_trial({"athlete": "../A07", "ways": ["nothing", "warmth"], "blocks": "3"})


def read_mistake(place: LocalStartPage, act: str, order: dict[str, Any]) -> tuple[str, str]:
    with pytest.raises(FormError) as caught:
        getattr(place, act)(order)
    ((field, error),) = caught.value.mistakes.items()
    return field, error.what


def test_up_to_four_athletes_are_seated_and_what_does_not_go_together_is_told_at_its_field(tmp_path: Path) -> None:
    begun: list[ChosenSession] = []
    place = make_place(tmp_path, [])
    place._open_session = lambda *choices: begun.extend(choices)
    board = {"sensor": "url", "url": "serial:/dev/ttyUSB0?profile=frame-lines"}
    first = FORM | board | {"athlete": "A01", "side": "left"}
    seat = place.seat({"form": first | {"exercise": "hamstring-standing"}, "seated": []})
    assert seat["athlete"] == "A01"
    assert seat["stretch"].startswith(
        "Standing hamstring stretch"
    )  # as it is called on the card, not by its short name
    assert seat["source"] == board["url"]
    assert place.seat({"form": FORM | {"athlete": "A02"}, "seated": []})["source"] == "Simulated athlete"
    assert read_mistake(place, "seat", {"form": FORM | {"athlete": "a01"}, "seated": [first]})[0] == "athlete"
    same = {"form": FORM | board | {"athlete": "A02"}, "seated": [first]}
    assert read_mistake(place, "seat", same) == ("sensor", "A01 has this sensor already")
    assert (
        read_mistake(place, "seat", {"form": FORM | {"athlete": "A02", "limit": "x"}, "seated": [first]})[0] == "limit"
    )
    others = [FORM | {"athlete": code, "side": "right"} for code in ("A02", "A03", "A04")]
    full = {"form": FORM | {"athlete": "A05"}, "seated": [first, *others]}
    assert read_mistake(place, "seat", full)[0] == "group"
    assert read_mistake(place, "begin_group", {"forms": [first, others[0], others[0]]})[0] == "group-3"
    assert read_mistake(place, "begin_group", {"forms": []})[0] == "group"
    assert begun == []
    assert place.begin_group({"forms": [first, *others]}) == {"place": "/group"}
    assert [(choice.athlete, choice.side) for choice in begun] == [
        ("A01", "left"), ("A02", "right"), ("A03", "right"), ("A04", "right"),
    ]  # fmt: skip
    with pytest.raises(SessionError, match="begun already"):
        place.begin_group({"forms": [first]})


def test_a_group_begins_with_all_or_none_and_what_is_in_the_way_stands_at_its_seat(tmp_path: Path) -> None:
    record(tmp_path, "A02", 20, make_maximum(), source="simulated:?seed=1&channels=force", simulated=True)
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    args = parser.parse_args(["--folder", str(tmp_path)])
    place = make_place(tmp_path, [])
    forms = [FORM | {"athlete": "A01", "side": "right"}, FORM | {"athlete": "A02", "position": "floor", "carry": True}]
    gone = FORM | {"athlete": "A03", "sensor": "url", "url": f"serial:{tmp_path}/none?channels=force:N"}
    with ExitStack() as stack:
        choices = [place._read(form) for form in [*forms, gone]]
        with pytest.raises(FormError) as caught:
            open_chosen(stack, choices, request_chosen, args, whose="A01")
        assert list(caught.value.mistakes) == ["group-3"]
        assert [path.name for path in tmp_path.glob("*.hold")] == ["A02-2026-11-20.hold"]  # nothing was begun
        lives = open_chosen(stack, choices[:2], request_chosen, args, whose="A01")
        setups = [live.engine.setup for live, _ in lives.values()]
        assert [(one.athlete, one.side) for one in setups] == [("A01", "right"), ("A02", "left")]
        assert setups[1].position == "floor"
        assert [bool(live.engine.account.maxima) for live, _ in lives.values()] == [False, True]
        shelves = {id(live._shelf) for live, _ in lives.values()}
        assert len(shelves) == 1  # a plan that is saved at one seat is there for all


def test_a_stick_that_is_pulled_out_is_told_nothing_is_made_in_its_place_and_it_goes_on_when_it_is_back(
    tmp_path: Path, begun: list[ChosenSession]
) -> None:
    stick, away = tmp_path / "stick", tmp_path / "away"
    stick.mkdir()
    record(stick, "A07", 25)
    place = make_place(stick, begun)
    (card,) = place.list_athletes()
    stick.rename(away)
    orders = {"ways": ["nothing", "warmth"], "blocks": "3", "athlete": "A07"}
    for act in (
        place.list_athletes,
        lambda: place.begin(card["form"]),
        lambda: place.begin_group({"forms": [card["form"]]}),
        lambda: place.draw_trial(orders),
        lambda: place.save_programme({"athlete": "A07", "text": "begun = 2026-01-01"}),
    ):
        with pytest.raises(RecordingError, match="was the stick pulled out"):
            act()
    assert not stick.exists()
    assert begun == []
    away.rename(stick)
    assert [one["code"] for one in place.list_athletes()] == ["A07"]
    place.begin(card["form"])
    assert [one.athlete for one in begun] == ["A07"]


def test_whether_pages_can_be_shared_is_known_before_anything_is_chosen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The certificate is sought as for a shared session, even where the command line says to share without one."""
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    args = parser.parse_args(["--folder", str(tmp_path), "--share", "--share-plain"])
    seen: list[argparse.Namespace] = []

    def refuse(asked: argparse.Namespace) -> None:
        seen.append(asked)
        raise SessionError("no certificate can be made", "name one")

    monkeypatch.setattr(start_page, "choose_certifier", refuse)
    monkeypatch.setattr("biofeedback.web.sharing.find_network_address", lambda: "192.0.2.7")
    with pytest.raises(SessionError, match="no certificate can be made"):
        start_page.run_from_start(args, request_chosen, open_recording)
    assert vars(seen[0]) == {**vars(args), "share_plain": False}
