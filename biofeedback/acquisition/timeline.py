"""Frames onto the frame grid: what is missing becomes a gap of known length. Pure; time comes in as an argument."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

import numpy as np

from biofeedback.acquisition.clock import DeviceClock, RateMeter, TimeNumbering, TimeUnwrapper
from biofeedback.acquisition.decoder import BadLines, Decoded, Frames, Text, find_runs
from biofeedback.acquisition.remarks import Remarks
from biofeedback.model import Chunk, FloatArray, Gap, Item, Note

SILENCE_S = 0.3  # longer than any ordinary stall of USB or radio, shorter than an athlete's patience
SILENT_FRAMES = 2.0  # a board so slow that this takes longer than 0.3 s may be silent for as long
BURST_S = 1.5  # how long data may wait on a network or a radio and then come all at once
MOST_PATIENCE_S = 3.0
COLLECT_S = 0.15  # for the rest of a burst, before what is still lacking counts as lost
UNSURE_S = 0.1  # of when the wall clock expects a frame
MOST_DOUBTS, FORGIVEN = 10.0, 0.1  # impossible sequence numbers; and of them for each one that was as expected
AHEAD_S = 1.0  # by which missing frames may put a recording before the wall clock
SLACK_S = 0.1  # a gap written in silence stays this far behind the clock: the next frame may be under way
BELIEVED_STEP_S = 0.25  # a longer jump of the sequence number needs a second frame that confirms it
LATE_S = 0.5  # frames that keep coming late for longer than this were not late: the device had paused
SLOW_HZ = 320.0  # up to here device times are kept: a faster board's unevenness is far below a level's 10 ms
BOOT = "#boot"  # our boards say that they have started
_MODULI = (1 << 8, 1 << 16, 1 << 32)
_NEVER = 1 << 62


def find_silence_s(rate_hz: float) -> float:
    """Seconds without a frame after which a board of that rate counts as silent."""
    return max(SILENCE_S, SILENT_FRAMES / rate_hz)


class Timeline:
    """Places what a decoder delivers on the grid where frame k is at ``k / rate_hz`` seconds.

    Without sequence numbers every unreadable line is one missing frame. With them the length of a gap is exact, also
    over a wrap; device time alone does nearly as well. After a restart of the device, and in silence, the wall clock
    says how long it was.

    Parameters
    ----------
    rate_hz
        Frames per second, above 0.
    n_channels
        Columns of every chunk; frames of another width are not accepted.
    sequence_modulus
        Where the sequence number wraps; None recognises 8, 16 and 32 bits.
    first_sequence
        Sequence number of frame 0; None: the first one that comes.
    trusted
        The sequence came over no wire (a replay): every forward step is believed at once.
    patience_s
        How long a silence may be before time goes on without data; what waited on the way then comes in a burst and
        stands where it belongs. At least as long as a board of that rate may be silent, which is the default. It grows
        by itself on a wire that turns out to bring bursts.
    """

    def __init__(
        self,
        rate_hz: float,
        n_channels: int,
        *,
        sequence_modulus: int | None = None,
        first_sequence: int | None = None,
        trusted: bool = False,
        patience_s: float = 0.0,
    ) -> None:
        if not rate_hz > 0 or n_channels < 1:
            raise ValueError(f"rate {rate_hz} Hz, {n_channels} channels: both must be above 0")
        self.rate_hz = rate_hz
        self.n_channels = n_channels
        self.keeps_times = rate_hz <= SLOW_HZ
        self.next_frame = 0
        self.n_missing = 0  # frames inside gaps
        self.n_discarded = 0  # frames that came twice, too late, or with an impossible sequence number
        self._modulus = sequence_modulus
        self._trusted = trusted
        self._believed = max(8, round(BELIEVED_STEP_S * rate_hz))
        self._expected = first_sequence  # sequence number that belongs at ``_expected_frame``
        self._expected_frame = 0
        self._suspect: tuple[int, Frames] | None = None
        self._n_bad = 0  # unreadable lines since the last frame; a sequence number will tell what they were
        self._last_s: float | None = None  # the last arrival, and the frame that was due then
        self._last_frame = 0
        self._silent = False
        self._patience_s = max(patience_s, find_silence_s(rate_hz))
        self._held: list[Frames] = []  # plain frames after a silence, while more of the burst may come
        self._held_since_s = self._last_held_s = -np.inf
        self._n_given_up = 0  # frames of the gap that the present silence has become
        self._arrivals: deque[tuple[float, int]] = deque()  # of the last second before, and the frame due after each
        self._n_late = 0  # frames of the burst that is under way, dropped
        self._n_doubts, self._ignores_sequence = 0.0, False
        self._resumed = False
        self._late_since_s: float | None = None
        self._meter, self._slow_meter = RateMeter(), RateMeter(window_s=30.0)
        self._remarks = Remarks(rate_hz, watches_times=self.keeps_times)
        self._clock, self._unwrapper = DeviceClock(), TimeUnwrapper()
        self._numbering = TimeNumbering(rate_hz)
        self._device_s = -np.inf

    @property
    def measured_rate_hz(self) -> float | None:
        """Rate of arrival; None until there is enough of it, and after an interruption."""
        return self._meter.rate_hz

    @property
    def deviating_rate_hz(self) -> float | None:
        """The rate that was told, because it is over 1 % off the declared one; None while there is none."""
        return self._remarks.rate_hz

    @property
    def ignores_sequence(self) -> bool:
        """The board's sequence numbers made no sense."""
        return self._ignores_sequence

    @property
    def clock_drift_ppm(self) -> float | None:
        """How much faster the device's clock runs than this computer's; None if not known."""
        return self._clock.drift_ppm

    def place(self, decoded: Sequence[Decoded], arrival_s: float) -> list[Item]:
        """Chunks, gaps and notes in time order, without holes: every frame is in exactly one chunk or gap."""
        items: list[Item] = []
        for piece in decoded:
            if isinstance(piece, Text):
                if piece.text.startswith(BOOT):
                    self.resume()
                self._note([piece.text] if self._trusted else self._remarks.quote(piece.text, arrival_s), items)
            elif isinstance(piece, BadLines):
                self._place_bad(piece, arrival_s, items)
            elif len(piece.counts):
                if piece.counts.shape[1] != self.n_channels:
                    raise ValueError(f"frames of {piece.counts.shape[1]} channels, {self.n_channels} expected")
                self._place_frames(piece, arrival_s, items)
        self._release(arrival_s, items)
        if not self._trusted and (texts := self._remarks.judge_rate(self._meter, self._slow_meter)):
            self._note(texts, items)
        if texts := self._remarks.count_left_out(self.n_discarded, arrival_s):
            self._note(texts, items)
        return items

    def _place_frames(self, piece: Frames, arrival_s: float, items: list[Item]) -> None:
        sequence = None if self._ignores_sequence else piece.sequence
        frames = piece
        if piece.device_us is not None:
            device_s = self._follow_clock(piece.device_us, arrival_s)
            if sequence is None:  # numbers of our own making never wrap: one that is lower is a restart
                sequence, self._modulus = self._numbering.number(device_s), _NEVER
            frames = Frames(piece.counts, sequence, device_s * 1e6)
            self._remarks.watch(device_s)
        if sequence is None:
            self._place_plain(frames, arrival_s, items)
            return
        for start, stop in find_runs(sequence - np.arange(len(sequence))):
            self._place_run(int(sequence[start]), frames.cut(start, stop), arrival_s, items)

    @property
    def is_silent(self) -> bool:
        """Nothing has come for 0.3 s (two frames of a board below 7 Hz)."""
        return self._silent and not self._held

    def silence(self, now_s: float, *, is_lost: bool = False) -> list[Item]:
        """Call when nothing came: beyond all patience gaps follow the wall clock, so that time never stalls.

        ``is_lost``: nothing can be on its way, so there is nothing to wait for.
        """
        quiet_s = -np.inf if self._last_s is None else now_s - max(self._last_s, self._last_held_s)
        items: list[Item] = []
        self._release(now_s, items)
        silence_s = find_silence_s(self.rate_hz)
        if quiet_s <= silence_s:
            return items
        self._note(self._remarks.count_left_out(self.n_discarded, now_s), items)
        self._forget_rate()
        self._silent = True
        if quiet_s > (silence_s if is_lost else self._patience_s):
            before = self.next_frame
            self._add_gap(self._due_frame(now_s - SLACK_S) - self.next_frame, "no data", items)
            self._n_given_up += self.next_frame - before
        return items

    def _forget_rate(self) -> None:
        self._meter.reset()
        self._slow_meter.reset()

    def _count_rate(self, n_frames: int, arrival_s: float) -> None:
        self._meter.add(n_frames, arrival_s)
        self._slow_meter.add(n_frames, arrival_s)

    def resume(self) -> None:
        """The wire was interrupted: a sequence number below the expected one is a restart, not a repetition."""
        self._resumed = True

    def advance(self, n_frames: int) -> list[Item]:
        """The source says that everything before frame ``n_frames`` has been sent: what is lacking is a gap."""
        items: list[Item] = []
        self._add_gap(n_frames - self.next_frame, "missing in the source", items)
        return items

    def _due_frame(self, now_s: float) -> int:
        """Index of the frame that the wall clock expects next."""
        if self._last_s is None:
            return self.next_frame
        return self._last_frame + round((now_s - self._last_s) * self.rate_hz)

    def _expect(self, now_s: float) -> int:
        """The same by the most prompt frames of the last second: one that was late itself expects too little."""
        late = (frame + round((now_s - then_s) * self.rate_hz) for then_s, frame in self._arrivals)
        return max(late, default=self.next_frame)

    def _add_gap(self, n_frames: int, reason: str, items: list[Item]) -> None:
        if n_frames <= 0:
            return
        if items and isinstance(last := items[-1], Gap) and last.reason == reason:
            items[-1] = Gap(last.first_frame, last.n_frames + n_frames, reason)
        else:
            items.append(Gap(self.next_frame, n_frames, reason))
        self.next_frame += n_frames
        self.n_missing += n_frames

    def _add_chunk(self, frames: Frames, arrival_s: float, items: list[Item]) -> None:
        items.append(Chunk(self.next_frame, frames.counts, frames.device_us if self.keeps_times else None))
        self.next_frame += len(frames.counts)
        self._last_s, self._last_frame = arrival_s, self.next_frame
        self._arrivals.append((arrival_s, self.next_frame))
        while arrival_s - self._arrivals[0][0] > 1.0:
            self._arrivals.popleft()
        self._silent = self._resumed = False
        self._n_given_up = 0
        self._n_bad = 0

    def _place_bad(self, bad: BadLines, arrival_s: float, items: list[Item]) -> None:
        self._n_bad += bad.n_lines
        if self._expected is None and self._last_s is not None:
            room = self._due_frame(arrival_s) + self._believed - self.next_frame  # noise must not make time run away
            n_frames = min(bad.n_lines, room)
            self._add_gap(n_frames, "unreadable line", items)
            self._count_rate(n_frames if n_frames > 0 else 0, arrival_s)

    def _place_plain(self, frames: Frames, arrival_s: float, items: list[Item]) -> None:
        """After a silence nothing tells which frames these are but how many come: the rest of a burst is waited for."""
        if self._silent or self._held:
            self._held_since_s = self._held_since_s if self._held else arrival_s
            self._held.append(frames)
            self._last_held_s = arrival_s
            self._release(arrival_s, items)
            return
        self._add_chunk(frames, arrival_s, items)
        self._count_rate(len(frames.counts), arrival_s)

    def _release(self, now_s: float, items: list[Item]) -> None:
        """Place what was held, once the burst is complete or no more of it comes; the gap before it by the rate."""
        n = sum(len(frames.counts) for frames in self._held)
        if not n:
            return
        lacking = self._expect(self._last_held_s) - n - self.next_frame
        unsure = UNSURE_S * self.rate_hz
        if lacking > unsure and now_s - self._held_since_s < COLLECT_S:
            return
        if lacking > unsure or (lacking > 0 and self._n_given_up):
            self._add_gap(lacking, "no data", items)
        late = min(-lacking, n) if self._n_given_up and lacking < 0 else 0
        if late > unsure:
            self._be_patient(late, items)
        self.n_discarded += late
        for frames in self._held:
            n_late = min(late, len(frames.counts))
            late -= n_late
            if n_late < len(frames.counts):
                self._add_chunk(frames.cut(n_late, len(frames.counts)), self._last_held_s, items)
        self._count_rate(n, self._last_held_s)
        self._held = []

    def _be_patient(self, n_late: int, items: list[Item]) -> None:
        """Readings came after their time had been given up, and then caught up: the wire had only been slow."""
        before = self._patience_s
        self._patience_s = min(max(BURST_S, 1.5 * before), MOST_PATIENCE_S)
        if self._patience_s > before:
            waits = f"waits up to {self._patience_s:.3g} s for data"
            self._note([f"{n_late} readings came too late, in a burst: from now on the program {waits}"], items)

    def _follow_clock(self, device_us: FloatArray, arrival_s: float) -> FloatArray:
        device_s = self._unwrapper.unwrap(device_us)
        if device_s[-1] < self._device_s - 1.0:  # the device restarted
            self._clock.reset()
        self._device_s = float(device_s[-1])
        self._clock.add(self._device_s, arrival_s)
        return device_s

    def _place_run(self, first: int, run: Frames, arrival_s: float, items: list[Item]) -> None:
        """One stretch of consecutive sequence numbers beginning with ``first``."""
        if self._expected is None:
            self._expected = first
        step = self._step_to(first, arrival_s)
        waited = self._due_frame(arrival_s) - self._expected_frame if self._silent else 0
        lowest = 0 if self._resumed else min(0, waited) - self._believed
        believed = lowest <= step <= max(0, waited) + self._believed
        if not believed and not (self._trusted and step > 0):
            confirmed = len(run.counts) > 1
            if self._suspect is not None and 0 < first - self._suspect[0] <= self._believed:
                earlier, self._suspect, confirmed = self._suspect, None, True
                self._jump(earlier[0], earlier[1], arrival_s, items)
                return self._place_run(first, run, arrival_s, items)
            if not confirmed:
                self.n_discarded += self._suspect is not None
                self._suspect = (first, run)
                self._doubt(items)
                return None
            self._drop_suspect()
            return self._jump(first, run, arrival_s, items)
        self._drop_suspect()
        if step == 0:
            self._n_doubts = max(0.0, self._n_doubts - FORGIVEN)
        return self._put(step, first, run, arrival_s, items)

    def _drop_suspect(self) -> None:
        self.n_discarded += self._suspect is not None
        self._suspect = None

    def _step_to(self, first: int, arrival_s: float) -> int:
        """Frames between the expected sequence number and ``first``; negative: before it."""
        assert self._expected is not None
        step = first - self._expected
        if self._modulus is None:
            for modulus in _MODULI:
                if self._expected <= modulus and -self._believed <= step + modulus <= self._believed:
                    self._modulus = modulus
                    break
        if self._modulus is None:
            return step
        step = (step + self._modulus // 2) % self._modulus - self._modulus // 2
        waited = self._due_frame(arrival_s) - self._expected_frame
        if self._silent and waited > self._modulus // 2:  # an outage longer than a turn of the counter
            step += self._modulus * round((waited - step) / self._modulus)
        return step

    def _jump(self, first: int, run: Frames, arrival_s: float, items: list[Item]) -> None:
        """A confirmed long step: forward by no more than the wall clock allows is a gap, else the device restarted."""
        step = self._step_to(first, arrival_s)
        waited = self._due_frame(arrival_s) - self._expected_frame
        # A computer that stalled finds what the port had kept, and after it what was lost, all at one moment.
        waited = max(waited, self._meter.count_lacking(arrival_s, self.rate_hz))
        if 0 < step <= 1.1 * waited + 4 * self._believed:
            return self._put(step, first, run, arrival_s, items)
        items.append(Note(self.next_frame, f"sequence restarts at {first} after {self._expected}: device was reset"))
        missing = self._due_frame(arrival_s) - len(run.counts) - self.next_frame
        self._add_gap(missing, "device restarted", items)
        self._expected_frame = self.next_frame
        return self._put(0, first, run, arrival_s, items)

    def _put(self, step: int, first: int, run: Frames, arrival_s: float, items: list[Item]) -> None:
        n = len(run.counts)
        if step > 0 and not self._trusted and self._count_ahead(step + n, arrival_s) > AHEAD_S * self.rate_hz:
            self._doubt(items)
            step, self._expected_frame = 0, max(self._expected_frame, self.next_frame)
        late = self.next_frame - (self._expected_frame + step)
        if late > 0 and step >= 0 and self._has_paused(arrival_s):
            self._n_late = 0
            items.append(Note(self.next_frame, f"the board paused for {late / self.rate_hz:.2f} s"))
            self._expected_frame, step, late = self.next_frame, 0, 0
        self._count_rate(max(0, step + n), arrival_s)
        if step + n > 0:
            self._expected_frame += step + n
            self._expected = first + n if self._modulus is None else (first + n) % self._modulus
        if late > 0:
            self.n_discarded += min(late, n)
            self._n_late += min(late, n) if step >= 0 else 0
            if late >= n:
                return
            run = run.cut(late, n)
        if self._n_late > UNSURE_S * self.rate_hz:
            self._be_patient(self._n_late, items)
        self._n_late = 0
        self._late_since_s = None
        self._add_gap(-late, "unreadable line" if self._n_bad else "lost on the way", items)
        self._add_chunk(run, arrival_s, items)

    def _count_ahead(self, n_new: int, arrival_s: float) -> float:
        """Frames by which a recording with ``n_new`` more would be before the wall clock."""
        if (ahead := self._meter.count_ahead(arrival_s, self.rate_hz)) is None:
            ahead = self._expected_frame - self._due_frame(arrival_s)
        return ahead + n_new

    def _doubt(self, items: list[Item]) -> None:
        """A sequence number that cannot be; a board that goes on like that is taken as one that sends none."""
        self._n_doubts += 1.0
        if self._n_doubts > MOST_DOUBTS and not self._ignores_sequence:
            self._ignores_sequence, self._expected, self._suspect = True, None, None
            self._note(["its sequence numbers make no sense and are ignored from now on"], items)

    def _has_paused(self, arrival_s: float) -> bool:
        """Frames for a time already given up come in a quick burst, or else never catch up."""
        if self._late_since_s is None:
            self._late_since_s = arrival_s
        return arrival_s - self._late_since_s > LATE_S

    def _note(self, texts: Sequence[str], items: list[Item]) -> None:
        items += [Note(self.next_frame, text) for text in texts]
