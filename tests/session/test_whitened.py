"""A steadier EMG level from the maximum on: the same live and afterwards, plain where nothing is on record."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from biofeedback.account.kinds import AttemptMade, MaximumSet, Noted, try_read
from biofeedback.analysis.answer import analyse_recording
from biofeedback.analysis.trace import compute_trace
from biofeedback.model import Channel, Chunk, Event
from biofeedback.report.tables import list_settings
from biofeedback.session.engine import Engine
from biofeedback.session.setup import Setup
from biofeedback.signal.emg import find_wandering_percent
from biofeedback.signal.levels import LevelStream
from biofeedback.signal.mains import WEAK
from biofeedback.storage.recording import open_recording

from ..made_attempts import smooth_noise
from .conftest import make_plan

DEMO = Path(__file__).resolve().parents[2] / "recordings-demo"
RATE_HZ = 1000
EMG = Channel(name="emg", kind="emg", unit="uV")
FORCE = Channel(name="force", kind="force", unit="N")


def make_muscle(rng: np.random.Generator, activation: np.ndarray, noise: float = 3.0) -> np.ndarray:
    """Microvolts with the uneven spectrum f exp(-f / 25 Hz), RMS ``activation`` (n,), and an amplifier's noise."""
    n = activation.size
    frequency_hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    carrier = np.fft.irfft(np.fft.rfft(rng.normal(size=n)) * np.sqrt(frequency_hz * np.exp(-frequency_hz / 25)), n)
    return activation * carrier / carrier.std() + rng.normal(0, noise, n)


@dataclass
class Recorded:
    """What a recording is to the analysis."""

    channels: tuple[Channel, ...]
    rate_hz: float
    settings: dict[str, Any] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    chunks: list[Chunk] = field(default_factory=list)

    def items(self) -> list[Chunk]:
        return self.chunks


class Evening:
    """A session with raw EMG whose chunks are cut as told; live efforts and levels are kept."""

    def __init__(self, *channels: Channel, chunk: int = 16, seed: int = 1) -> None:
        self.engine = Engine(channels, RATE_HZ, Setup(rest_s=2.0), [make_plan()])
        self.recorded = Recorded(tuple(channels), RATE_HZ)
        self.rng, self.chunk, self.frame = np.random.default_rng(seed), chunk, 0
        self.percent: list[np.ndarray] = []
        push = self.engine.effort.push

        def keep(levels: Any) -> Any:
            effort = push(levels)
            self.percent.append(effort.percent)
            return effort

        self.engine.effort.push = keep  # type: ignore[method-assign]

    def do(self, **message: Any) -> None:
        self.engine.command(message)
        self.recorded.events += self.engine.take_events()

    def wait(self, seconds: float, strengths: float | list[float]) -> None:
        """Time passes, each channel at this strength, rising and falling within a fifth of a second."""
        n = round(seconds * RATE_HZ)
        each = [strengths] * len(self.recorded.channels) if isinstance(strengths, float) else strengths
        edge = np.clip(np.minimum(np.arange(n), np.arange(n)[::-1]) / 200, 0, 1)
        columns = [
            make_muscle(self.rng, strength * edge)
            if channel.kind == "emg"
            else 10 + strength * edge * (1 + 0.01 * smooth_noise(self.rng, n, RATE_HZ, 2)) + self.rng.normal(0, 0.2, n)
            for channel, strength in zip(self.recorded.channels, each, strict=True)
        ]
        counts = np.round(np.column_stack(columns), 1)
        for at in range(0, n, self.chunk):
            chunk = Chunk(self.frame + at, counts[at : at + self.chunk])
            self.recorded.chunks.append(chunk)
            self.engine.push(chunk)
            self.recorded.events += self.engine.take_events()
        self.frame += n

    def find_maximum(self, strengths: list[float | list[float]]) -> None:
        for strength in strengths:
            self.do(do="attempt")
            self.wait(self.engine.setup.countdown_s, 0.0)
            self.wait(self.engine.setup.push_s, strength)
            if self.engine.activity:
                self.wait(self.engine.setup.rest_between_attempts_s, 0.0)

    def begin(self) -> None:
        self.do(do="accept_cautions")
        self.do(do="zero")
        self.wait(2.5, 0.0)

    def said(self, kind: type) -> list[Any]:
        return [payload for payload in map(try_read, self.recorded.events) if isinstance(payload, kind)]


