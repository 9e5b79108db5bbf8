"""Frames onto the frame grid: what is missing becomes a gap of known length. Pure; time comes in as an argument."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from biofeedback.acquisition.clock import DeviceClock, RateMeter, TimeNumbering, TimeUnwrapper
from biofeedback.acquisition.decoder import BadLines, Decoded, Frames, Text, find_runs
from biofeedback.acquisition.remarks import Remarks
from biofeedback.model import Chunk, FloatArray, Gap, Item, Note

SILENCE_S = 0.3  # longer than any ordinary stall of USB or radio, shorter than an athlete's patience
SILENT_FRAMES = 2.0  # a board so slow that this takes longer than 0.3 s may be silent for as long
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
    """

    def __init__(
        self,
        rate_hz: float,
        n_channels: int,
        *,
        sequence_modulus: int | None = None,
        first_sequence: int | None = None,
        trusted: bool = False,
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
        self._resumed = False
        self._late_since_s: float | None = None
        self._meter = RateMeter()
        self._remarks = Remarks(rate_hz, watches_times=self.keeps_times)
        self._clock, self._unwrapper = DeviceClock(), TimeUnwrapper()
        self._numbering = TimeNumbering(rate_hz)
        self._device_s = -np.inf

    @property
    def measured_rate_hz(self) -> float | None:
        """Rate of arrival; None until there is enough of it, and after an interruption."""
        return self._meter.rate_hz

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
        if not self._trusted and (texts := self._remarks.judge_rate(self._meter)):
            self._note(texts, items)
        if texts := self._remarks.count_left_out(self.n_discarded, arrival_s):
            self._note(texts, items)
        return items

    def _place_frames(self, piece: Frames, arrival_s: float, items: list[Item]) -> None:
        if piece.device_us is None:
            frames, sequence = piece, piece.sequence
        else:
            device_s = self._follow_clock(piece.device_us, arrival_s)
            sequence = piece.sequence
            if sequence is None:  # numbers of our own making never wrap: one that is lower is a restart
                sequence, self._modulus = self._numbering.number(device_s), _NEVER
            frames = Frames(piece.counts, sequence, device_s * 1e6)
            self._remarks.watch(device_s)
        if sequence is None:
            self._place_plain(frames, arrival_s, items)
            return
        for start, stop in find_runs(sequence - np.arange(len(sequence))):
            self._place_run(int(sequence[start]), frames.cut(start, stop), arrival_s, items)

    def silence(self, now_s: float) -> list[Item]:
        """Call when nothing came: after 0.3 s (two frames of a board below 7 Hz) without a frame gaps follow the wall
        clock, so that time never stalls.
        """
        if self._last_s is None or now_s - self._last_s <= find_silence_s(self.rate_hz):
            return []
        items: list[Item] = []
        self._note(self._remarks.count_left_out(self.n_discarded, now_s), items)
        self._meter.reset()
        self._silent = True
        self._add_gap(self._due_frame(now_s - SLACK_S) - self.next_frame, "no data", items)
        return items

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
        self._silent = self._resumed = False
        self._n_bad = 0

    def _place_bad(self, bad: BadLines, arrival_s: float, items: list[Item]) -> None:
        self._n_bad += bad.n_lines
        if self._expected is None and self._last_s is not None:
            room = self._due_frame(arrival_s) + self._believed - self.next_frame  # noise must not make time run away
            n_frames = min(bad.n_lines, room)
            self._add_gap(n_frames, "unreadable line", items)
            self._meter.add(n_frames if n_frames > 0 else 0, arrival_s)

    def _place_plain(self, frames: Frames, arrival_s: float, items: list[Item]) -> None:
        if self._silent:
            first = self._due_frame(arrival_s) - len(frames.counts)
            self._add_gap(first - self.next_frame, "no data", items)
        self._add_chunk(frames, arrival_s, items)
        self._meter.add(len(frames.counts), arrival_s)

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
                return None
            self._drop_suspect()
            return self._jump(first, run, arrival_s, items)
        self._drop_suspect()
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
        late = self.next_frame - (self._expected_frame + step)
        if late > 0 and step >= 0 and self._has_paused(arrival_s):
            items.append(Note(self.next_frame, f"the board paused for {late / self.rate_hz:.2f} s"))
            self._expected_frame, step, late = self.next_frame, 0, 0
        self._meter.add(max(0, step + n), arrival_s)
        if step + n > 0:
            self._expected_frame += step + n
            self._expected = first + n if self._modulus is None else (first + n) % self._modulus
        if late > 0:
            self.n_discarded += min(late, n)
            if late >= n:
                return
            run = run.cut(late, n)
        self._late_since_s = None
        self._add_gap(-late, "unreadable line" if self._n_bad else "lost on the way", items)
        self._add_chunk(run, arrival_s, items)

    def _has_paused(self, arrival_s: float) -> bool:
        """Frames for a time already given up come in a quick burst, or else never catch up."""
        if self._late_since_s is None:
            self._late_since_s = arrival_s
        return arrival_s - self._late_since_s > LATE_S

    def _note(self, texts: Sequence[str], items: list[Item]) -> None:
        items += [Note(self.next_frame, text) for text in texts]
