"""Device profiles: how a board sends, as TOML, so that any board can be described without code."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any, cast, get_args
from uuid import UUID

from biofeedback.acquisition.decoder import NOT_CHANNELS, SEQUENCE, TIME_MS, TIME_US, channel_columns, split_columns
from biofeedback.acquisition.packets import CRC_BYTES, MAX_WAITING_BYTES, TYPES, Field, PacketLayout
from biofeedback.acquisition.pattern import read_layout
from biofeedback.acquisition.profile import Advertised, Profile, Radio, Transport, add_typed
from biofeedback.acquisition.prompting import read_key
from biofeedback.acquisition.source import SourceUrl, read_channels
from biofeedback.errors import SourceError
from biofeedback.model import BOARD_KINDS, Channel
from biofeedback.toml_file import Place, TomlFile, parse_toml, read_text_file

FOLDER_VARIABLE = "BIOFEEDBACK_PROFILES"
_FIELD = re.compile(r"([A-Za-z][A-Za-z0-9_]*|-):([a-z]+\d*)")
_TOP = {"title", "transport", "rate_hz", "baud", "lines", "packets", "commands", "radio", "channel"}
RADIO_CONTENTS = ("bytes", "weight", "advertised weight", "advertised")
_CHANNEL_KEYS = {"name", "kind", "unit", "factor", "offset_counts", "envelope", "rails"}


def user_folder() -> Path:
    """Where people keep their own profiles: BIOFEEDBACK_PROFILES, or ~/.config/biofeedback/profiles."""
    return Path(os.environ.get(FOLDER_VARIABLE) or Path.home() / ".config" / "biofeedback" / "profiles")


def list_profiles() -> dict[str, Path]:
    """Name to file of every profile; a user's own goes before one of ours of the same name."""
    ours = Path(str(files("biofeedback.acquisition"))) / "profiles"
    found = {path.stem: path for folder in (ours, user_folder()) for path in sorted(folder.glob("*.toml"))}
    return dict(sorted(found.items()))


def load_profile(name: str) -> Profile:
    """A profile by name, or by the path of its file.

    Raises
    ------
    SourceError
        There is none of that name.
    PlanError
        The file has a mistake; names the line and the cure.
    """
    path = Path(name).expanduser() if name.endswith(".toml") else list_profiles().get(name)
    try:
        text = read_text_file(path) if path else None
    except (OSError, UnicodeDecodeError) as error:
        raise SourceError(f"profile {name} cannot be read: {error}", "check its path") from None
    if path is None or text is None:
        raise SourceError(
            f"there is no profile {name!r}", f"use {', '.join(list_profiles())}, or the path of a .toml file"
        )
    return parse_profile(text, path.name)


def read_profile(parsed: SourceUrl, transport: Transport) -> Profile:
    """The profile that a URL names; ``channels=`` adds unit and factor, envelope or rails to channels that it has."""
    profile = load_profile(parsed.options["profile"])
    if profile.transport != transport:
        raise SourceError(f"profile {profile.name} is for {profile.transport}:", f"write {profile.transport}:...")
    if "columns" in parsed.options:
        raise SourceError("columns= and profile= at once", "leave one of them out")
    if "channels" not in parsed.options:
        return profile
    given = {channel.name: channel for channel in read_channels(parsed.options["channels"])}
    names = [channel.name for channel in profile.channels]
    if unknown := set(given) - set(names):
        cure = f"it has {', '.join(names)}; a board with others needs a profile of its own"
        raise SourceError(f"profile {profile.name} has no channel {sorted(unknown)[0]}", cure)
    channels = tuple(add_typed(channel, given.get(channel.name, channel)) for channel in profile.channels)
    return replace(profile, channels=channels)


