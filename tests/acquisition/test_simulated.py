"""The simulated source behaves like a board on a wire: paced, unpluggable, described by its URL."""

import threading

import numpy as np
import pytest

from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.simulated import SimulatedSource, open_simulated
from biofeedback.errors import SourceError
from biofeedback.model import Cue, Gap, Note


class FakeClock:
    """Time passes only by sleeping (and by ``pass_time``)."""

    def __init__(self):
        self.now_s, self.sleeps_s = 100.0, []

    def __call__(self):
        return self.now_s

    def sleep(self, duration_s):
        assert 0 < duration_s <= 0.05
        self.sleeps_s.append(duration_s)
        self.now_s += duration_s


def opened(url):
    clock = FakeClock()
    source = open_simulated(url, clock=clock, sleep=clock.sleep)
    source.open()
    return source, clock


def read_until_unplugged(source):
    data = b""
    for _ in range(10_000):
        try:
            data += source.read()
        except SourceError:
            return data
    raise AssertionError("never unplugged")


def rows(data):
    return np.array([[int(word) for word in line.split()] for line in data.splitlines()])


def test_lines_are_sequence_and_counts():
    source, _ = opened("simulated:?channels=force,emg,position")
    data = source.produce_bytes(1000)
    assert data.endswith(b"\n")
    table = rows(data)
    assert table.shape == (1000, 4)
    assert table[:, 0].tolist() == list(range(1000))
    assert source.columns == ("seq", "force", "emg", "position")
    assert [c.kind for c in source.channels] == ["force", "emg", "position"]
    assert source.is_simulated
    assert rows(source.produce_bytes(1))[0, 0] == 1000


def test_bytes_do_not_depend_on_reads_or_pace():
    url = "simulated:?seed=3&channels=force,emg&rate=500"
    whole = open_simulated(url).produce_bytes(1500)
    source, clock = opened(url)
    paced = b""
    while source.simulator.next_frame < 1500 and clock.now_s < 110:
        paced += source.read()
    assert paced[: len(whole)] == whole[: len(paced)]
    assert clock.now_s - 100.0 == pytest.approx(3.0, abs=0.06)


def test_real_time_needs_at_most_a_hundred_wake_ups_a_second():
    source, clock = opened("simulated:?rate=1000")
    while clock.now_s < 110.0:
        source.read()
    assert source.simulator.next_frame == pytest.approx(10_000, abs=20)
    assert len(clock.sleeps_s) <= 1010


def test_slow_board_sleeps_at_most_50_ms_per_read():
    source, clock = opened("simulated:?rate=10")
    n_reads = 0
    while clock.now_s < 105.0:
        source.read()
        n_reads += 1
    assert source.simulator.next_frame == pytest.approx(50, abs=1)
    assert n_reads < 200


@pytest.mark.parametrize("speed", [4.0, 0.5])
def test_speed_is_in_times_real_time(speed):
    source, clock = opened(f"simulated:?speed={speed}")
    while clock.now_s < 102.0:
        source.read()
    assert source.simulator.next_frame == pytest.approx(2000 * speed, rel=0.02)


def test_as_fast_as_possible_never_sleeps():
    source, clock = opened("simulated:?fast=1")
    for _ in range(20):
        assert source.read()
    assert source.simulator.next_frame == 1600
    assert clock.sleeps_s == []


def test_stalled_host_catches_up_in_bounded_reads():
    source, clock = opened("simulated:?rate=1000")
    clock.now_s += 2.0
    sizes = [len(source.read().splitlines()) for _ in range(8)]
    assert sizes == [250] * 8


def test_unplugged_sensor_comes_back_with_a_hole_in_the_sequence():
    source, clock = opened("simulated:?unplug_at=1&unplug_for=2")
    data = read_until_unplugged(source)
    assert len(rows(data)) == 1000
    while not source.reopen() and clock.now_s < 110:
        clock.now_s += 0.25
    table = rows(data + source.read())[:, 0]
    holes = np.diff(table)
    assert holes.max() == pytest.approx(2000, abs=260)
    assert np.sum(holes > 1) == 1
    assert clock.now_s - 100.0 == pytest.approx(3.0, abs=0.3)
    for _ in range(100):
        source.read()
    assert source.reopen()