def hold(evening: Evening, strengths: list[float]) -> None:
    for strength in strengths:
        evening.wait(2.0, 0.0)
        evening.wait(6.0, strength)
    evening.wait(2.0, 0.0)


@pytest.fixture(scope="module")
def evening() -> Evening:
    evening = Evening(EMG)
    evening.begin()
    evening.find_maximum([190.0, 200.0, 195.0])
    hold(evening, [50.0, 100.0, 160.0])
    return evening


def test_the_maximum_brings_its_filter_on_record(evening: Evening) -> None:
    (maximum,) = (said.maximum for said in evening.said(MaximumSet))
    whitener = maximum.whitener
    assert whitener is not None
    assert len(whitener.coefficients) == 7
    assert whitener.bandwidth_after_hz > 2 * whitener.bandwidth_before_hz
    frame = next(event.frame for event in evening.recorded.events if event.kind == "maximum")
    assert 0 <= whitener.from_level - frame // 10 <= 100, "within the second after"
    best = max(evening.said(AttemptMade), key=lambda made: made.channels["emg"].value)
    assert best.channels["emg"].whitener == replace(whitener, from_level=0)


def test_on_a_noisy_board_a_few_quiet_moments_do_not_end_a_contraction(evening: Evening) -> None:
    """What the filter adds to this board's noise is more than a light band; the demo's board is quiet."""
    (noisy,) = (said.maximum.whitener for said in evening.said(MaximumSet))
    assert noisy is not None
    assert noisy.rest_excess > noisy.plain_below**2
    assert noisy.release_s == 0
    said = (try_read(event) for event in open_recording(DEMO / "A01.hold").events)
    (quiet,) = (one.maximum.whitener for one in said if isinstance(one, MaximumSet) and one.maximum.channel == "emg")
    assert quiet is not None
    assert quiet.rest_excess < quiet.plain_below**2
    assert quiet.release_s > 0


@pytest.mark.parametrize("chunk", [7, 16, 250, 6000])
def test_live_is_afterwards_bit_for_bit_however_it_came(chunk: int) -> None:
    evening = Evening(EMG, FORCE, chunk=chunk)
    evening.begin()
    evening.find_maximum([[200.0, 400.0]] * 3)
    hold(evening, [60.0])
    evening.do(do="zero")
    evening.wait(2.5, 0.0)
    evening.find_maximum([[150.0, 300.0]] * 3)  # a second search: another filter takes the place of the first
    hold(evening, [60.0])
    assert len([said for said in evening.said(MaximumSet) if said.maximum.whitener]) == 2
    live = np.concatenate(evening.percent)
    after = compute_trace(evening.recorded)
    assert live.tobytes() == after.percent[: len(live)].tobytes()


def effort_in(evening: Evening, percent: np.ndarray, number: int) -> np.ndarray:
    """Effort of the middle four seconds of hold ``number`` (from 0)."""
    end = evening.frame // 10 - 200
    first = end - (3 - number) * 800 + 200
    return percent[first + 150 : first + 550, 0]


def test_the_percentage_stays_and_gets_steadier(evening: Evening) -> None:
    whitened = compute_trace(evening.recorded).percent
    bare = [
        replace(event, data={key: value for key, value in event.data.items() if key != "whitener"})
        for event in evening.recorded.events
    ]
    plain = compute_trace(replace(evening.recorded, events=bare)).percent
    for number, expected in enumerate((25, 50, 80)):
        before, after = effort_in(evening, plain, number), effort_in(evening, whitened, number)
        assert after.mean() == pytest.approx(expected, rel=0.08)
        assert after.std() / after.mean() < 0.8 * before.std() / before.mean()
    resting = whitened[-100:, 0]
    assert np.nanmean(resting) < 2.0