def parse_profile(text: str, file_name: str) -> Profile:
    """Parse and validate; PlanError names line and cure."""
    file = parse_toml(text, file_name)
    data = file.data
    _refuse_unknown(file, (), data, _TOP)
    transport = _choice(file, ("transport",), data.get("transport"), get_args(Transport))
    channels = _read_channels(file)
    if ("lines" in data) == ("packets" in data):
        file.refuse((), "it must say how the board sends, once", "add either [lines] or [packets]")
    columns, modulus, packets, layout = None, None, None, None
    if "lines" in data:
        layout = read_layout(file, channels)
        columns, modulus = _read_lines(file, channels, has_layout=layout is not None)
    else:
        packets = _read_packets(file, channels)
        modulus = packets.sequence_modulus
    radio = _read_radio(file) if transport == "ble" else None
    if transport != "ble" and "radio" in data:
        file.refuse(("radio",), f"[radio] of a {transport} board", 'remove it, or use transport = "ble"')
    if transport == "udp" and "commands" in data:
        file.refuse(("commands",), "[commands] of a udp board", "remove it: nothing is sent to such a board")
    commands = _read_commands(file)
    rate = data.get("rate_hz")
    if rate is None and transport == "ble":
        file.refuse((), "rate_hz is missing", "say how many frames per second the board sends")
    return Profile(
        name=Path(file_name).stem,
        title=str(data.get("title", Path(file_name).stem)),
        transport=cast(Transport, transport),
        channels=channels,
        rate_hz=None if rate is None else _number(file, ("rate_hz",), rate, above=0, most=100_000),
        baud=_whole(file, ("baud",), data.get("baud", 115200), above=0, most=20_000_000),
        columns=columns,
        layout=layout,
        packets=packets,
        sequence_modulus=modulus,
        radio=radio,
        info=commands.get("info"),
        start=commands.get("start"),
        stop=commands.get("stop"),
        key=_read_key(file),
    )


def _read_channels(file: TomlFile) -> tuple[Channel, ...]:
    entries = file.data.get("channel")
    if not isinstance(entries, list) or not entries:
        file.refuse((), "no channel is described", "add [[channel]] with name and kind")
    channels: list[Channel] = []
    for k, entry in enumerate(entries):
        place: Place = ("channel", k)
        _refuse_unknown(file, place, entry, _CHANNEL_KEYS)
        name = str(entry.get("name", ""))
        if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", name) or name in NOT_CHANNELS:
            file.refuse((*place, "name"), f"name = {name!r}", 'use letters and digits, for example "force"')
        if name in (channel.name for channel in channels):
            file.refuse((*place, "name"), f"channel {name!r} is given twice", "give each its own name")
        rails = entry.get("rails", [None, None])
        if "rails" in entry and not _are_rails(rails):
            file.refuse((*place, "rails"), f"rails = {rails!r}", "give first and last code, for example [0, 1023]")
        envelope = entry.get("envelope", False)
        if not isinstance(envelope, bool):
            file.refuse((*place, "envelope"), f"envelope = {envelope!r}", "use true or false")
        kind = _choice(file, (*place, "kind"), entry.get("kind"), BOARD_KINDS)
        try:
            channels.append(
                Channel(
                    name=name,
                    kind=kind,  # type: ignore[arg-type]  # just checked
                    unit=str(entry.get("unit", "count")),
                    factor=float(entry.get("factor", 1.0)),
                    offset_counts=float(entry.get("offset_counts", 0.0)),
                    envelope=envelope,
                    rail_low_counts=rails[0],
                    rail_high_counts=rails[1],
                )
            )
        except (ValueError, TypeError) as error:
            file.refuse((*place, "factor"), str(error), "use a number other than 0")
    return tuple(channels)


def _are_rails(rails: Any) -> bool:
    numbers = isinstance(rails, list) and len(rails) == 2 and all(type(rail) in (int, float) for rail in rails)
    return numbers and bool(rails[0] < rails[1])


def _read_lines(
    file: TomlFile, channels: tuple[Channel, ...], *, has_layout: bool
) -> tuple[tuple[str, ...] | None, int | None]:
    lines = file.data["lines"]
    _refuse_unknown(file, ("lines",), lines, {"columns", "sequence_wraps_at", "pattern", "decimal"})
    place = ("lines", "columns")
    if has_layout:
        if "columns" in lines:
            file.refuse(
                place, "columns and pattern at once", "the names in the pattern are the columns: remove columns"
            )
        return None, _read_wrap(file)
    try:
        columns = split_columns(str(lines.get("columns", "")))
    except ValueError as error:
        file.refuse(place, str(error), 'for example columns = "seq,t_us,force"')
    _check_names(file, place, channel_columns(columns), channels)
    return columns, _read_wrap(file)


def _read_wrap(file: TomlFile) -> int | None:
    wraps = file.data["lines"].get("sequence_wraps_at")
    return None if wraps is None else _whole(file, ("lines", "sequence_wraps_at"), wraps, above=1, most=2**53)


