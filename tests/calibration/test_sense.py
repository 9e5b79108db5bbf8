"""Numbers that no person gives, the mistake that would make them right, and where in a session they are looked for."""

from __future__ import annotations

import pytest

from biofeedback.account.account import Account
from biofeedback.account.fold import fold
from biofeedback.account.kinds import AttemptMade, PracticeMade, ZeroTaken, make_event
from biofeedback.account.values import Attempt, Zero
from biofeedback.calibration.sense import check_sense, find_sense
from biofeedback.model import Channel

FORCE = Channel(name="force", kind="force", unit="N")
SCALE = "check the sensor's factor and unit, best with known loads under Scale"
GAIN = "check the unit and the gain that were given with the source"
DISPLAY = "read the display again, the number and its unit"


# what a person's joint gives: 20 to 3000 N, 2 to 700 N·m; a muscle on the skin 0.01 to 10 mV (common practice, no
# source); a gram pulls 9.80665e-3 N (CGPM 3, 1901), a kilogram a thousand times that
@pytest.mark.parametrize(
    ("kind", "unit", "value", "cure"),
    [
        ("force", "N", 19.9, "it looks like kilograms: " + SCALE),
        ("force", "N", 20.0, None),
        ("force", "N", 3000.0, None),
        ("force", "N", 3001.0, "it looks like grams: " + SCALE),
        ("force", "N", 305_000.0, "it looks like grams: " + SCALE),
        ("force", "N", 306_000.0, SCALE),  # more than 3000 N in grams, too
        ("force", "N", 2.1, "it looks like kilograms: " + SCALE),
        ("force", "N", 2.0, SCALE),  # less than 20 N in kilograms, too
        ("force", "N", -25.0, None),  # the sign is another matter
        ("force", "kg", 2.0, "it looks like kilograms: " + SCALE),
        ("force", "kg", 2.1, None),
        ("force", "kg", 305.0, None),
        ("force", "kg", 306.0, "it looks like grams: " + SCALE),
        ("force", "N·m", 1.9, "it looks like kilograms: " + SCALE),
        ("force", "N·m", 2.0, None),
        ("force", "N·m", 700.0, None),
        ("force", "N·m", 701.0, "it looks like grams: " + SCALE),
        ("emg", "mV", 0.0099, "it looks as if the sensor sends a thousand times it: " + GAIN),
        ("emg", "mV", 0.01, None),
        ("emg", "mV", 10.0, None),
        ("emg", "mV", 10.1, "it looks as if the sensor sends thousandths of it: " + GAIN),
        ("emg", "mV", 10_001.0, GAIN),
        ("emg", "uV", 9.9, "it looks as if the sensor sends a thousand times it: " + GAIN),
        ("emg", "uV", 10_000.0, None),
        ("emg", "V", 0.01, None),
        ("emg", "V", 0.0101, "it looks as if the sensor sends thousandths of it: " + GAIN),
        ("force", "count", 1e9, None),
        ("position", "deg", 1e9, None),
        ("emg", "count", 1e9, None),
    ],
)
def test_what_no_person_gives_and_what_would_make_it_right(
    kind: str, unit: str, value: float, cure: str | None
) -> None:
    channel = Channel(name="s", kind=kind, unit=unit)  # type: ignore[arg-type]
    found = check_sense(channel, value, seen="it gave")
    assert (found and found.cure) == cure
    at_rest = check_sense(channel, value, seen="at rest", is_push=False)
    least = {"N": 20.0, "kg": 2.04, "N·m": 2.0, "mV": 0.01, "uV": 10.0, "V": 1e-5}
    is_small = abs(value) < least.get(unit, 0.0)
    assert (at_rest is None) is (found is None or is_small)


def test_what_was_seen_is_said_with_what_a_person_gives() -> None:
    found = check_sense(FORCE, 12345.6, seen="an attempt gave")
    assert found is not None
    assert found.what == "force: an attempt gave 12346 N; a person's joint gives 20 to 3000 N"
    found = check_sense(FORCE, 9999.4, seen="an attempt gave")
    assert found is not None
    assert found.what.startswith("force: an attempt gave 9999 N;")
    found = check_sense(Channel(name="emg", kind="emg", unit="uV"), 0.00123456, seen="an attempt gave")
    assert found is not None
    assert found.what == "emg: an attempt gave 0.001235 uV; a muscle on the skin gives 0.01 to 10 mV"


def test_a_typed_number_is_read_again_and_no_sensor_blamed() -> None:
    found = check_sense(FORCE, 15.0, seen="a typed maximum of", is_typed=True)
    assert found is not None
    assert found.cure == "it looks like kilograms: " + DISPLAY
    found = check_sense(FORCE, 1e9, seen="a typed maximum of", is_typed=True)
    assert found is not None
    assert found.cure == DISPLAY


def zero(level: float) -> ZeroTaken:
    return ZeroTaken(channels={"force": Zero(level, 0.1)})


def practice(value: float, channel: str = "force") -> PracticeMade:
    return PracticeMade(felt_percent=25.0, channels={channel: value})


def attempt(value: float | None, *, accepted: bool = True, number: int = 1) -> AttemptMade:
    tried = Attempt("force", "N", value, value, 0.0, 0.1, 0.5, 4.0, accepted, "")
    return AttemptMade(number=number, channels={"force": tried}, accepted=accepted)


def account_of(*said: ZeroTaken | PracticeMade | AttemptMade) -> Account:
    return fold([make_event(payload, k) for k, payload in enumerate(said)], channels=[FORCE], settings={})


@pytest.mark.parametrize(
    ("said", "seen"),
    [
        ([], None),
        ([zero(3.0), practice(5.0), attempt(400.0)], None),  # a zero and a light push may be as small as they like
        ([zero(-5000.0)], "with nothing on it it reads -5000 N"),
        ([practice(5000.0)], "a practice push gave 5000 N"),
        ([practice(5000.0, "other")], None),
        ([attempt(5000.0)], "an attempt gave 5000 N"),
        ([attempt(5.0)], "an attempt gave 5 N"),
        ([attempt(5000.0, accepted=False)], None),
        ([attempt(None)], None),
        ([zero(4000.0), practice(5000.0), attempt(6000.0)], "an attempt gave 6000 N"),  # the newest
        ([zero(4000.0), practice(5000.0), attempt(400.0)], "a practice push gave 5000 N"),
        ([practice(5000.0), practice(6000.0)], "a practice push gave 6000 N"),
        ([attempt(5000.0), attempt(400.0, number=2)], "an attempt gave 5000 N"),
    ],
)
def test_the_newest_number_that_no_person_gives_is_told(
    said: list[ZeroTaken | PracticeMade | AttemptMade], seen: str | None
) -> None:
    found = find_sense(account_of(*said), FORCE)
    assert (found and found.what) == (seen and f"force: {seen}; a person's joint gives 20 to 3000 N")
