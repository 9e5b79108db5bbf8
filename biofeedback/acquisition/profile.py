"""One kind of board: what its profile says, see ``profiles``."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

from biofeedback.acquisition.decoder import LineDecoder
from biofeedback.acquisition.layout import Layout
from biofeedback.acquisition.layout_decoder import LayoutDecoder
from biofeedback.acquisition.packets import PacketDecoder, PacketLayout
from biofeedback.model import Channel

Transport: TypeAlias = Literal["serial", "ble", "udp"]


@dataclass(frozen=True, slots=True)
class Advertised:
    """A reading in advertisements: the standard one of a scale's service, or ``n_bytes`` ``at`` of some data.

    The data are a service's or, with ``company``, those of a manufacturer (a number that the Bluetooth SIG assigns).
    """

    service: str = ""
    company: int | None = None
    is_standard: bool = False
    at: int = 0
    n_bytes: int = 2
    is_signed: bool = False
    is_big_endian: bool = False


@dataclass(frozen=True, slots=True)
class Radio:
    """Bluetooth LE: where the data come from. ``content``: what a notification holds; ``advertised``: no connection."""

    service: str
    data: str
    command: str | None = None
    content: Literal["bytes", "weight"] = "bytes"
    advertised: Advertised | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """One kind of board. ``columns`` or ``layout`` (text lines) or ``packets`` (binary); ``rate_hz`` None: measured.

    ``decimal``: what begins a fraction in its lines, as the person has said; None: nobody has, and it is not asked
    unless the lines leave it open. ``key``: what a board that prompts and waits is told, as somebody has said.
    """

    name: str
    title: str
    transport: Transport
    channels: tuple[Channel, ...]
    rate_hz: float | None = None
    baud: int = 115200
    columns: tuple[str, ...] | None = None
    layout: Layout | None = None
    decimal: str | None = None
    packets: PacketLayout | None = None
    sequence_modulus: int | None = None
    info: bytes | None = None
    start: bytes | None = None
    stop: bytes | None = None
    key: bytes | None = None
    radio: Radio | None = None

    def make_decoder(self) -> LineDecoder | LayoutDecoder | PacketDecoder:
        """For a wire that is opened while the board may already be talking."""
        if self.packets is not None:
            return PacketDecoder(self.packets, self.rate_hz or 1.0, starts_mid_line=True)
        if self.layout is not None:
            return LayoutDecoder(self.layout, [channel.name for channel in self.channels], starts_mid_line=True)
        return LineDecoder(len(self.channels), self.columns, starts_mid_line=True)


def add_typed(channel: Channel, typed: Channel) -> Channel:
    """A channel of a profile as somebody typed it: what was not typed stays, an envelope must not become raw."""
    if (typed.unit, typed.factor) != ("count", 1.0):
        channel = replace(channel, unit=typed.unit, factor=typed.factor)
    if typed.rail_low_counts is not None:
        channel = replace(channel, rail_low_counts=typed.rail_low_counts, rail_high_counts=typed.rail_high_counts)
    return replace(channel, envelope=channel.envelope or typed.envelope)