def _read_packets(file: TomlFile, channels: tuple[Channel, ...]) -> PacketLayout:
    packets, at = file.data["packets"], ("packets",)
    known = {"framing", "sync", "endian", "tag", "text_tag", "head", "frame", "frames", "most_frames", "crc"}
    _refuse_unknown(file, at, packets, known | {"sequence_counts"})
    framing = _choice(file, (*at, "framing"), packets.get("framing"), ("cobs", "sync"))
    count_key = "frames" if framing == "sync" else "most_frames"
    sync = _read_hex(file, (*at, "sync"), packets.get("sync", ""))
    if bool(sync) != (framing == "sync"):
        file.refuse(
            (*at, "sync"), f"framing {framing} with sync = {sync.hex(' ')!r}", 'sync goes with framing = "sync"'
        )
    frame = _read_fields(file, (*at, "frame"), packets.get("frame", []))
    layout = PacketLayout(
        framing="sync" if framing == "sync" else "cobs",
        frame=frame,
        head=_read_fields(file, (*at, "head"), packets.get("head", [])),
        n_frames=_whole(file, (*at, count_key), packets.get(count_key, 1), above=0, most=1000),
        endian=_choice(file, (*at, "endian"), packets.get("endian", "little"), ("little", "big")),  # type: ignore[arg-type]
        crc=_choice(file, (*at, "crc"), packets.get("crc", "none"), tuple(CRC_BYTES)),  # type: ignore[arg-type]
        sync=sync,
        tag=_read_byte(file, (*at, "tag"), packets.get("tag")),
        text_tag=_read_byte(file, (*at, "text_tag"), packets.get("text_tag")),
        sequence_counts=_choice(  # type: ignore[arg-type]
            file, (*at, "sequence_counts"), packets.get("sequence_counts", "frames"), ("frames", "packets")
        ),
    )
    _check_names(file, (*at, "frame"), layout.channels, channels)
    if layout.sequence_counts == "packets" and SEQUENCE not in (name for name, _ in layout.head):
        file.refuse((*at, "sequence_counts"), "sequence_counts = 'packets' without seq in head", "put seq into head")
    if layout.packet_bytes > MAX_WAITING_BYTES // 2:
        file.refuse((*at, count_key), f"a packet of {layout.packet_bytes} bytes", f"at most {MAX_WAITING_BYTES // 2}")
    return layout


def _read_fields(file: TomlFile, place: Place, entries: Any) -> tuple[Field, ...]:
    cure = f'for example ["seq:u16", "force:i24"]; types are {", ".join(TYPES)}'
    if not isinstance(entries, list):
        file.refuse(place, f"{place[-1]} = {entries!r}", cure)
    fields: list[Field] = []
    for entry in entries:
        match = _FIELD.fullmatch(str(entry))
        if not match or match[2] not in TYPES:
            file.refuse(place, f"field {entry!r}", cure)
        if match[1] in (SEQUENCE, TIME_US, TIME_MS) and match[2] in ("f32", "sfloat"):
            file.refuse(place, f"field {entry!r}", f"it counts in whole numbers, for example {match[1]}:u16")
        fields.append((match[1], match[2]))
    return tuple(fields)


def _read_radio(file: TomlFile) -> Radio:
    radio = file.data.get("radio")
    if not isinstance(radio, dict):
        file.refuse((), "[radio] is missing", "add it with service and data, the UUIDs of service and characteristic")
    _refuse_unknown(file, ("radio",), radio, {"service", "data", "command", "content", "advertised"})
    content = _choice(file, ("radio", "content"), radio.get("content", "bytes"), RADIO_CONTENTS)
    advertised = None
    if content == "advertised weight":
        advertised = Advertised(_read_uuid(file, "service", radio), is_standard=True)
    elif content == "advertised":
        advertised = _read_advertised(file, radio)
    if advertised is not None:
        return Radio(advertised.service, "", advertised=advertised)
    uuids = {
        key: _read_uuid(file, key, radio) for key in ("service", "data", "command") if key != "command" or key in radio
    }
    return Radio(uuids["service"], uuids["data"], uuids.get("command"), "weight" if content == "weight" else "bytes")


