"""A phone as the sensor of a seat: what its commands do and refuse, and what pages say of it."""

from __future__ import annotations

from typing import Any

import pytest

from biofeedback.calibration.position import PositionLimits
from biofeedback.errors import SessionError
from biofeedback.session.phone import carry_out_phone, describe_drift, describe_limits, describe_phone


class Phone:
    """Remembers what it was told; ``is_free``: nobody else sends."""

    def __init__(self, **known: Any) -> None:
        self.told: list[Any] = []
        self.is_free = True
        self.who, self.has_angle, self.rate_hz = "A01", True, 60.0
        self.is_hidden = self.is_silent = self.is_mute = False
        vars(self).update(known)

    def claim(self, who: str, *, has_angle: bool = True) -> bool:
        self.told.append(("claim", who, has_angle))
        return self.is_free

    def leave(self, who: str) -> None:
        self.told.append(("leave", who))

    def hide(self, who: str, is_hidden: bool) -> None:
        self.told.append(("hide", who, is_hidden))

    def put(self, who: str, gravity: Any, ratings: Any) -> bool:
        self.told.append(("put", who, gravity, ratings))
        return self.is_free


DATA = {"do": "phone_data", "who": "A01", "gravity": [[0.1, 0, 0, 9.8]], "ratings": [[0.1, 3]]}


@pytest.mark.parametrize(
    ("message", "told"),
    [
        ({"do": "phone_angle", "who": "A01", "on": True}, ("claim", "A01", True)),
        ({"do": "phone_angle", "who": "A01", "on": True, "angle": False}, ("claim", "A01", False)),
        ({"do": "phone_angle", "who": "A01", "on": False}, ("leave", "A01")),
        ({"do": "phone_hidden", "who": "A01", "hidden": True}, ("hide", "A01", True)),
        ({"do": "phone_hidden", "who": "A01", "hidden": False}, ("hide", "A01", False)),
        (DATA, ("put", "A01", [[0.1, 0, 0, 9.8]], [[0.1, 3]])),
        ({**DATA, "gravity": [], "ratings": []}, ("put", "A01", [], [])),
    ],
)
def test_each_command_reaches_the_phone(message: dict[str, Any], told: tuple[Any, ...]) -> None:
    phone = Phone()
    carry_out_phone(phone, message)
    assert phone.told == [told]


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ({**DATA, "who": ""}, "a phone without a name"),
        ({**DATA, "gravity": [[0.1, 0, 9.8]]}, "too short or too long"),
        ({**DATA, "gravity": [[0.1, 0, 0, 9.8], [0.1, 0]]}, "too short or too long"),
        ({**DATA, "ratings": [[0.1, 3, 4]]}, "too short or too long"),
        ({**DATA, "ratings": [[0.1, 3], [0.1, 3, 4]]}, "too short or too long"),
    ],
)
def test_what_does_not_fit_is_refused_and_nothing_taken(message: dict[str, Any], words: str) -> None:
    phone = Phone()
    with pytest.raises(SessionError, match=words):
        carry_out_phone(phone, message)
    assert not phone.told


def test_one_phone_is_the_sensor_of_a_seat() -> None:
    busy = Phone(is_free=False)
    with pytest.raises(SessionError, match="another phone is the sensor"):
        carry_out_phone(busy, {"do": "phone_angle", "who": "A02", "on": True})
    with pytest.raises(SessionError, match="another phone has become the sensor"):
        carry_out_phone(busy, DATA)
    with pytest.raises(SessionError, match="no place for a phone's angle"):
        carry_out_phone(None, DATA)


@pytest.mark.parametrize(
    ("known", "state"),
    [
        ({}, "live"),
        ({"who": ""}, "off"),
        ({"is_hidden": True, "is_silent": True}, "hidden"),
        ({"is_silent": True, "is_mute": True}, "silent"),
        ({"has_angle": False, "is_mute": True, "rate_hz": 1.0}, "slider"),
        ({"is_mute": True, "rate_hz": 1.0}, "mute"),
        ({"rate_hz": 14.9}, "slow"),
        ({"rate_hz": 15.0}, "live"),
        ({"rate_hz": float("nan")}, "live"),
    ],
)
def test_pages_say_what_is_wrong_with_a_phone_and_the_cure(known: dict[str, Any], state: str) -> None:
    said = describe_phone(Phone(**known))
    assert said is not None
    assert said["state"] == state
    has_words = state not in ("live", "off", "slider")
    assert (bool(said["what"]), bool(said["cure"])) == (has_words, has_words)
    assert describe_phone(None) is None


def test_limits_of_a_position_say_whose_they_are() -> None:
    own = PositionLimits(2.0, 4.0, "cm")
    assert describe_limits("cm", None) == {"warn": 2.5, "fail": 5.0, "text": "limits 2.5 and 5.0 cm"}
    assert describe_limits("counts", None) is None
    mine = describe_limits("cm", None, own)
    assert mine == {"warn": 2.0, "fail": 4.0, "text": "limits 2.0 and 4.0 cm (set for this exercise)"}
    turned = describe_limits("deg", 0.4, own)
    assert turned is not None
    assert turned["warn"] == pytest.approx(2.86, abs=0.02), "2 cm at 0.4 m from the joint"
    assert "at 0.40 m from the joint, set for this exercise)" in turned["text"]
    assert describe_drift(own) == "Drifted: over 2 cm. Lost: over 4 cm."
