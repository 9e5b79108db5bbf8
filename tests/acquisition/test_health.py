import numpy as np
import pytest
from scipy.signal import welch

from biofeedback.acquisition.health import (
    DRIFT_LOOK_PPM,
    Watched,
    compute_spectrum,
    draw_strip,
    find_clipped,
    judge_sensor,
    measure_hum,
)
from biofeedback.model import Channel, Chunk, Gap

RATE_HZ = 1000.0
EMG = Channel(name="emg", kind="emg", rail_low_counts=0, rail_high_counts=1023)
FORCE = Channel(name="force", kind="force")
T = np.arange(10_000) / RATE_HZ


def muscle(rng, sd=40.0):
    """Noise between 20 and 300 Hz, as a muscle's surface signal has it."""
    spectrum = np.fft.rfft(rng.standard_normal(len(T)))
    frequency = np.fft.rfftfreq(len(T), 1 / RATE_HZ)
    spectrum[(frequency < 20) | (frequency > 300)] = 0
    x = np.fft.irfft(spectrum, len(T))
    return sd * x / x.std()


def watch(x, channel=EMG, *, rate_hz=RATE_HZ, items=None, arrivals=None, n_bad=0):
    counts = np.round(np.asarray(x, dtype=float))[:, None]
    batches = [(0.01 * (k + 1), round(RATE_HZ / 100)) for k in range(len(counts) // round(RATE_HZ / 100))]
    return judge_sensor(
        Watched([channel], rate_hz, items or [Chunk(0, counts)], arrivals or batches, len(counts), n_bad)
    )


def about(findings, text):
    [finding] = [finding for finding in findings if text in finding.text]
    return finding


@pytest.fixture
def rng():
    return np.random.default_rng(3)


def test_a_good_sensor_is_called_good(rng):
    findings = watch(512 + muscle(rng))
    assert {finding.state for finding in findings} == {"good"}
    assert all(not finding.cure for finding in findings)
    assert about(findings, "frames/s").text == "1000 frames/s, declared 1000 (+0.0 %)"


@pytest.mark.parametrize(("share", "state"), [(0.1, "good"), (0.35, "look"), (0.7, "bad")])
@pytest.mark.parametrize("mains_hz", [50, 60])
def test_share_of_hum_is_measured(rng, share, state, mains_hz):
    hum = 40 * np.sqrt(2 * share / (1 - share)) * np.sin(2 * np.pi * mains_hz * T)
    finding = about(watch(512 + muscle(rng) + hum), "hum")
    measured = float(finding.text.split(" %")[0])
    assert measured == pytest.approx(100 * share, abs=4)
    assert f"{mains_hz} Hz" in finding.text or share == 0.1
    assert finding.state == state


def test_loose_electrode(rng):
    drift = np.cumsum(rng.standard_normal(len(T))) * 5
    assert "electrode" in about(watch(512 + muscle(rng, 10) + drift), "below 20 Hz").text


def test_envelope_that_was_declared_raw_and_the_other_way_round(rng):
    envelope = np.convolve(np.abs(muscle(rng)), np.ones(100) / 100, "same") * (1 + 3 * (np.sin(T) > 0.9)) + 5
    finding = about(watch(envelope), "looks like an envelope")
    assert finding.cure == "if the board smooths, write emg@envelope"
    declared = Channel(name="emg", kind="emg", envelope=True)
    assert about(watch(512 + muscle(rng), declared), "looks like raw").state == "bad"
    assert all(f.state == "good" for f in watch(envelope, declared))


def test_clipping_on_declared_rails(rng):
    finding = about(watch(np.clip(900 + muscle(rng, 100), 0, 1023)), "rail")
    assert finding.state == "bad"
    share = float(np.mean(np.round(np.clip(900 + muscle(np.random.default_rng(3), 100), 0, 1023)) == 1023))
    assert float(finding.text.split(" %")[0]) == pytest.approx(100 * share, rel=0.06)


def test_clipping_is_suspected_without_rails(rng):
    bare = Channel(name="emg", kind="emg")
    finding = about(watch(np.clip(900 + muscle(rng, 100), 0, 1023), bare), "clipped?")
    assert "emg@0..1023" in finding.cure


def test_dead_channel():
    assert about(watch(np.full(10_000, 512)), "dead").state == "bad"


def test_resolution_in_use(rng):
    findings = watch(4 * np.round(muscle(rng, 100) / 4), FORCE)
    text = about(findings, "steps of 4").text
    assert "bits" in text
    coarse = watch(512 + np.clip(np.round(muscle(rng, 1)), -2, 2))
    assert about(coarse, "steps in use").cure == "raise the gain of the board"


def test_rate_that_is_declared_wrong(rng):
    finding = about(watch(muscle(rng), FORCE, rate_hz=950.0), "frames/s")
    assert (finding.state, finding.cure) == ("bad", "use the rate that arrives: rate=1000")


def test_rate_is_not_judged_by_a_silence():
    batches = [(0.05 * k, 4) for k in range(100)] + [(6.5 + 0.05 * k, 4) for k in range(70)]  # 80 a second
    items = [Chunk(0, np.arange(400.0)[:, None]), Gap(400, 116, "no data"), Chunk(516, np.arange(280.0)[:, None])]
    finding = about(watch([0], FORCE, rate_hz=80.0, items=items, arrivals=batches), "frames/s")
    assert (finding.state, finding.text) == ("good", "80 frames/s, declared 80 (+0.0 %)")


def test_a_board_far_slower_than_declared_is_told_its_rate_though_it_looks_silent():
    items = [
        item for k in range(20) for item in (Chunk(40 * k, np.full((1, 1), float(k))), Gap(40 * k + 1, 39, "no data"))
    ]
    finding = about(
        watch([0], FORCE, rate_hz=80.0, items=items, arrivals=[(0.5 * k, 1) for k in range(20)]), "frames/s"
    )
    assert finding.cure == "use the rate that arrives: rate=2"


def test_a_channel_that_lives_only_outside_the_longest_run(rng):
    """A cable that fell off: five quiet seconds, a gap, another value."""
    items = [Chunk(0, np.full((5000, 1), 512.0)), Gap(5000, 10, "lost on the way"), Chunk(5010, np.full((9, 1), 513.0))]
    assert about(watch([0], EMG, items=items), "steps in use").about == "emg"


def test_gaps_bad_lines_and_pauses():
    items = [Chunk(0, np.arange(500.0)[:, None]), Gap(500, 100, "no data"), Chunk(600, np.arange(400.0)[:, None])]
    arrivals = [(0.01 * k, 10) for k in range(50)] + [(0.9 + 0.01 * k, 10) for k in range(40)]
    findings = watch([0], FORCE, items=items, arrivals=arrivals, n_bad=1)
    assert "1 gap, 100 frames missing (10 %), longest 0.1 s" in about(findings, "gap,").text
    assert about(findings, "unreadable").state == "bad"
    assert about(findings, "longest pause 410 ms").state == "look"


@pytest.mark.parametrize(("ppm", "state"), [(-80.0, "good"), (7000.0, "look")])
def test_clock_of_the_board(ppm, state):
    chunk = Chunk(0, np.arange(20.0)[:, None])
    findings = judge_sensor(Watched([FORCE], 100.0, [chunk], [(0.1, 10), (0.2, 10)], 20, 0, ppm))
    assert about(findings, "its clock is").state == state


def test_nothing_arrived():
    [finding] = judge_sensor(Watched([FORCE], 80.0, [], [(0.1, 0)], 0, 0))
    assert "no frames arrived" in finding.text


def test_strip_shows_the_shape():
    assert draw_strip(np.arange(8.0), width=8) == "▁▂▃▄▅▆▇█"
    assert draw_strip(np.ones(5), width=4) == "────"
    assert draw_strip(np.empty(0), width=4) == "    "


def test_one_outage_is_one_gap_however_its_news_came():
    outage = [Gap(1000 + 50 * k, 50, "no data") for k in range(20)]
    items = [Chunk(0, T[:1000, None]), *outage, Chunk(2000, T[:1000, None])]
    assert about(watch(T, FORCE, items=items), "frames missing").text.startswith("1 gap, 1000 frames missing")


@pytest.mark.parametrize(("new_hz", "state"), [(10, "bad"), (80, "look")])
def test_a_slow_converter_behind_a_fast_grid_is_seen(rng, new_hz, state):
    """A load cell read 10 or 80 times a second by a sketch that prints 1000 lines a second."""
    n_same = 1000 // new_hz
    x = np.repeat(1000 + 30 * rng.standard_normal(10 * new_hz), n_same)
    finding = about(watch(x[: len(T)], FORCE), "each reading comes")
    assert finding.state == state
    assert f"about {n_same} times: {new_hz * (1000 / new_hz) / n_same:.3g} new ones a second" in finding.text
    assert finding.cure


@pytest.mark.parametrize("sd", [0.2, 0.5, 3.0, 40.0])
def test_a_quiet_sensor_of_few_codes_is_no_slow_one(rng, sd):
    assert not [f for f in watch(500 + sd * rng.standard_normal(len(T)), FORCE) if "each reading comes" in f.text]


@pytest.mark.parametrize(("n_same", "is_told"), [(2, False), (3, True)])
def test_three_alike_are_one_too_many(rng, n_same, is_told):
    x = np.repeat(1000 + 30 * rng.standard_normal(5000), n_same)
    assert any("each reading comes" in f.text for f in watch(x[: len(T)], FORCE)) is is_told


def test_readings_that_stay_the_same_for_now_short_now_long_are_no_slow_converter(rng):
    lengths = rng.integers(4, 60, size=600)
    x = np.repeat(1000 + 30 * rng.standard_normal(len(lengths)), lengths)
    assert not [f for f in watch(x[: len(T)], FORCE) if "each reading comes" in f.text]


def test_the_rate_that_arrives_is_offered_at_one_press():
    arrivals = [(0.1 * k, 1) for k in range(1, 101)]
    finding = about(watch(T[:100] * 1000, FORCE, rate_hz=80.0, arrivals=arrivals), "frames/s")
    assert (finding.state, finding.fix["field"], finding.fix["value"]) == ("bad", "rate", "10")


def test_what_one_of_two_joined_boards_misses_does_not_hide_the_other(rng):
    counts = np.column_stack((512 + muscle(rng), np.full(len(T), np.nan)))
    batches = [(0.01 * (k + 1), 10) for k in range(1000)]
    findings = judge_sensor(Watched([EMG, FORCE], RATE_HZ, [Chunk(0, counts)], batches, 0, 0))
    assert [f.text for f in findings if f.about == "force"] == ["nothing came"]
    assert all(f.state == "good" for f in findings if f.about == "emg")


def test_a_force_is_said_in_its_unit_and_as_a_mass():
    """1 kg weighs 9.80665 N (3rd CGPM, 1901)."""
    newton = Channel(name="force", kind="force", unit="N", factor=0.980665)
    x = np.linspace(0, 100, len(T))
    assert "that is 0 to 98.07 N, as of 0 to 10 kg" in about(watch(x, newton), "in steps of").text


@pytest.mark.parametrize(
    ("low", "high", "value"),
    [
        (0, 1023, "0 to 1023"),
        (-32768, 32767, "-32768 to 32767"),
        (0, 4095, "0 to 4095"),
        (0, 3300, None),  # an amplifier's end is no converter's
    ],
)
def test_the_range_of_a_converter_at_its_end_is_offered_at_one_press(rng, low, high, value):
    bare = Channel(name="emg", kind="emg")
    swing = (high - low) / 2
    finding = about(watch(np.clip(high - swing / 8 + muscle(rng, swing / 10), low, high), bare), "clipped?")
    assert (finding.fix or {}).get("value") == value
    assert value is None or finding.fix["words"] == f"It counts from {value}"


@pytest.mark.parametrize("rate_hz", [1000.0, 81.0, 80.0, 4.0])
def test_the_spectrum_is_that_of_an_independent_library(rng, rate_hz):
    """Welch 1967 as scipy.signal.welch has it: Hann-windowed seconds that overlap by half, without their means."""
    n = round(rate_hz)
    x = 5 + rng.standard_normal(10 * n + n // 3)
    frequency, power = compute_spectrum(x, rate_hz)
    expected_hz, expected = welch(
        x, rate_hz, window=np.hanning(n), nperseg=n, noverlap=n - n // 2, detrend="constant", scaling="density"
    )
    np.testing.assert_allclose(frequency, expected_hz)
    inside = slice(1, -1 if n % 2 == 0 else None)  # the two ends have no mirror image
    np.testing.assert_allclose(power[inside], expected[inside], rtol=1e-9)
    for short in (x[: 2 * n - 1], x[:0]):
        assert [len(one) for one in compute_spectrum(short, rate_hz)] == [0, 0]
    assert len(compute_spectrum(x[: 2 * n], rate_hz)[0]) == n // 2 + 1
    assert len(compute_spectrum(x, 3.0)[0]) == 0


def test_hum_is_what_stands_above_its_neighbours():
    frequency = np.arange(501.0)
    power = np.full(501, 2.0)
    assert measure_hum(power, frequency)[1] == 0.0
    power[50] += 100.0  # and half of it in the next
    power[51] += 50.0
    power[150] += 30.0
    power[55] = power[45] = 1e4  # neighbours of a line are judged by their middle
    assert measure_hum(power, frequency) == (50, pytest.approx(100 * 180 / power[1:].sum()))
    power[60] += 300.0
    assert measure_hum(power, frequency) == (60, pytest.approx(100 * 300 / power[1:].sum()))
    power[0] = 1e9  # a constant is no power
    assert measure_hum(power, frequency)[1] > 1
    assert measure_hum(np.zeros(501), frequency)[1] == 0.0


@pytest.mark.parametrize(
    ("n_bad", "n_lines", "state", "text"),
    [
        (0, 1000, "good", "0 of 1000 lines unreadable"),
        (1, 1000, "good", "1 of 1000 lines unreadable"),
        (20, 1000, "look", "2 % of lines unreadable"),
        (500, 1000, "look", "50 % of lines unreadable"),
        (501, 1000, "bad", "50 % of lines unreadable"),
        (0, 0, "good", "0 of 0 lines unreadable"),
    ],
)
def test_lines_that_cannot_be_read_are_bad_from_half_of_them_on(n_bad, n_lines, state, text):
    chunk = Chunk(0, np.arange(20.0)[:, None])
    finding = about(judge_sensor(Watched([FORCE], 100.0, [chunk], [(0.1, 10), (0.2, 10)], n_lines, n_bad)), "unread")
    assert (finding.state, finding.text) == (state, text)
    assert bool(finding.cure) == (state != "good")


@pytest.mark.parametrize(
    ("declared_hz", "state"),
    [(100.0, "good"), (99.1, "good"), (98.9, "look"), (97.0, "bad"), (101.1, "look"), (103.5, "bad")],
)
def test_a_rate_may_be_off_by_a_hundredth(declared_hz, state):
    arrivals = [(0.1 * k, 10) for k in range(60)]
    finding = about(watch(np.arange(600), FORCE, rate_hz=declared_hz, arrivals=arrivals), "frames/s")
    assert finding.state == state
    assert finding.text.startswith(f"100 frames/s, declared {declared_hz:g} (")
    assert (finding.fix is None) == (state == "good")
    if finding.fix:
        assert finding.fix == {"words": "Use 100 readings a second", "field": "rate", "value": "100"}


@pytest.mark.parametrize(
    ("pause_s", "state", "text"),
    [
        (0.29, "good", "batches every 10 ms, longest pause 290 ms"),
        (0.31, "look", "batches every 10 ms, longest pause 310 ms"),
    ],
)
def test_a_pause_of_three_tenths_counts_as_a_lost_signal(pause_s, state, text):
    arrivals = [(0.01 * k, 10) for k in range(200)] + [(1.99 + pause_s + 0.01 * k, 10) for k in range(20)]
    arrivals.insert(50, (0.495, 0))  # a batch of nothing is no arrival
    finding = about(watch(T, FORCE, arrivals=arrivals), "batches every")
    assert (finding.state, finding.text) == (state, text)
    assert finding.cure.startswith("a pause above 300 ms counts as a lost signal: ") == (state == "look")


@pytest.mark.parametrize(
    ("ppm", "text"),
    [(12.4, "its clock is 12 ppm fast"), (-3.0, "its clock is 3 ppm slow"), (0.0, "its clock is 0 ppm slow")],
)
def test_which_way_a_clock_is_off(ppm, text):
    chunk = Chunk(0, np.arange(20.0)[:, None])
    assert (
        about(judge_sensor(Watched([FORCE], 100.0, [chunk], [(0.1, 10), (0.2, 10)], 20, 0, ppm)), "clock").text == text
    )


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_clock_may_be_off_by_what_a_crystal_is(sign):
    chunk = Chunk(0, np.arange(20.0)[:, None])
    for ppm, state in ((DRIFT_LOOK_PPM, "good"), (DRIFT_LOOK_PPM + 1, "look")):
        findings = judge_sensor(Watched([FORCE], 100.0, [chunk], [(0.1, 10), (0.2, 10)], 20, 0, sign * ppm))
        assert about(findings, "clock").state == state


def test_the_longest_run_goes_over_chunks_and_ends_at_gaps_and_at_what_did_not_come():
    nan = np.nan
    column = [[1.0, 2.0], [3.0], [4.0, nan, 5.0, 6.0, 7.0], [8.0]]
    first = 0
    items = []
    for part in column:
        items.append(Chunk(first, np.array(part)[:, None]))
        first += len(part)
    watched = Watched([FORCE], 10.0, items, [], 0, 0)
    assert watched.longest_run(0).tolist() == [1.0, 2.0, 3.0, 4.0]
    later = [*items[:3], Gap(8, 2, "lost"), Chunk(10, np.array([[9.0], [10.0]]))]
    assert Watched([FORCE], 10.0, later, [], 0, 0).longest_run(0).tolist() == [1.0, 2.0, 3.0, 4.0]
    longer = [*items[1:], Gap(9, 1, "lost")]
    assert Watched([FORCE], 10.0, longer, [], 0, 0).longest_run(0).tolist() == [5.0, 6.0, 7.0, 8.0]
    assert Watched([FORCE], 10.0, [], [], 0, 0).longest_run(0).tolist() == []
    assert Watched([FORCE], 10.0, [], [], 0, 0).counts().shape == (0, 1)


def test_gaps_with_something_between_are_two():
    items = [Gap(0, 5, "a"), Gap(5, 5, "b"), Chunk(10, np.zeros((1, 1))), Gap(11, 4, "b")]
    found = Watched([FORCE], 10.0, items, [], 0, 0).outages()
    assert [(gap.first_frame, gap.n_frames) for gap in found] == [(0, 10), (11, 4)]


def test_what_lies_on_an_end_is_clipped_from_a_twentieth_of_the_samples_on():
    bare = Channel(name="force", kind="force")
    for n_stuck, is_clipped in ((5, True), (4, False)):
        counts = np.arange(100.0)
        counts[:n_stuck] = 0.0
        assert find_clipped(bare, counts).sum() == (n_stuck if is_clipped else 0)
        counts[-n_stuck:] = 200.0
        assert find_clipped(bare, counts).sum() == (2 * n_stuck if is_clipped else 0)
    assert not find_clipped(bare, np.repeat(np.arange(5.0), 20)).any()  # few codes are no rails
    railed = Channel(name="force", kind="force", rail_low_counts=-5.0, rail_high_counts=5.0)
    assert find_clipped(railed, np.array([-6.0, -5.0, -4.0, 4.0, 5.0, 6.0])).tolist() == [1, 1, 0, 0, 1, 1]


@pytest.mark.parametrize(
    ("channel", "said"),
    [
        (Channel(name="force", kind="force", unit="lbf", factor=0.5), "; that is 0 to 50 lbf"),
        (Channel(name="force", kind="force", unit="N", factor=-0.980665), "; that is -98.07 to 0 N, as of -10 to 0 kg"),
        (Channel(name="force", kind="force"), ""),
        (Channel(name="knee", kind="position", unit="deg", factor=0.1), ""),
    ],
)
def test_a_range_is_said_in_the_unit_of_a_force(channel, said):
    text = about(watch(np.linspace(0, 100, len(T)), channel), "in steps of").text
    assert text == f"0 to 100 in steps of 1: 101 steps in use ({np.log2(101):.1f} bits){said}"


def test_a_strip_shows_where_nothing_was():
    assert draw_strip(np.arange(3.0), width=4) == "▁▅█ "
    assert draw_strip(np.array([0.0, 0.0, 10.0, 10.0, 5.0, 5.0]), width=3) == "▁█▅"
    assert draw_strip(np.array([1.0, 1.1, 1.0]), width=3) == "▁█▁"


@pytest.mark.parametrize(
    ("slow", "told"), [(1.0, None), (3.0, "75 % of its power lies below 20 Hz: loose or dry electrode")]
)
def test_power_below_20_hz_is_told_in_percent(slow, told):
    """Two tones of which one has as many times the power of the other."""
    x = 512 + 100 * (np.sqrt(slow) * np.sin(2 * np.pi * 10 * T) + np.sin(2 * np.pi * 110 * T))
    texts = [finding.text for finding in watch(x) if "below 20 Hz" in finding.text]
    assert texts == ([told] if told else [])