def test_unplugged_without_a_clock():
    source, _ = opened("simulated:?fast=1&unplug_at=1&unplug_for=2")
    read_until_unplugged(source)
    with pytest.raises(SourceError, match="has been unplugged"):
        source.read()
    assert source.reopen()
    assert rows(source.read())[0, 0] == 3000


def test_cues_from_another_thread_are_followed_and_answered():
    source, _ = opened("simulated:?fast=1&rate=100")
    for cue in (Cue("relax"), Cue("rate")):
        thread = threading.Thread(target=source.cue, args=(cue,))
        thread.start()
        thread.join()
    assert source.said is None
    source.produce_bytes(400)
    assert source.said is not None
    source.cue(Cue("rate"))
    assert source.said is None


def test_closed_source_reads_nothing():
    source, clock = opened("simulated:")
    assert source.read()
    source.close()
    assert source.read() == b""
    clock.now_s += 60
    source.open()
    assert len(source.read().splitlines()) == pytest.approx(16, abs=1)


def test_options_reach_the_athlete():
    source = open_simulated("simulated:?athlete=B07&effect=1.5&dose=line&seed=12&maximum=250&rating_step=1&clip=100")
    athlete = source.simulator.athlete
    assert (athlete.code, athlete.effect_points, athlete.dose, athlete.seed) == ("B07", 1.5, "line", 12)
    assert (athlete.maximum_newton, athlete.rating_step) == (250.0, 1.0)
    assert source.channels[0].rail_high_counts == 200_000
    assert "B07" in source.description


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("sped=2", "no option 'sped'; did you mean speed"),
        ("rate=fast", "rate=fast cannot be used; give a number"),
        ("rate=0", "rate=0 cannot be used"),
        ("seed=-1", "seed=-1 cannot be used"),
        ("seed=1.5", "seed=1.5 cannot be used"),
        ("speed=0", "speed=0 cannot be used"),
        ("channels=torque", "begin its name with force, emg, position"),
        ("channels=emg@raw", "'raw' is not known"),
        ("channels=force,force", "a name comes twice"),
        ("channels=force:kg", "force is simulated in N; write force alone"),
        ("channels=emg*0.5", "emg is simulated in uV"),
        ("dose=cliff", "use none, line or saturating"),
        ("maximum=0", "must be above 0"),
        ("effect=nan", "effect=nan cannot be used"),
    ],
)
def test_wrong_options_name_their_cure(query, words):
    with pytest.raises(SourceError, match=words):
        open_simulated(f"simulated:?{query}")


def test_the_least_that_an_option_may_be_is_taken():
    source = open_simulated("simulated:?unplug_at=0&unplug_for=0&rate=1&speed=0.01&hum=0")
    assert source.rate_hz == 1.0
    with pytest.raises(SourceError, match=r"unplug_at=-0\.1 cannot be used; give a number of at least 0"):
        open_simulated("simulated:?unplug_at=-0.1")


def test_a_bare_url_is_a_force_sensor():
    source = open_simulated("simulated:")
    assert isinstance(source, SimulatedSource)
    assert [c.name for c in source.channels] == ["force"]
    assert source.rate_hz == 1000.0