def test_the_report_says_how_restless_the_level_is_as_it_was_measured(evening: Evening) -> None:
    percent = compute_trace(evening.recorded).percent
    seen = [100 * float(held.std() / held.mean()) for held in (effort_in(evening, percent, k) for k in (1, 2))]
    analysis = analyse_recording(evening.recorded)
    (text,) = (value for name, value in list_settings(analysis) if name == "Muscle activity wanders by itself")
    after, before = (float(part.split(" %")[0].split()[-1]) for part in text.split("about")[1].split(","))
    assert after == pytest.approx(np.mean(seen), rel=0.4), "four seconds hold some sixteen windows: a rough measure"
    assert before > 1.15 * after, "each from three seconds"
    assert text.startswith("emg: about ")


def test_a_recording_from_before_the_scatter_was_measured_keeps_its_words(evening: Evening) -> None:
    def strip(event: Event) -> Event:
        whitener = event.data.get("whitener")
        if event.kind != "maximum" or not whitener:
            return event
        new = ("independent_hz", "plain_independent_hz")
        assert set(new) <= set(whitener)
        kept = {key: value for key, value in whitener.items() if key not in new}
        return replace(event, data=dict(event.data) | {"whitener": kept})

    before = replace(evening.recorded, events=[strip(event) for event in evening.recorded.events])
    analysis = analyse_recording(before)
    (text,) = (value for name, value in list_settings(analysis) if name == "Muscle activity wanders by itself")
    (maximum,) = (said.maximum for said in evening.said(MaximumSet))
    assert maximum.whitener is not None
    assert f"about {find_wandering_percent(maximum.whitener.bandwidth_after_hz):.0f} % of" in text
    found = analysis.trace.maxima[0][1].whitener
    assert found is not None
    assert found.release_s == found.independent_hz == 0.0


def test_a_recording_from_before_shows_what_it_showed(evening: Evening) -> None:
    """Without a filter on record the levels are those of a stream that has never heard of one."""
    bare = [event for event in evening.recorded.events if event.kind != "maximum"]
    trace = compute_trace(replace(evening.recorded, events=bare))
    stream = LevelStream([EMG], RATE_HZ, hum_search=None)
    levels = np.concatenate([stream.push(chunk).values for chunk in evening.recorded.chunks])
    assert trace.level.tobytes() == levels.tobytes()


def test_a_maximum_that_brings_no_filter_takes_the_earlier_one_off(evening: Evening) -> None:
    again = Evening(EMG)
    again.begin()
    again.find_maximum([200.0, 200.0, 200.0])
    first = again.said(MaximumSet)[-1].maximum
    again.engine.set_maxima({"emg": replace(first, whitener=None)}, settled=True, by="test")
    again.recorded.events += again.engine.take_events()
    hold(again, [100.0])
    last = again.said(MaximumSet)[-1].maximum.whitener
    assert last is not None
    assert last.coefficients == (1.0,)
    live = np.concatenate(again.percent)
    assert live.tobytes() == compute_trace(again.recorded).percent[: len(live)].tobytes()


def test_a_maximum_carried_over_brings_its_filter_along(evening: Evening) -> None:
    maximum = evening.said(MaximumSet)[-1].maximum
    later = Evening(EMG)
    later.begin()
    later.engine.set_maxima({"emg": replace(maximum, method="carried")}, settled=True, by="carried over")
    later.recorded.events += later.engine.take_events()
    hold(later, [100.0])
    carried = later.said(MaximumSet)[-1].maximum.whitener
    assert carried.coefficients == maximum.whitener.coefficients
    live = np.concatenate(later.percent)
    assert live.tobytes() == compute_trace(later.recorded).percent[: len(live)].tobytes()
    assert np.nanmean(live[-600:-300, 0]) == pytest.approx(50, rel=0.1)


def test_an_emg_that_does_not_agree_with_itself_gets_no_maximum_and_it_is_said() -> None:
    evening = Evening(FORCE, EMG)
    evening.begin()
    evening.find_maximum([[400.0, 100.0], [402.0, 60.0], [398.0, 150.0]])
    assert set(evening.engine.maxima) == {"force"}
    (note,) = (said.text for said in evening.said(Noted))
    assert note.startswith("emg gets no maximum and is not used: the two best differ by")
    assert evening.engine.message is not None
    assert evening.engine.message["text"] == note


