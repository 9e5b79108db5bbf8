"""What a board says of itself when asked ``info``: see firmware-notes/protocol.md. Pure."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

from biofeedback.acquisition.decoder import CHECK, LineDecoder, Text, channel_columns, split_columns
from biofeedback.acquisition.profile import Profile
from biofeedback.errors import SourceError
from biofeedback.model import Channel, Kind

PROTOCOL = "1"
ASK_AGAIN_S = 0.25  # what is asked while a start loader runs is lost
_INFO = "#info "
_NAMES_ITSELF = (_INFO, "#boot ")
_RAILS = re.compile(r"(-?\d+)\.\.(-?\d+)")
_KINDS: tuple[Kind, ...] = ("force", "emg", "position")


@dataclass(frozen=True, slots=True)
class BoardInfo:
    """``board_id`` stays the same for the life of a board; ``rails`` are first and last code of each channel."""

    board_id: str
    firmware: str
    rate_hz: float
    columns: tuple[str, ...]
    rails: tuple[tuple[int, int], ...]


def read_info(text: str) -> BoardInfo | None:
    """The answer to ``info``; None if ``text`` is something else.

    Raises
    ------
    SourceError
        It is an answer, but of another version of the protocol, or one that makes no sense.
    """
    if not text.startswith(_INFO):
        return None
    fields = dict(part.partition("=")[::2] for part in text[len(_INFO) :].split())
    if fields.get("proto") != PROTOCOL:
        raise SourceError(f"the board speaks protocol {fields.get('proto')}, not {PROTOCOL}", "update its firmware")
    try:
        columns = split_columns(fields["columns"])
        rails = tuple((int(low), int(high)) for low, high in _RAILS.findall(fields["rails"]))
        rate_hz = float(fields["rate"])
    except (KeyError, ValueError):
        raise SourceError(f"the board's answer makes no sense: {text!r}", "update its firmware") from None
    if len(rails) != len(channel_columns(columns)) or not 0 < rate_hz < 1e6:
        raise SourceError(f"the board's answer makes no sense: {text!r}", "update its firmware")
    return BoardInfo(fields.get("id", ""), fields.get("fw", ""), rate_hz, columns, rails)


def ask_board(
    profile: Profile,
    write: Callable[[bytes], None],
    read: Callable[[], bytes],
    *,
    clock: Callable[[], float],
    wait_s: float,
) -> BoardInfo | None:
    """Stop the board and ask until it answers, which it cannot while its start loader runs; None after ``wait_s``."""
    decoder = LineDecoder(columns="force,check", starts_mid_line=True)  # only the words matter here
    question = b"\n" + (profile.stop or b"") + (profile.info or b"")
    started_s = asked_s = clock()
    write(question)
    while clock() - started_s < wait_s:
        for piece in decoder.feed(read()):
            info = read_info(piece.text) if isinstance(piece, Text) else None
            if info is not None:
                return info
        if clock() - asked_s > ASK_AGAIN_S:
            asked_s = clock()
            write(question)
    return None


def read_board_id(text: str) -> str:
    """The ``id`` that a board says at start and when asked; "" if ``text`` is something else."""
    if not text.startswith(_NAMES_ITSELF):
        return ""
    return next((part.removeprefix("id=") for part in text.split() if part.startswith("id=")), "")


def adopt_info(profile: Profile, info: BoardInfo) -> Profile:
    """The profile as this board has it: its rate, its channels and their rails."""
    names = channel_columns(info.columns)
    known = {channel.name: channel for channel in profile.channels}
    channels = tuple(
        replace(known.get(name) or Channel(name=name, kind=_kind_of(name)), rail_low_counts=low, rail_high_counts=high)
        for name, (low, high) in zip(names, info.rails, strict=True)
    )
    if profile.packets is not None:
        types = [_type_of(low, high) for low, high in info.rails]
        packets = replace(profile.packets, frame=tuple(zip(names, types, strict=True)))
        return replace(profile, rate_hz=info.rate_hz, channels=channels, packets=packets)
    columns = info.columns if CHECK in info.columns else (*info.columns, CHECK)
    return replace(profile, rate_hz=info.rate_hz, channels=channels, columns=columns)


def _kind_of(name: str) -> Kind:
    for kind in _KINDS:
        if name.startswith(kind):
            return kind
    raise SourceError(
        f"the board's channel {name!r} does not say what it measures", f"begin it with {', '.join(_KINDS)}"
    )


def _type_of(low: int, high: int) -> str:
    """Converters of up to 16 bits take 2 bytes, others 4."""
    if low >= 0:
        return "u16" if high < 1 << 16 else "u32"
    return "i16" if low >= -(1 << 15) and high < 1 << 15 else "i32"