def test_reader_sees_the_unplugged_time_as_a_gap():
    clock = FakeClock()
    source = open_simulated("simulated:?channels=force,emg&unplug_at=1&unplug_for=2", clock=clock, sleep=clock.sleep)
    reader = Reader(source, clock=clock, sleep=clock.sleep)
    source.open()
    items = []
    while clock.now_s < 105.0:
        items += reader.read()
    frames = [item for item in items if not isinstance(item, Note)]
    missing = sum(item.n_frames for item in frames if isinstance(item, Gap))
    assert 2000 <= missing <= 3100  # back after 2 s, noticed within another one
    assert sum(item.n_frames for item in frames) == pytest.approx(5000, abs=60)
    assert [item.first_frame for item in frames][1:] == [item.end_frame for item in frames][:-1]


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("joint=nose", "joint=nose is not known; use "),
        ("relaxation_s=0", "relaxation_s=0 must be above 0; leave it out for the default"),
        ("carry_over_s=0", "carry_over_s=0 must be above 0"),
        ("rating_step=-1", "rating_step=-1 must be above 0"),
        ("half_effort_percent=0", "half_effort_percent=0 must be above 0"),
        ("maximum=1e9", "maximum=1e9 cannot be used; give a number"),
        ("rate=0.9", "rate=0.9 cannot be used; give a number of at least 1"),
        ("speed=0.009", "speed=0.009 cannot be used; give a number of at least 0.01"),
        ("clip=0", "clip=0 cannot be used; give a number of at least 0.001"),
        ("hum=-1", "hum=-1 cannot be used; give a number of at least 0"),
        ("unplug_for=-1", "unplug_for=-1 cannot be used"),
    ],
)
def test_an_option_says_its_bound(query, words):
    with pytest.raises(SourceError, match=words):
        open_simulated(f"simulated:?{query}")


def test_what_is_not_said_is_usual():
    source = open_simulated("simulated:?passive=0&effect=-4&drift=-1&seed=0")
    athlete = source.simulator.athlete
    assert (athlete.passive_newton, athlete.effect_points, athlete.seed, athlete.joint) == (0.0, -4.0, 0, "knee")
    assert (source._speed, source._unplug_frame, source._unplug_for_s) == (1.0, None, 3.0)
    assert open_simulated("simulated:").simulator.athlete.seed == 1
    unplugged = open_simulated("simulated:?unplug_at=1.5&rate=10&unplug_for=7")
    assert (unplugged._unplug_frame, unplugged._unplug_for_s) == (15, 7.0)


@pytest.mark.parametrize(
    ("query", "speed"),
    [
        ("speed=max", None),
        ("fast=1", None),
        ("fast=0", 1.0),
        ("fast=", 1.0),
        ("speed=2.5", 2.5),
        ("fast=0&speed=3", 3.0),
    ],
)
def test_how_fast_it_plays(query, speed):
    assert open_simulated(f"simulated:?{query}")._speed == speed


def test_only_the_force_is_clipped():
    force, emg = open_simulated("simulated:?channels=force,emg@envelope&clip=50").channels
    assert (force.rail_low_counts, force.rail_high_counts) == (-100_001, 100_000)
    assert (emg.envelope, emg.rail_low_counts, emg.rail_high_counts) == (True, 0, 32_767)
    (plain,) = open_simulated("simulated:?channels=force:N").channels
    assert (plain.rail_low_counts, plain.rail_high_counts) == (-(2**23), 2**23 - 1)


def test_the_joint_is_that_of_the_exercise_unless_the_url_says_it():
    source = open_simulated("simulated:?seed=1")
    source.tire_as("ankle", rest_speed=3.0)
    assert (source.simulator.athlete.joint, source.simulator.athlete.rest_speed) == ("ankle", 3.0)
    said = open_simulated("simulated:?joint=shoulder")
    said.tire_as("ankle")
    assert (said.simulator.athlete.joint, said.simulator.athlete.rest_speed) == ("shoulder", 1.0)
    said.tire_as("ankle", rest_speed=2.0)
    assert (said.simulator.athlete.joint, said.simulator.athlete.rest_speed) == ("shoulder", 2.0)
    said.produce_bytes(1)
    said.tire_as("knee", rest_speed=2.0)  # nothing would change
    with pytest.raises(ValueError, match="has moved already"):
        said.tire_as("knee", rest_speed=4.0)


def test_time_that_was_lost_is_made_up_for_in_bounded_reads_and_without_a_frame_too_many():
    source, clock = opened("simulated:?rate=100&speed=2")
    assert source.read() != b""
    clock.now_s += 10.0
    assert len(source.read().splitlines()) == 50  # a quarter of a second at twice the speed
    source.close()
    assert source._n_due() == 0
    source.open()
    assert source._n_due() == 0
    clock.now_s += 1.0
    assert source._n_due() == 200