@pytest.mark.parametrize(
    ("beside", "strengths", "first", "last"),
    [(replace(FORCE, name="force2"), [400.0, 900.0], 0, 700), (EMG, [400.0, 600.0], -512, 511)],
)
def test_a_channel_beside_that_meets_its_end_is_told_with_its_own_reason(
    beside: Channel, strengths: list[float], first: int, last: int
) -> None:
    """It said "0 good attempts of 2", and to press the electrodes of a load cell on."""
    evening = Evening(FORCE, beside)
    push = evening.engine.push

    def convert(chunk: Chunk) -> None:
        counts = np.round(chunk.counts)
        counts[:, 1] = np.clip(counts[:, 1], first, last)
        push(Chunk(chunk.first_frame, counts))

    evening.engine.push = convert  # type: ignore[method-assign]
    evening.begin()
    evening.find_maximum([strengths] * 3)  # type: ignore[list-item]
    assert set(evening.engine.maxima) == {"force"}
    message = evening.engine.message
    assert message is not None
    assert f"{beside.name} gets no maximum and is not used" in message["text"]
    assert "of the attempt lie on one end" in message["text"]
    assert "lower the gain" in message["text"]
    assert message["cure"] == "mend that, then find the maximum again"


def test_an_emg_that_leads_is_asked_for_more_attempts_until_it_agrees() -> None:
    evening = Evening(EMG)
    evening.begin()
    evening.find_maximum([100.0, 102.0, 140.0])
    assert not evening.engine.maxima
    evening.find_maximum([137.0])
    assert evening.engine.maxima["emg"].strength == pytest.approx(140, rel=0.1)


def test_an_attempt_against_an_unsaid_end_of_the_converter_is_not_believed() -> None:
    """The whole way: three attempts at 4095 made a maximum once, with not one word about the sensor."""
    evening = Evening(FORCE)
    evening.begin()
    for _ in range(3):
        evening.do(do="attempt")
        evening.wait(evening.engine.setup.countdown_s, 0.0)
        n = round(evening.engine.setup.push_s * RATE_HZ)
        rise = np.clip(np.arange(n) / 300, 0, 1)
        counts = np.clip(np.round(10 + 6000 * rise + evening.rng.normal(0, 20, n)), 0, 4095)
        for at in range(0, n, 16):
            evening.engine.push(Chunk(evening.frame + at, counts[at : at + 16, None]))
        evening.frame += n
        evening.recorded.events += evening.engine.take_events()
        evening.wait(evening.engine.setup.rest_between_attempts_s, 0.0)
    assert not evening.engine.maxima
    reasons = [made.reason for made in evening.said(AttemptMade)]
    assert all("on one end, 4095 as sent" in reason for reason in reasons), reasons


def test_weak_hum_is_taken_out_as_the_recording_says_and_not_in_older_ones() -> None:
    """Hum of a fifth of the effort: live and afterwards alike with the search on record, without it as before."""
    evening = Evening(EMG)
    rng, n = np.random.default_rng(5), 30 * RATE_HZ
    counts = make_muscle(rng, np.full(n, 100.0)) + 20 * np.sqrt(2) * np.sin(2 * np.pi * 51.0 * np.arange(n) / RATE_HZ)
    for at in range(0, n, 160):
        chunk = Chunk(at, np.round(counts[at : at + 160, None], 1))
        evening.recorded.chunks.append(chunk)
        evening.engine.push(chunk)
    assert evening.engine.levels.mains_hz == pytest.approx(51.0, abs=0.3)
    now = compute_trace(replace(evening.recorded, settings={"hum_search": WEAK.to_dict()}))
    before = compute_trace(evening.recorded)
    assert (now.mains_hz, before.mains_hz) == (evening.engine.levels.mains_hz, None)
    assert now.level[-500:].mean() < 0.99 * before.level[-500:].mean()
    alone = LevelStream([EMG], RATE_HZ, hum_search=None)
    levels = np.concatenate([alone.push(chunk).values for chunk in evening.recorded.chunks])
    assert before.level.tobytes() == levels.tobytes()


def test_sessions_with_raw_emg_put_the_search_on_record() -> None:
    assert open_recording(DEMO / "A01.hold").settings["hum_search"] == WEAK.to_dict()
    assert "hum_search" not in open_recording(DEMO / "A02.hold").settings, "force alone"
