from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.account.commands import COMMANDS, check_command
from biofeedback.errors import BiofeedbackError, SessionError
from biofeedback.session.actions import ACTIONS
from biofeedback.web import messages
from biofeedback.web.messages import MAX_MESSAGE_BYTES, read_message
from biofeedback.web.replies import reply_to_message

from .fake_live import FakeLive

STATIC = Path(messages.__file__).parent / "static"

GOOD = [
    {"do": "ping"},
    {"do": "invite", "role": "athlete"},
    {"do": "revoke"},
    {"do": "accept_cautions"},
    {"do": "zero"},
    {"do": "screening", "applies": False},
    {"do": "practice", "felt": 25},
    {"do": "attempt"},
    {"do": "attempt_felt", "number": 1, "discomfort": 4, "effort": 9, "sharp": False},
    {"do": "expect", "expects": "less"},
    {"do": "way", "trial": "A01-1", "evening": 3, "drawn": "warmth", "done": "", "note": "no warm pack"},
    {"do": "range", "when": "before", "at": "first discomfort", "value": 71, "unit": "deg"},
    {"do": "aftermath", "when": "end", "new_pain": False, "soreness": None},
    {"do": "reject_attempt", "number": 2, "reason": "slipped"},
    {"do": "accept_maximum"},
    {"do": "typed_maximum", "channel": "force", "value": 300, "unit": "N"},
    {"do": "guide", "channel": "emg"},
    {"do": "open_plan", "plan": "light-hold"},
    {"do": "check_plan", "draft": {"title": "Own"}},
    {"do": "save_exercise", "draft": {"title": "Own", "muscle": "calf"}},
    {"do": "save_plan", "draft": {"title": "Own"}, "replace": True},
    {"do": "start_plan", "plan": "response-check"},
    {"do": "rate", "value": 6.5, "ask": 3},
    {"do": "rate", "value": None},
    {"do": "zero_position"},
    {"do": "phone_angle", "who": "k3", "on": True, "angle": False},
    {"do": "phone_hidden", "who": "k3", "hidden": True},
    {"do": "phone_data", "who": "k3", "gravity": [[1.5, 0, 0, 9.8]], "ratings": [[1.5, 3.25]]},
    {"do": "effort", "value": 3, "phase_index": 1},
    {"do": "correct", "rating": 2, "value": 5},
    {"do": "limit", "value": 8},
    {"do": "stop", "reason": "by hand"},
    {"do": "stop"},
    {"do": "stop", "pressed_ago_s": 12.5},
    {"do": "explain_stop", "why": "cramp"},
    {"do": "allow", "ask": 1, "yes": True},
    {"do": "take_back", "rating": 1},
    {"do": "trust_numbers"},
    {"do": "take_up"},
    {"do": "resume"},
    {"do": "finish"},
    {"do": "note", "text": "warm-up: ten minutes easy"},
    {"do": "feedback", "shown": True},
    {"do": "covariates", "text": "heat, massage"},
    {"do": "position", "answer": "held", "phase_index": 1},
    {"do": "revise_maximum", "channel": "force", "value": 450.5},
    {"do": "device", "answer": "keep"},
    {"do": "keep_rate", "rate_hz": 79.6},
    {"do": "end_phase"},
    {"do": "extend_phase", "seconds": 10},
    {"do": "choose_band", "low": 40, "high": 50},
    {"do": "scale_load", "channel": "force", "load": 2.5, "unit": "kg"},
    {"do": "scale_undo"},
    {"do": "scale_creep"},
    {"do": "scale_finish", "sensor": "cell 1", "lever_arm_m": 0.4},
    {"do": "scale_check", "channel": "force", "load": 5, "unit": "lb"},
]


def test_what_a_session_can_do_and_what_the_pages_ask_for_are_the_commands_of_the_socket() -> None:
    asked = set()
    for script in STATIC.rglob("*.js"):
        asked |= set(re.findall(r'\bdo: "(\w+)"', script.read_text("utf-8")))
    assert len(asked) > 20
    assert asked <= set(COMMANDS)
    assert {name for name, command in COMMANDS.items() if command.place == "session"} == set(ACTIONS)