def _read_uuid(file: TomlFile, key: str, radio: Mapping[str, Any]) -> str:
    try:
        return str(UUID(str(radio.get(key, ""))))
    except ValueError:
        cure = "write a UUID of 32 hexadecimal digits, for example 6E400001-B5A3-F393-E0A9-E50E24DCCA9E"
        file.refuse(("radio", key), f"{key} = {radio.get(key)!r}", cure)


def _read_advertised(file: TomlFile, radio: Mapping[str, Any]) -> Advertised:
    """Where in somebody's advertisements the number stands."""
    about, place = radio.get("advertised"), ("radio", "advertised")
    if not isinstance(about, dict):
        cure = 'add [radio.advertised] with company or [radio] service, and at and type, for example type = "u16"'
        file.refuse(("radio",), "it does not say where the number stands", cure)
    _refuse_unknown(file, place, about, {"company", "at", "type"})
    written = str(about.get("type", "u16"))
    match = re.fullmatch(r"([ui])(8|16|24|32)(be)?", written)
    if match is None:
        file.refuse(
            (*place, "type"), f"type = {written!r}", "use u8, u16, u24, u32, i16 and so on; u16be for big-endian"
        )
    company = about.get("company")
    return Advertised(
        "" if company is not None else _read_uuid(file, "service", radio),
        company=None if company is None else _whole(file, (*place, "company"), company, above=-1, most=65535),
        at=_whole(file, (*place, "at"), about.get("at", 0), above=-1, most=250),
        n_bytes=int(match[2]) // 8,
        is_signed=match[1] == "i",
        is_big_endian=match[3] is not None,
    )


def _read_commands(file: TomlFile) -> dict[str, bytes]:
    commands = file.data.get("commands", {})
    _refuse_unknown(file, ("commands",), commands, {"info", "start", "stop", "key"})
    for key, value in commands.items():
        if not isinstance(value, str) or not value.isascii():
            file.refuse(("commands", key), f"{key} = {value!r}", "use plain text in quotes; a line end is added")
    return {key: value.encode("ascii") + b"\n" for key, value in commands.items()}


def _read_key(file: TomlFile) -> bytes | None:
    """What a board is sent that prints a prompt and waits."""
    try:
        return read_key(file.data.get("commands", {}).get("key"))
    except SourceError as error:
        file.refuse(("commands", "key"), error.what, 'for example key = "s", or key = "enter"')


def _check_names(file: TomlFile, place: Place, named: tuple[str, ...], channels: tuple[Channel, ...]) -> None:
    described = tuple(channel.name for channel in channels)
    if named != described:
        cure = f"name {', '.join(described)} here, in the order of their [[channel]] tables"
        file.refuse(place, f"channels {', '.join(named) or 'none'} do not fit the [[channel]] tables", cure)


def _read_hex(file: TomlFile, place: Place, value: Any) -> bytes:
    try:
        return bytes.fromhex(value)
    except (TypeError, ValueError):
        file.refuse(place, f"{place[-1]} = {value!r}", 'write bytes in hexadecimal, for example "A5 5A"')


def _read_byte(file: TomlFile, place: Place, value: Any) -> int | None:
    if value is None:
        return None
    return _whole(file, place, value, above=-1, most=255)


def _whole(file: TomlFile, place: Place, value: Any, *, above: float, most: float) -> int:
    number = _number(file, place, value, above=above, most=most)
    if not number.is_integer():
        file.refuse(place, f"{place[-1]} = {value!r}", "use a whole number")
    return int(number)


def _number(file: TomlFile, place: Place, value: Any, *, above: float, most: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not above < value <= most:
        file.refuse(place, f"{place[-1]} = {value!r}", f"use a number above {above:g} and at most {most:g}")
    return float(value)


def _choice(file: TomlFile, place: Place, value: Any, choices: tuple[str, ...]) -> str:
    if value not in choices:
        what = f"{place[-1]} is missing" if value is None else f"{place[-1]} = {value!r}"
        file.refuse(place, what, f"use {', '.join(choices)}")
    return str(value)


def _refuse_unknown(file: TomlFile, place: Place, table: Any, known: set[str]) -> None:
    if not isinstance(table, Mapping):
        file.refuse(place, f"{place[-1]} is not a table", f"use {', '.join(sorted(known))} in it")
    for key in table:
        if key not in known:
            file.refuse((*place, key), f"{key} is not known here", f"use {', '.join(sorted(known))}")
