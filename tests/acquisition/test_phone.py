"""A phone beside a sensor: its readings stand where they were taken, gaps stay gaps, one phone at a time."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from biofeedback.account.kinds import ZeroTaken, make_event
from biofeedback.account.values import Zero
from biofeedback.acquisition.felt_source import RATE_HZ, FeltSource
from biofeedback.acquisition.phone import CHANNELS, LAG_S, PhoneInbox, WithPhone
from biofeedback.acquisition.source import ItemSource
from biofeedback.calibration.effort import EffortStream
from biofeedback.calibration.events import apply_event
from biofeedback.model import STANDARD_GRAVITY_M_PER_S2, Channel, Chunk, Gap, Item, find_phone, measure_turn
from biofeedback.session.phone import describe_phone
from biofeedback.signal.levels import LevelStream

G = STANDARD_GRAVITY_M_PER_S2


class Beside(ItemSource):
    """A force sensor that sends what the test says."""

    url, description = "test:", "a force sensor"
    channels: tuple[Channel, ...] = (Channel(name="force", kind="force", unit="N"),)
    rate_hz: float = 0.0

    def __init__(self, rate_hz: float) -> None:
        self.rate_hz = rate_hz
        self.items: list[Item] = []

    def open(self) -> None: ...

    def close(self) -> None: ...

    def read_items(self) -> list[Item]:
        items, self.items = self.items, []
        return items


class Evening:
    """Time in steps of 20 ms: a sensor, and a phone whose batches arrive late and unevenly."""

    def __init__(self, rate_hz: float = 100.0, phone_hz: float = 60.0, seed: int = 3) -> None:
        self.now_s, self.rate_hz, self.phone_hz = 1000.0, rate_hz, phone_hz
        self.inbox = PhoneInbox(clock=lambda: self.now_s)
        self.sensor = Beside(rate_hz)
        self.source = WithPhone(self.sensor, self.inbox, clock=lambda: self.now_s)
        self.source.open()
        self.items: list[Item] = []
        self.offset_s = -995.0  # the phone's clock
        self._sent = self._arrived = 0
        self._frame = 0
        self._on_the_way: list[tuple[float, list[list[float]]]] = []
        self._random = np.random.default_rng(seed)
        self._taken_s = self.now_s

    def run(self, seconds: float, gravity, *, sends: bool = True, who: str = "a") -> None:
        for _ in range(round(seconds / 0.02)):
            self.now_s += 0.02
            batch = []
            while self._taken_s + 1 / self.phone_hz <= self.now_s:
                self._taken_s += 1 / self.phone_hz
                batch.append([self._taken_s + self.offset_s, *gravity(self._taken_s)])
            if sends and batch:
                self._on_the_way.append((self.now_s + 0.005 + 0.03 * self._random.random(), batch))
            while self._on_the_way and self._on_the_way[0][0] <= self.now_s:
                self.inbox.put(who, self._on_the_way.pop(0)[1], [])
            end = int((self.now_s - 1000.0) * self.rate_hz + 1e-6)
            if end > self._frame:
                self.sensor.items = [Chunk(self._frame, np.full((end - self._frame, 1), 5.0))]
                self._frame = end
            self.items += self.source.read_items()

    def frames(self) -> np.ndarray:
        return np.concatenate([item.counts for item in self.items if isinstance(item, Chunk)])


def still(_: float) -> tuple[float, float, float]:
    return 0.0, 0.0, G


@pytest.mark.parametrize("rate_hz", [10.0, 80.0, 100.0, 1000.0])
def test_every_frame_of_the_sensor_is_there_and_the_phones_beside_it(rate_hz):
    evening = Evening(rate_hz)
    assert evening.inbox.claim("a")
    evening.run(4.0, still)
    frames = evening.frames()
    assert np.all(frames[:, 0] == 5.0)
    late = frames[round(rate_hz) :]
    share = np.isfinite(late[:, 3]).mean()
    assert share == pytest.approx(min(1.0, 50 / rate_hz), rel=0.05)


def test_a_reading_stands_a_known_time_after_it_was_taken_whatever_the_radio_does():
    """A ramp of gravity that tells its own time: frame time minus value is the lag."""
    evening = Evening()
    evening.inbox.claim("a")
    evening.run(6.0, lambda t: (t - 1000.0, 0.0, G))
    frames = evening.frames()
    places = np.flatnonzero(np.isfinite(frames[:, 3]))[50:]
    lag_s = places / evening.rate_hz - frames[places, 3]
    assert np.ptp(lag_s) < 0.075  # a batch in jitter of 30 ms, read in steps of 20 ms
    assert np.median(lag_s) == pytest.approx(LAG_S, abs=0.03)


def test_a_gap_stays_a_gap():
    evening = Evening()
    evening.inbox.claim("a")
    evening.run(2.0, still)
    evening.run(1.0, still, sends=False)
    evening.run(1.0, still)
    gravity = evening.frames()[:, 5]
    middle = gravity[round(2.4 * 100) : round(2.95 * 100)]
    assert not np.isfinite(middle).any()
    assert np.isfinite(gravity[round(3.3 * 100) :]).any()


def test_a_phone_that_is_silent_is_known_to_be_within_a_second():
    evening = Evening()
    evening.inbox.claim("a")
    evening.run(2.0, still)
    assert not evening.inbox.is_silent
    evening.run(1.0, still, sends=False)
    assert evening.inbox.is_silent


def words(evening: Evening) -> list[str]:
    return [item.text for item in evening.items if not isinstance(item, (Chunk, Gap))]


def test_batches_without_readings_are_told_as_no_motion_and_kept_on_record_until_they_come_again():
    evening = Evening()
    evening.inbox.claim("a")
    evening.run(3.0, still)
    for _ in range(12):  # permission taken back: the page still sends, every quarter of a second
        evening.inbox.put("a", [], [])
        evening.run(0.25, still, sends=False)
    assert (evening.inbox.is_mute, evening.inbox.is_silent) == (True, False)
    told = describe_phone(evening.inbox)
    assert told is not None
    assert (told["state"], "allow motion" in told["cure"]) == ("mute", True)
    assert words(evening).count("the phone gives no motion: its angle is missing") == 1
    assert "the phone gives motion again" not in words(evening)
    evening.run(1.0, still)
    assert not evening.inbox.is_mute
    assert words(evening).count("the phone gives motion again") == 1


def test_a_page_that_comes_back_from_the_background_has_not_been_without_motion():
    evening = Evening()
    evening.inbox.claim("a")
    evening.run(3.0, still)
    evening.inbox.hide("a", True)
    evening.run(5.0, still, sends=False)
    evening.inbox.hide("a", False)
    evening.inbox.put("a", [], [])
    assert not evening.inbox.is_mute


def test_two_phones_for_one_seat_are_one_at_a_time():
    evening = Evening()
    assert evening.inbox.claim("a")
    evening.run(1.0, still)
    assert not evening.inbox.claim("b")
    assert not evening.inbox.put("b", [[1.0, 0.0, 0.0, G]], [])
    evening.run(1.0, still, sends=False)
    assert evening.inbox.claim("b")  # the first is gone
    assert not evening.inbox.put("a", [[1.0, 0.0, 0.0, G]], [])


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0, 2.5])
def test_a_phone_whose_clock_jumps_is_mapped_anew(jump_s):
    evening = Evening()
    evening.inbox.claim("a")
    evening.run(2.0, still)
    evening.offset_s += jump_s
    evening.run(2.0, still)
    gravity = evening.frames()[:, 5]
    assert np.isfinite(gravity[(3 * 100) :]).mean() > 0.45  # every second frame at 50 Hz of 100
    notes = [item.text for item in evening.items if not isinstance(item, (Chunk, Gap))]
    assert "the phone's clock jumped" in notes


def test_one_reading_a_second_is_told_as_too_slow():
    evening = Evening(phone_hz=1.0)
    evening.inbox.claim("a")
    evening.run(6.0, still)
    assert evening.inbox.rate_hz < 2.5
    for _ in range(200):
        evening.inbox.put("a", [], [])
        evening.run(0.1, still)
        assert not evening.inbox.is_mute  # slow, and not without motion: the cure is another one
    assert "the phone gives no motion: its angle is missing" not in words(evening)


def test_without_a_phone_nothing_is_there_and_a_gap_of_the_sensor_stays_one():
    evening = Evening()
    evening.run(1.0, still, sends=False)
    assert np.isnan(evening.frames()[:, 1:]).all()
    evening.sensor.items = [Gap(100, 50, "no data")]
    assert [type(item) for item in evening.source.read_items()] == [Gap]


def test_no_sensor_and_a_phone_share_the_rating_channel():
    source = WithPhone(FeltSource(), PhoneInbox())
    assert [channel.name for channel in source.channels] == [channel.name for channel in CHANNELS]
    assert source.rate_hz == RATE_HZ


def test_a_slider_is_kept_in_hundredths_and_untouched_is_nothing():
    evening = Evening()
    evening.inbox.claim("a")
    for step in range(100):
        own_s = evening.now_s + evening.offset_s
        evening.inbox.put("a", [], [[own_s, 3.14]] if step < 50 else [])
        evening.run(0.02, still, sends=False)
    rated = evening.frames()[:, 1]
    known = rated[np.isfinite(rated)]
    assert set(known.tolist()) == {314.0}
    assert np.isnan(rated[140:]).all()


# -- the angle ----------------------------------------------------------------------------------------------------


def orientations() -> list[np.ndarray]:
    """Twelve ways for a phone to lie: rotation matrices from the limb to the phone."""
    found = []
    for axis, sign in itertools.product(range(3), (1, -1)):
        first = np.zeros(3)
        first[axis] = sign
        for other in range(2):
            second = np.zeros(3)
            second[(axis + 1 + other) % 3] = 1.0
            found.append(np.array([first, second, np.cross(first, second)]))
    return found


def test_there_are_twelve_proper_orientations():
    matrices = orientations()
    assert len(matrices) == 12
    for matrix in matrices:
        assert np.allclose(matrix @ matrix.T, np.eye(3))
        assert np.linalg.det(matrix) == pytest.approx(1.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("matrix", orientations())
def test_a_known_turn_comes_back_however_the_phone_lies_and_whatever_sign_its_system_has(matrix, sign):
    zero = sign * matrix @ np.array([0.0, 0.0, G])
    for degrees in range(0, 91, 5):
        for way in (1, -1):
            turn = math.radians(way * degrees)
            now = sign * matrix @ np.array([G * math.sin(turn), 0.0, G * math.cos(turn)])
            assert float(measure_turn(now, zero)) == pytest.approx(degrees, abs=1e-6)


def test_a_turn_about_the_vertical_does_not_show():
    assert float(measure_turn(np.array([0.0, 0.0, G]), np.array([0.0, 0.0, G]))) == 0.0


def test_gravity_off_by_more_than_five_percent_is_motion():
    zero = np.array([0.0, 0.0, G])
    sizes = np.array([0.94, 0.951, 1.0, 1.049, 1.06])[:, None] * zero
    assert np.isfinite(measure_turn(sizes, zero)).tolist() == [False, True, True, True, False]


def run_angle(counts: np.ndarray, n_frames: int) -> np.ndarray:
    """Degrees shown for frames at 50 Hz, from a zero with gravity along z, cut into runs of ``n_frames``."""
    levels, effort = LevelStream(CHANNELS, 50.0), EffortStream(CHANNELS, 50.0)
    found = find_phone(CHANNELS)
    assert found is not None
    angle, gravity = found
    zeros = {CHANNELS[k].name: Zero(v, 0.0, 1) for k, v in zip(gravity, (0.0, 0.0, G), strict=True)}
    apply_event(effort, make_event(ZeroTaken(channels=zeros), 0))
    starts = range(0, len(counts), n_frames)
    parts = [effort.push(levels.push(Chunk(k, counts[k : k + n_frames]))).percent[:, angle] for k in starts]
    return np.concatenate(parts)


def walk(t: np.ndarray) -> np.ndarray:
    """Walking about, a model: steps of 2 Hz, a third of g up and down, the limb swinging by 20 degrees."""
    swing = np.radians(20) * np.sin(2 * np.pi * 1.0 * t)
    size = G * (1 + 0.33 * np.sin(2 * np.pi * 2.0 * t))
    return np.column_stack([size * np.sin(swing), np.zeros_like(t), size * np.cos(swing)])


def frames_of(gravity: np.ndarray) -> np.ndarray:
    return np.column_stack([np.full(len(gravity), np.nan), np.zeros(len(gravity)), gravity])


def test_a_slow_drift_of_five_degrees_shows_and_is_judged():
    from biofeedback.calibration.position import judge_position, limits_for

    t = np.arange(0, 30, 0.02)
    turn = np.radians(np.clip((t - 5) / 20, 0, 1) * 5.0)
    noise = np.random.default_rng(1).normal(0, 0.05, (len(t), 3))
    gravity = np.column_stack([G * np.sin(turn), np.zeros_like(t), G * np.cos(turn)]) + noise
    shown = run_angle(frames_of(gravity), 10)
    assert shown[-50:].mean() == pytest.approx(5.0, abs=0.3)
    limits = limits_for("deg", 0.9)
    assert limits is not None
    result = judge_position(shown[100:], np.zeros(len(shown) - 100, np.uint16), 50.0, limits=limits)
    assert result.state == "lost"  # 5 degrees at 0.9 m are 7.9 cm
    assert result.largest == pytest.approx(5.0, abs=0.4)


def test_walking_about_is_not_taken_for_drift():
    from biofeedback.calibration.position import judge_position, limits_for

    t = np.arange(0, 20, 0.02)
    gravity = np.where((t < 4)[:, None], np.array([0.0, 0.0, G]), walk(t))
    shown = run_angle(frames_of(gravity), 10)
    walked = shown[5 * 50 :]
    assert np.isnan(walked).mean() > 0.5  # most moments are left out as motion
    limits = limits_for("deg", 0.9)
    assert limits is not None
    result = judge_position(walked, np.zeros(len(walked), np.uint16), 50.0, limits=limits)
    assert result.state == "unknown"


def test_the_angle_does_not_depend_on_how_frames_are_cut():
    t = np.arange(0, 10, 0.02)
    gravity = np.column_stack([G * np.sin(0.1 * t), 0.0 * t, G * np.cos(0.1 * t)])
    whole = run_angle(frames_of(gravity), len(t))
    assert np.nanmax(whole) == pytest.approx(np.degrees(0.1 * t[-1]), abs=1.0)
    for n_frames in (1, 7, 64):
        assert np.array_equal(run_angle(frames_of(gravity), n_frames), whole, equal_nan=True)


class At:
    """A clock that is set by hand."""

    def __init__(self, now_s=100.0):
        self.now_s = now_s

    def __call__(self):
        return self.now_s


DOWN = (0.0, 0.0, 9.81)


def make_inbox(**more):
    clock = At()
    inbox = PhoneInbox(clock=clock)
    assert inbox.claim("p", **more)
    assert inbox.take_words() == ["a phone measures angle and rating"]
    return inbox, clock


def send(inbox, clock, own_s, *, gravity=True, rating=None):
    return inbox.put("p", [(own_s, *DOWN)] if gravity else [], [] if rating is None else [(own_s, rating)])


@pytest.mark.parametrize(("since_s", "is_taken"), [(0.79, False), (0.81, True)])
def test_another_phone_takes_the_seat_when_the_first_has_been_silent_for_long_enough(since_s, is_taken):
    inbox, clock = make_inbox()
    clock.now_s += since_s
    assert inbox.claim("q") is is_taken
    assert inbox.who == ("q" if is_taken else "p")
    assert inbox.take_words() == (["a phone measures angle and rating"] if is_taken else [])
    assert inbox.put("p", [], []) is not is_taken
    assert inbox.claim(inbox.who)  # its own page again: nothing new
    assert inbox.take_words() == []


@pytest.mark.parametrize(("since_s", "is_silent"), [(0.79, False), (0.81, True)])
def test_silence_is_eight_tenths_of_a_second(since_s, is_silent):
    inbox, clock = make_inbox()
    clock.now_s += since_s
    assert inbox.is_silent is is_silent
    assert PhoneInbox(clock=clock).is_silent


@pytest.mark.parametrize(("since_s", "is_mute"), [(1.5, False), (1.55, True)])
def test_batches_without_motion_for_a_second_and_a_half_are_told_once_and_so_is_their_end(since_s, is_mute):
    inbox, clock = make_inbox()
    own_s = 0.0
    while clock.now_s < 100.0 + since_s - 1e-9:
        clock.now_s = min(clock.now_s + 0.25, 100.0 + since_s)
        own_s = clock.now_s - 100.0
        send(inbox, clock, own_s, gravity=False, rating=3.0)
    assert inbox.is_mute is is_mute
    words = ["the phone gives no motion: its angle is missing"] if is_mute else []
    assert inbox.take_words() == words
    assert inbox.take_words() == []
    send(inbox, clock, own_s + 0.1)
    assert not inbox.is_mute
    assert inbox.take_words() == (["the phone gives motion again"] if is_mute else [])


@pytest.mark.parametrize("change", ["nobody", "no angle", "hidden", "silent"])
def test_who_cannot_give_motion_is_not_mute(change):
    inbox, clock = make_inbox(has_angle=change != "no angle")
    for k in range(1, 9):
        clock.now_s = 100.0 + 0.25 * k
        send(inbox, clock, 0.25 * k, gravity=False, rating=3.0)
    if change == "nobody":
        inbox.leave("p")
    if change == "hidden":
        inbox.hide("p", True)
    if change == "silent":
        clock.now_s += 0.9
    assert not inbox.is_mute


def test_what_happens_to_a_phone_is_told_and_only_of_the_one_that_is_the_sensor():
    inbox, _ = make_inbox()
    for who in ("other", "p", "p"):
        inbox.hide(who, True)
    inbox.hide("p", False)
    inbox.leave("other")
    assert inbox.who == "p"
    inbox.leave("p")
    assert inbox.take_words() == [
        "the phone's page is in the background",
        "the phone's page is back",
        "the phone measures no more",
    ]
    assert (inbox.who, inbox.put("p", [], [])) == ("", False)
    assert inbox.claim("q")


def test_a_page_that_was_hidden_has_a_second_and_a_half_to_give_motion():
    inbox, clock = make_inbox()
    inbox.hide("p", True)
    clock.now_s += 60.0
    inbox.hide("p", False)
    send(inbox, clock, 60.0, gravity=False, rating=3.0)
    assert not inbox.is_mute
    inbox, clock = make_inbox(has_angle=False)
    clock.now_s += 60.0
    assert inbox.claim("p", has_angle=True)  # allowed just now
    assert not inbox.is_mute


def test_motion_readings_a_second_over_the_last_two():
    inbox, clock = make_inbox()
    assert np.isnan(inbox.rate_hz)
    for k in range(1, 41):
        clock.now_s = 100.0 + 0.1 * k
        inbox.put("p", [(0.1 * k + j / 50, *DOWN) for j in range(5)], [])
        if k == 5:
            assert np.isnan(inbox.rate_hz)  # half a second tells nothing yet
        if k == 7:
            assert inbox.rate_hz == pytest.approx(50.0)
    assert inbox.rate_hz == pytest.approx(50.0)
    clock.now_s += 1.0
    assert inbox.rate_hz == pytest.approx(50.0 * 0.9 / 1.9, rel=0.1)
    clock.now_s += 1.5
    assert np.isnan(inbox.rate_hz)


@pytest.mark.parametrize(("age_s", "is_there"), [(0.0, True), (0.14, True), (0.16, False), (-0.01, False)])
def test_a_reading_holds_for_a_short_while(age_s, is_there):
    """It is taken 40 ms before it stands there: the way by radio."""
    inbox, clock = make_inbox()
    send(inbox, clock, 7.0, rating=4.5)  # arrives at once: the phone's 7 s are our 100 s
    gravity, ratings = inbox.look_up(np.array([100.04 + age_s]))
    assert np.isfinite(gravity).all() == np.isfinite(ratings).all() == is_there
    if is_there:
        assert gravity.tolist() == [list(DOWN)]
        assert ratings.tolist() == [4.5]


def test_readings_that_are_not_later_are_left_out_and_old_ones_forgotten():
    inbox, clock = make_inbox()
    inbox.put("p", [(1.0, 1.0, 0.0, 0.0), (1.0, 2.0, 0.0, 0.0), (0.9, 3.0, 0.0, 0.0), (1.1, 4.0, 0.0, 0.0)], [])
    gravity, _ = inbox.look_up(np.array([100.04 - 0.1, 100.04 + 0.001]))
    assert gravity[:, 0].tolist() == [1.0, 4.0]
    for k in range(100):
        clock.now_s = 100.0 + 0.1 * k
        send(inbox, clock, 1.1 + 0.1 * k)
    inbox.look_up(np.array([clock.now_s]))
    assert 20 <= len(inbox._gravity.own_s) <= 23  # two seconds are kept


@pytest.mark.parametrize(
    ("later_s", "jumps"),
    [(0.1, False), (-0.1, True), (1.05, False), (1.15, True)],
)
def test_a_clock_that_runs_ahead_by_more_than_a_second_has_jumped(later_s, jumps):
    inbox, clock = make_inbox()
    send(inbox, clock, 50.0)
    clock.now_s += 0.1
    send(inbox, clock, 50.0 + later_s)
    assert inbox.take_words() == (["the phone's clock jumped"] if jumps else [])


@pytest.mark.parametrize(("pause_s", "behind_s", "jumps"), [(0.9, 1.2, True), (0.9, 1.1, False), (1.1, 9.0, False)])
def test_a_clock_that_fell_behind_while_it_was_heard_has_jumped(pause_s, behind_s, jumps):
    inbox, clock = make_inbox()
    for k in range(4):
        clock.now_s = 100.0 + 0.1 * k
        send(inbox, clock, 50.0 + 0.1 * k)
    clock.now_s += pause_s
    own_s = 50.3 + max(0.001, pause_s - behind_s)
    for _ in range(3 if pause_s > 1 else 1):
        send(inbox, clock, own_s)
    lag_s = pause_s - (own_s - 50.3)
    assert (inbox.take_words() == ["the phone's clock jumped"]) is (jumps and lag_s > 1.15)


def test_the_first_attitude_is_the_reference_and_motion_is_no_angle():
    inbox, _ = make_inbox()
    moving, flat, up = np.array([0.0, 0.0, 14.0]), np.array([0.0, 0.0, 9.81]), np.array([0.0, 9.81, 0.0])
    angles = inbox.turn(np.array([moving, flat, moving, up, flat]))
    assert np.isnan(angles).tolist() == [True, False, True, False, False]
    assert np.abs(angles[[1, 3, 4]]).tolist() == pytest.approx([0.0, 90.0, 0.0], abs=1e-6)