def test_every_command_passes_unchanged() -> None:
    for message in GOOD:
        assert read_message(json.dumps(message | {"id": 7})) == (7, message)
        check_command(message)


def test_every_command_of_the_table_is_tried() -> None:
    assert {str(message["do"]) for message in GOOD} == set(COMMANDS)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (None, "bytes"),
        ("", "not JSON"),
        ("{", "not JSON"),
        ("[" * 4000, "not JSON"),
        ('{"do": "rate", "value": NaN}', "not JSON"),
        ("[]", "not an object"),
        ("7", "not an object"),
        ("{}", "unknown command"),
        ('{"do": "format_disk"}', "unknown command 'format_disk'"),
        ('{"do": ["stop"]}', "unknown command"),
        ('{"do": "rate"}', "rate needs value"),
        ('{"do": "rate", "value": "6"}', "value '6' is not a number"),
        ('{"do": "rate", "value": true}', "is not"),
        ('{"do": "rate", "value": 1e99}', "is not"),
        ('{"do": "rate", "value": 6, "ask": -1}', "ask '-1' is not a whole number"),
        ('{"do": "stop", "force": 1}', "no field 'force'"),
        ('{"do": "note", "text": "' + "x" * 501 + '"}', "is not"),
        ('{"do": "note", "text": "' + "x" * MAX_MESSAGE_BYTES + '"}', f"longer than {MAX_MESSAGE_BYTES} bytes"),
        ('{"do": "note", "text": "' + "é" * (MAX_MESSAGE_BYTES // 2) + '"}', f"longer than {MAX_MESSAGE_BYTES} bytes"),
        ('{"do": "feedback", "shown": 1}', "is not"),
        ('{"do": "stop", "reason": "\\ud83d"}', "a broken character"),
        ('{"do": "check_plan", "draft": {"\\udc00": [1]}}', "a broken character"),
    ],
)
def test_anything_else_is_refused_in_one_line(text: str | None, what: str) -> None:
    with pytest.raises(SessionError) as error:
        check_command(read_message(text)[1])
    assert what in error.value.what
    assert error.value.cure
    assert "\n" not in str(error.value)
    assert len(str(error.value)) < 160


@given(st.one_of(st.none(), st.text(), st.recursive(st.none() | st.booleans() | st.floats() | st.text(), st.lists)))
def test_nothing_a_page_sends_is_an_exception(sent: object) -> None:
    live = FakeLive()
    text = sent if sent is None or isinstance(sent, str) else json.dumps(sent)
    reply = reply_to_message(live, text)
    assert reply["ok"] is False
    assert live.commands == []


def test_a_refusal_carries_the_id_of_its_message() -> None:
    assert reply_to_message(FakeLive(), '{"id": 3, "do": "rate", "value": "7"}')["id"] == 3


def test_the_sessions_own_refusals_reach_the_page_with_their_cure() -> None:
    class Refusing(FakeLive):
        def command(self, message: dict[str, object], by: str) -> None:
            raise {"zero": BiofeedbackError("signal moves", "keep it still"), "stop": ValueError("odd")}.get(
                str(message["do"]), RuntimeError("a fault")
            )

    live = Refusing()
    assert reply_to_message(live, '{"do": "zero", "id": 1}') == {
        "id": 1,
        "ok": False,
        "what": "signal moves",
        "cure": "keep it still",
    }
    assert reply_to_message(live, '{"do": "stop"}') == {
        "id": None,
        "ok": False,
        "what": "odd",
        "cure": "enter another value",
    }
    assert reply_to_message(live, '{"do": "finish", "id": 2}') == {
        "id": 2,
        "ok": False,
        "what": "the command failed inside the program",
        "cure": "see the log",
    }


@pytest.mark.parametrize("opened", ["[", '{"a":'])
def test_no_message_is_nested_deeper_than_a_plan(opened: str) -> None:
    """Whoever handles it later may call itself for each level: 900 levels fit in a message, and in no call stack."""
    closed = "]" if opened == "[" else "}"
    for depth in (150, 500, 900, 5000):
        text = '{"do": "check_plan", "draft": {"block": ' + opened * depth + "1" + closed * depth + "}}"
        with pytest.raises(SessionError, match="message is not JSON"):
            read_message(text)
