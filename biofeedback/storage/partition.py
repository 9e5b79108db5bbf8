"""Items as they arrive, cut into rows whose borders depend on frame numbers alone, whatever the sizes of the chunks."""

from __future__ import annotations

from biofeedback.model import Chunk, FloatArray, Gap, Item, Note
from biofeedback.storage.schema import Row, pack_counts

ROW_S = 0.25  # small enough to lose little, large enough to read an hour in a fifth of a second


class Partition:
    """``push`` items, get complete rows; ``flush`` gives the unfinished one.

    Frames that no chunk or gap accounts for become a gap of their own, so that the rows always tile the time.
    """

    def __init__(self, n_channels: int, rate_hz: float) -> None:
        self.n_channels = n_channels
        self.n_frames_per_row = max(1, round(rate_hz * ROW_S))
        self.end_frame = 0
        self._parts: list[Chunk] = []
        self._first = 0

    def check(self, item: Item, end_frame: int) -> int:
        """The end after ``item`` given the end before it; ValueError for what cannot follow."""
        if isinstance(item, Note):
            return end_frame
        if item.first_frame < end_frame:
            raise ValueError(f"frame {item.first_frame} was already recorded (up to {end_frame})")
        if isinstance(item, Chunk) and (item.counts.ndim != 2 or item.counts.shape[1] != self.n_channels):
            raise ValueError(f"counts have shape {item.counts.shape}; {self.n_channels} channels were set up")
        return item.end_frame

    def push(self, item: Item) -> list[Row]:
        """Rows that are complete now."""
        match item:
            case Note():
                return [("notes", (int(item.frame), storable(item.text)))]
            case Gap():
                return [*self._skip_to(item.first_frame), *self._gap(int(item.n_frames), item.reason)]
            case Chunk():
                return [*self._skip_to(item.first_frame), *self._chunk(item.counts, item.device_us)]

    def flush(self) -> list[Row]:
        """The unfinished row, if there is one."""
        if not self._parts:
            return []
        whole = self._parts[0] if len(self._parts) == 1 else Chunk.join(self._parts)
        self._parts = []
        return [("chunks", (self._first, whole.n_frames, *pack_counts(whole.counts, whole.device_us)))]

    def _skip_to(self, frame: int) -> list[Row]:
        if frame <= self.end_frame:
            return []
        return self._gap(int(frame) - self.end_frame, "frames missing before the next chunk")

    def _gap(self, n_frames: int, reason: str) -> list[Row]:
        rows = self.flush()
        if n_frames > 0:
            rows.append(("gaps", (self.end_frame, n_frames, storable(reason))))
            self.end_frame += n_frames
        return rows

    def _chunk(self, counts: FloatArray, device_us: FloatArray | None) -> list[Row]:
        rows: list[Row] = []
        while len(counts):
            n = min(len(counts), self.n_frames_per_row - self.end_frame % self.n_frames_per_row)
            if not self._parts:
                self._first = self.end_frame
            self._parts.append(Chunk(self.end_frame, counts[:n], None if device_us is None else device_us[:n]))
            counts, device_us = counts[n:], None if device_us is None else device_us[n:]
            self.end_frame += n
            if self.end_frame % self.n_frames_per_row == 0:
                rows += self.flush()
        return rows


def storable(text: str) -> str:
    """What the wire said, with halves of surrogate pairs written out: they have no UTF-8."""
    return text.encode("utf-8", "backslashreplace").decode()
