"""Bytes to frames, for binary packets as a device profile describes them. Pure; what the wire brings never raises."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from biofeedback.acquisition.codecs import (
    ByteArray,
    compute_crc8_rows,
    compute_crc16_rows,
    decode_cobs,
    decode_cobs_rows,
    decode_sfloat,
)
from biofeedback.acquisition.decoder import (
    IGNORED,
    MAX_TEXT_CHARACTERS,
    NOT_CHANNELS,
    SEQUENCE,
    TIME_MS,
    TIME_US,
    BadLines,
    Decoded,
    Frames,
    Text,
    find_runs,
)
from biofeedback.model import FloatArray

Field: TypeAlias = tuple[str, str]  # name and type
TYPES = ("u8", "i8", "u16", "i16", "u24", "i24", "u32", "i32", "f32", "sfloat")
CRC_BYTES = {"none": 0, "crc8": 1, "crc16": 2}
MAX_COBS_BYTES = 253  # longer packets are decoded one by one
MAX_WAITING_BYTES = 8192


def field_bytes(kind: str) -> int:
    """Bytes that a field of this type takes."""
    return 2 if kind == "sfloat" else int(kind[1:]) // 8


@dataclass(frozen=True, slots=True, kw_only=True)
class PacketLayout:
    """``[tag] head frame*n [crc]``, in COBS closed by a zero byte, or after a ``sync`` word.

    Attributes
    ----------
    framing
        With ``sync`` the number of frames is fixed; with ``cobs`` it follows from the length.
    tag, text_tag
        First byte of a packet of frames, and of one that carries words; None: there is no such byte.
    head, frame
        Fields before the frames, and of one frame; ``seq``, ``t_us``, ``t_ms``, ``-`` as in text columns.
    n_frames
        Frames per packet; with ``cobs`` the most.
    sequence_counts
        What one step of the sequence number is.
    """

    framing: Literal["cobs", "sync"]
    frame: tuple[Field, ...]
    head: tuple[Field, ...] = ()
    n_frames: int = 1
    endian: Literal["little", "big"] = "little"
    crc: Literal["none", "crc8", "crc16"] = "none"
    sync: bytes = b""
    tag: int | None = None
    text_tag: int | None = None
    sequence_counts: Literal["frames", "packets"] = "frames"

    @property
    def head_bytes(self) -> int:
        """Tag and head."""
        return (self.tag is not None) + sum(field_bytes(kind) for _, kind in self.head)

    @property
    def frame_bytes(self) -> int:
        """One frame."""
        return sum(field_bytes(kind) for _, kind in self.frame)

    @property
    def packet_bytes(self) -> int:
        """A full packet, after the sync word or inside COBS."""
        return self.head_bytes + self.n_frames * self.frame_bytes + CRC_BYTES[self.crc]

    @property
    def channels(self) -> tuple[str, ...]:
        """Fields of a frame that are channels."""
        return tuple(name for name, _ in self.frame if name not in NOT_CHANNELS)

    @property
    def sequence_modulus(self) -> int | None:
        """Where the sequence number of a frame wraps; None without one."""
        bits = next((8 * field_bytes(kind) for name, kind in (*self.head, *self.frame) if name == SEQUENCE), None)
        if bits is None:
            return None
        return (1 << bits) * (self.n_frames if self.sequence_counts == "packets" else 1)


class PacketDecoder:
    """Packets to frames; ``rate_hz`` spaces the device time of frames that share one time stamp."""

    def __init__(self, layout: PacketLayout, rate_hz: float, *, starts_mid_line: bool = False) -> None:
        self.n_lines = 0
        self.n_bad_lines = 0
        self._layout, self._rate_hz = layout, rate_hz
        self._head_bytes, self._frame_bytes = layout.head_bytes, layout.frame_bytes
        self._crc_bytes = CRC_BYTES[layout.crc]
        self._waiting = b""
        self._skipping = starts_mid_line

    def resync(self) -> None:
        """The wire was interrupted: what comes first may be the end of a packet."""
        self._waiting, self._skipping = b"", True

    def feed(self, data: bytes) -> list[Decoded]:
        """Frames, bad packets and words in the order they came; an unfinished packet waits for the next call."""
        decoded: list[Decoded] = []
        self._waiting += data
        if self._layout.framing == "cobs":
            self._feed_cobs(decoded)
        else:
            self._feed_sync(decoded)
        if len(self._waiting) > MAX_WAITING_BYTES:
            self._waiting = b""
            self._add_bad(1, "no packet in sight", decoded)
            self._skipping = self._layout.framing == "cobs"
        return decoded

    def _feed_cobs(self, decoded: list[Decoded]) -> None:
        """Stretches of packets of one length are decoded at once."""
        stream = np.frombuffer(self._waiting, dtype=np.uint8)
        ends = np.flatnonzero(stream == 0)
        if not len(ends):
            return
        self._waiting = self._waiting[int(ends[-1]) + 1 :]
        starts = np.concatenate(([0], ends[:-1] + 1))
        if self._skipping:
            starts, ends, self._skipping = starts[1:], ends[1:], False
        lengths = ends - starts
        starts, lengths = starts[lengths > 0], lengths[lengths > 0]
        for first, last in find_runs(lengths):
            width = int(lengths[first])
            rows = stream[starts[first:last, None] + np.arange(width)]
            if width - 1 <= MAX_COBS_BYTES:
                packets, whole = decode_cobs_rows(rows)
                self._read_packets(packets, whole, decoded)
            else:
                self._read_long_packets(rows, decoded)

    def _read_long_packets(self, rows: ByteArray, decoded: list[Decoded]) -> None:
        for row in rows:
            packet = np.frombuffer(decode_cobs(row.tobytes()) or b"", dtype=np.uint8)
            self._read_packets(packet[None, :], np.array([True]), decoded)

    def _feed_sync(self, decoded: list[Decoded]) -> None:
        sync, stream = self._layout.sync, self._waiting
        size = len(sync) + self._layout.packet_bytes
        at, lost = 0, False
        while True:
            found = stream.find(sync, at)
            lost = lost or found > at or (found < 0 and len(stream) - at >= size)
            if found < 0:
                at = max(at, len(stream) - len(sync) + 1)
                break
            at = found
            n = (len(stream) - at) // size
            if not n:
                break
            rows = np.frombuffer(stream, dtype=np.uint8, count=n * size, offset=at).reshape(n, size)
            aligned = (rows[:, : len(sync)] == np.frombuffer(sync, dtype=np.uint8)).all(axis=1)
            good = aligned & self._check_crc(rows[:, len(sync) :])
            n_good = n if good.all() else int(np.argmin(good))
            if n_good:
                self._report_lost(lost, decoded)
                lost = False
                self._read_packets(rows[:n_good, len(sync) :], np.ones(n_good, dtype=np.bool_), decoded)
            at += n_good * size
            if n_good < n:
                lost, at = True, at + 1
        self._waiting = stream[at:]
        self._report_lost(lost, decoded)

    def _report_lost(self, lost: bool, decoded: list[Decoded]) -> None:
        if lost and not self._skipping:
            self._add_bad(self._layout.n_frames, "no whole packet", decoded)
        self._skipping = False

    def _check_crc(self, packets: ByteArray) -> NDArray[np.bool_]:
        crc = self._layout.crc
        if not self._crc_bytes:
            return np.ones(len(packets), dtype=np.bool_)
        if crc == "crc8":
            return np.asarray(packets[:, -1] == compute_crc8_rows(packets[:, :-1]))
        sent = np.ascontiguousarray(packets[:, -2:]).view(f"{self._order}u2")[:, 0]
        return np.asarray(sent == compute_crc16_rows(packets[:, :-2]))

    @property
    def _order(self) -> str:
        return "<" if self._layout.endian == "little" else ">"

    def _read_packets(self, packets: ByteArray, whole: NDArray[np.bool_], decoded: list[Decoded]) -> None:
        """Packets of one length, in order; stretches of good ones become frames."""
        layout = self._layout
        n_frames, rest = divmod(packets.shape[1] - self._head_bytes - self._crc_bytes, self._frame_bytes)
        fits = not rest and 1 <= n_frames <= layout.n_frames
        if packets.shape[1] <= self._crc_bytes:
            self._add_bad(len(packets), "packet of another length", decoded)
            return
        intact = whole & self._check_crc(packets)
        is_text = intact & (packets[:, 0] == layout.text_tag) if layout.text_tag is not None else np.zeros_like(intact)
        good = intact & ~is_text & fits
        if layout.tag is not None:
            good &= packets[:, 0] == layout.tag
        for first, last in find_runs(good + 2 * is_text):
            if good[first]:
                self._add_frames(packets[first:last], n_frames, decoded)
            elif is_text[first]:
                self._add_texts(packets[first:last], decoded)
            else:
                reason = "its check does not fit" if fits else "packet of another length"
                self._add_bad(last - first, reason, decoded)

    def _add_frames(self, packets: ByteArray, n_frames: int, decoded: list[Decoded]) -> None:
        layout = self._layout
        self.n_lines += len(packets)
        start = layout.tag is not None
        head = self._read_fields(packets[:, None, start : self._head_bytes], layout.head)
        end = self._head_bytes + n_frames * self._frame_bytes
        body = packets[:, self._head_bytes : end].reshape(len(packets), n_frames, self._frame_bytes)
        fields = {name: np.broadcast_to(values, body.shape[:2]) for name, values in head.items()}
        own = self._read_fields(body, layout.frame)
        step = np.arange(n_frames)
        counts = np.stack([own[name].reshape(-1) for name in layout.channels], axis=1)
        sequence = own.get(SEQUENCE)
        if SEQUENCE in head:
            by_packet = layout.sequence_counts == "packets"
            sequence = fields[SEQUENCE] * (layout.n_frames if by_packet else 1) + step
            sequence = sequence % float(layout.sequence_modulus or 1)
        time_us = self._read_time(fields, own, step)
        numbers = None if sequence is None else sequence.reshape(-1).astype(np.int64)
        moments = None if time_us is None else time_us.reshape(-1)
        finite = np.asarray(np.isfinite(counts).all(axis=1))
        for first, last in find_runs(finite):
            part = slice(first, last)
            if finite[first]:
                number = None if numbers is None else numbers[part]
                decoded.append(Frames(counts[part], number, None if moments is None else moments[part]))
            else:
                self._add_bad(last - first, "not a number", decoded)

    def _read_time(
        self, head: dict[str, FloatArray], own: dict[str, FloatArray], step: NDArray[np.intp]
    ) -> FloatArray | None:
        for name, factor in ((TIME_US, 1.0), (TIME_MS, 1000.0)):
            if name in own:
                return own[name] * factor
            if name in head:
                return head[name] * factor + step * (1e6 / self._rate_hz)
        return None

    def _read_fields(self, rows: ByteArray, fields: tuple[Field, ...]) -> dict[str, FloatArray]:
        """Every field of ``(n, n_frames, size)`` bytes as ``(n, n_frames)`` numbers."""
        values: dict[str, FloatArray] = {}
        at = 0
        for name, kind in fields:
            size = field_bytes(kind)
            raw = rows[..., at : at + size]
            at += size
            if name == IGNORED:
                continue
            if size == 3:
                raw = self._widen(raw, signed=kind[0] == "i")
            code = f"{self._order}{'u' if kind == 'sfloat' else kind[0]}{raw.shape[-1]}"
            numbers = np.ascontiguousarray(raw).view(code)[..., 0]
            with np.errstate(invalid="ignore"):  # a signalling NaN is only a NaN
                values[name] = decode_sfloat(numbers) if kind == "sfloat" else numbers.astype(np.float64)
        return values

    def _widen(self, raw: ByteArray, *, signed: bool) -> ByteArray:
        """24 bits to 32."""
        top = raw[..., 2:] if self._order == "<" else raw[..., :1]
        fill = np.where(top & 0x80, 0xFF, 0).astype(np.uint8) if signed else np.zeros_like(top)
        return np.concatenate((raw, fill) if self._order == "<" else (fill, raw), axis=-1)

    def _add_texts(self, packets: ByteArray, decoded: list[Decoded]) -> None:
        self.n_lines += len(packets)
        end = packets.shape[1] - self._crc_bytes
        for packet in packets:
            decoded.append(Text(packet[:end].tobytes().decode("ascii", "replace")[:MAX_TEXT_CHARACTERS]))

    def _add_bad(self, n: int, reason: str, decoded: list[Decoded]) -> None:
        self.n_lines += n
        self.n_bad_lines += n
        decoded.append(BadLines(n, reason))
