import contextlib
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.acquisition.decoder import NOT_CHANNELS
from biofeedback.acquisition.health import find_clipped
from biofeedback.acquisition.packets import TYPES
from biofeedback.acquisition.profile import Advertised, Radio
from biofeedback.acquisition.profiles import list_profiles, load_profile, parse_profile
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import PlanError, SourceError

LINES = """title = "my board"
transport = "serial"
rate_hz = 80

[lines]
columns = "seq,force,-"

[[channel]]
name = "force"
kind = "force"
unit = "N"
factor = 0.01
"""
PACKETS = """transport = "serial"
rate_hz = 1000

[packets]
framing = "sync"
sync = "A5 5A"
endian = "big"
head = ["seq:u8"]
frame = ["force:i24", "emg:u16"]
frames = 4
crc = "crc8"
sequence_counts = "packets"

[commands]
start = "go"

[[channel]]
name = "force"
kind = "force"

[[channel]]
name = "emg"
kind = "emg"
rails = [0, 4095]
"""
RADIO = """transport = "ble"
rate_hz = 80
[radio]
service = "6E400001-B5A3-F393-E0A9-E50E24DCCA9E"
data = "6E400003-B5A3-F393-E0A9-E50E24DCCA9E"
[lines]
columns = "force"
[[channel]]
name = "force"
kind = "force"
"""


def test_every_built_in_profile_is_good_and_says_what_it_is():
    names = list_profiles()
    assert {"frame-lines", "frame-packets", "frame-radio", "uart-radio", "weight-scale"} <= set(names)
    for name in names:
        profile = load_profile(name)
        assert profile.title != name
        assert profile.channels


@pytest.mark.parametrize("name", ["frame-lines", "frame-packets", "frame-radio"])
def test_a_load_cell_cable_that_fell_off_shows_as_clipped(name):
    """The line protocol promises it: a load cell that no longer converts stands on its lower rail, -8388608."""
    force = next(channel for channel in load_profile(name).channels if channel.kind == "force")
    assert find_clipped(force, np.array([-8388608.0, 0.0])).tolist() == [True, False]


def test_a_profile_of_text_lines():
    profile = parse_profile(LINES, "mine.toml")
    assert (profile.name, profile.title, profile.rate_hz, profile.baud) == ("mine", "my board", 80.0, 115200)
    assert profile.columns == ("seq", "force", "-")
    assert profile.channels[0].factor == 0.01


def test_a_profile_of_packets():
    profile = parse_profile(PACKETS, "mine.toml")
    assert profile.packets.packet_bytes == 1 + 4 * 5 + 1
    assert profile.sequence_modulus == 1024
    assert profile.start == b"go\n"
    assert profile.channels[1].rail_high_counts == 4095


@pytest.mark.parametrize(
    ("text", "before", "after", "line", "says"),
    [
        (LINES, 'transport = "serial"', 'transport = "pigeon"', 2, "use serial, ble"),
        (LINES, "rate_hz = 80", "rate_hz = 0", 3, "use a number above 0"),
        (LINES, "rate_hz = 80", 'rate_hz = "80"', 3, "use a number above 0"),
        (LINES, "rate_hz = 80", "speed = 80", 3, "speed is not known here"),
        (LINES, '"seq,force,-"', '"seq,seq"', 6, "a name comes twice"),
        (LINES, '"seq,force,-"', '"seq,power"', 6, "do not fit the [[channel]] tables"),
        (LINES, 'kind = "force"', 'kind = "weight"', 10, "use force, emg, position"),
        (LINES, 'name = "force"', 'name = "seq"', 9, "use letters and digits"),
        (LINES, "factor = 0.01", "factor = 0", 12, "use a number other than 0"),
        (LINES, "factor = 0.01", 'factor = "small"', 12, "use a number other than 0"),
        (LINES, "factor = 0.01", "rails = [1023, 0]", 12, "give first and last code"),
        (LINES, "factor = 0.01", 'rails = ["a", "b"]', 12, "give first and last code"),
        (LINES, "factor = 0.01", "envelope = 1", 12, "use true or false"),
        (LINES, "[lines]", "[line]", 5, "line is not known here"),
        (PACKETS, '"sync"\n', '"tcp"\n', 5, "use cobs, sync"),
        (PACKETS, '"A5 5A"', '"XY"', 6, "write bytes in hexadecimal"),
        (PACKETS, 'sync = "A5 5A"', 'sync = ""', 6, "sync goes with framing"),
        (PACKETS, '"force:i24"', '"force:i25"', 9, "types are u8"),
        (PACKETS, '"seq:u8"', '"seq:sfloat"', 8, "counts in whole numbers"),
        (PACKETS, '"seq:u8"', '"-:u8"', 12, "put seq into head"),
        (PACKETS, '"force:i24"', '"power:i24"', 9, "do not fit the [[channel]] tables"),
        (PACKETS, "frames = 4", "frames = 4000", 10, "at most 1000"),
        (PACKETS, "frames = 4", "frames = 1.5", 10, "use a whole number"),
        (PACKETS, '"crc8"', '"crc32"', 11, "use none, crc8, crc16"),
        (PACKETS, 'start = "go"', "start = 1", 15, "use plain text in quotes"),
        (RADIO, "6E400003-B5A3-F393", "6E400003-XXXX-F393", 5, "write a UUID"),
        (RADIO, "rate_hz = 80\n", "", None, "rate_hz is missing"),
        (RADIO, 'transport = "ble"', 'transport = "serial"', 3, "[radio] of a serial board"),
    ],
)
def test_mistakes_are_named_by_line_with_their_cure(text, before, after, line, says):
    assert before in text
    with pytest.raises(PlanError) as caught:
        parse_profile(text.replace(before, after, 1), "mine.toml")
    assert says in str(caught.value)
    assert (f"mine.toml, line {line}:" if line else "mine.toml:") in str(caught.value)
    assert caught.value.cure


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "transport is missing"),
        ("transport = ", "not valid TOML"),
        ('transport = "serial"', "no channel is described"),
        (LINES.replace("[lines]\n", "").replace('columns = "seq,force,-"\n', ""), "how the board sends, once"),
        ('transport = "serial"\nlines = 3\n[[channel]]\nname = "force"\nkind = "force"', "lines is not a table"),
    ],
)
def test_what_is_missing_is_named(text, says):
    with pytest.raises(PlanError, match=says):
        parse_profile(text, "mine.toml")


def test_people_keep_their_own_profiles(tmp_path, monkeypatch):
    monkeypatch.setenv("BIOFEEDBACK_PROFILES", str(tmp_path))
    (tmp_path / "mine.toml").write_text(LINES)
    (tmp_path / "emg-text.toml").write_text(LINES)
    assert load_profile("mine").title == "my board"
    assert load_profile("emg-text").title == "my board"  # goes before ours
    assert load_profile(str(tmp_path / "mine.toml")).name == "mine"


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("emg:uV*0.5", ("uV", 0.5, True, 0, 1023)),
        ("emg@envelope", ("mV", 0.25, True, 0, 1023)),
        ("emg@0..4095", ("mV", 0.25, True, 0, 4095)),
        ("emg:uV*0.5@1..2", ("uV", 0.5, True, 1, 2)),
    ],
)
def test_what_is_typed_beside_a_profile_leaves_the_rest_as_it_is(tmp_path, typed, expected):
    channel = 'name = "emg"\nkind = "emg"\nunit = "mV"\nfactor = 0.25\nenvelope = true\nrails = [0, 1023]\n'
    file = tmp_path / "mine.toml"
    file.write_text(f'transport = "serial"\nrate_hz = 80\n[lines]\ncolumns = "emg"\n[[channel]]\n{channel}')
    [emg] = open_source(f"serial:/dev/ttyUSB0?profile={file}&channels={typed}").channels
    assert (emg.unit, emg.factor, emg.envelope, emg.rail_low_counts, emg.rail_high_counts) == expected


def test_no_such_profile():
    with pytest.raises(SourceError, match=r"there is no profile 'mine'; use .*frame-lines"):
        load_profile("mine")
    with pytest.raises(SourceError, match="cannot be read"):
        load_profile(str(Path("nowhere") / "mine.toml"))


NUMBERS = ["0", "-1", "1.5", "nan", "inf", "99999999999999999999"]
TEXTS = ['""', '"x"', '"seq"', '"force"', '"\\u0000"']
LISTS = ["[]", "[1]", "[[1, 2]]", '["a:u8"]', '["force:f32"]', '["seq:u8", "force:u8"]']
literals = st.sampled_from([*NUMBERS, *TEXTS, *LISTS, "true", "{}", "{a = 1}", "1979-05-27"])


@given(st.sampled_from([LINES, PACKETS, RADIO]), st.data())
def test_whatever_a_value_is_the_profile_is_good_or_refused(text, data):
    keys = [line.split(" = ")[0] for line in text.splitlines() if " = " in line]
    for key in data.draw(st.lists(st.sampled_from(keys), min_size=1, max_size=2)):
        text = re.sub(rf"^{key} = .*$", lambda _, key=key: f"{key} = {data.draw(literals)}", text, flags=re.MULTILINE)
    with contextlib.suppress(PlanError):
        profile = parse_profile(text, "mine.toml")
        decoder = profile.make_decoder()
        decoder.feed(bytes(range(256)) * 3)
        assert profile.sequence_modulus is None or profile.sequence_modulus > 1
        assert all(channel.scaled(1.0) is not None for channel in profile.channels)


@given(st.sampled_from([LINES, PACKETS, RADIO]), st.integers(0, 400), st.text(max_size=5))
def test_whatever_is_typed_into_it_the_profile_is_good_or_refused(text, at, typed):
    with contextlib.suppress(PlanError):
        parse_profile(text[:at] + typed + text[at:], "mine.toml")


GUIDE = (Path(__file__).parents[2] / "firmware-notes" / "profiles.md").read_text("utf-8")


@pytest.mark.parametrize("example", re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL))
def test_every_example_in_the_guide_is_a_good_profile(example):
    assert parse_profile(example, "mine.toml").channels


def test_the_guide_names_every_type_column_and_key():
    known = {*TYPES, *NOT_CHANNELS, "most_frames", "text_tag", "sequence_counts", "sequence_wraps_at", "content"}
    assert not [name for name in known if name not in GUIDE]


def test_a_profile_may_name_the_medical_short_float():
    profile = parse_profile(PACKETS.replace('"force:i24"', '"force:sfloat"'), "mine.toml")
    assert profile.packets.frame[0] == ("force", "sfloat")


ADVERTISED = """
transport = "ble"
rate_hz = 4
[radio]
content = "advertised"
[radio.advertised]
company = 17
at = 3
type = "i24be"
[lines]
columns = "force"
[[channel]]
name = "force"
kind = "force"
"""


@pytest.mark.parametrize(
    ("text", "before", "after", "is_good"),
    [
        (LINES, "rate_hz = 80", "rate_hz = 100000", True),
        (LINES, "rate_hz = 80", "rate_hz = 100001", False),
        (LINES, "rate_hz = 80", "rate_hz = true", False),
        (LINES, "rate_hz = 80", "baud = 20000000", True),
        (LINES, "rate_hz = 80", "baud = 20000001", False),
        (LINES, "rate_hz = 80", "baud = 0", False),
        (LINES, "rate_hz = 80", "baud = 1", True),
        (LINES, "[lines]", "[lines]\nsequence_wraps_at = 2", True),
        (LINES, "[lines]", "[lines]\nsequence_wraps_at = 1", False),
        (LINES, "[lines]", f"[lines]\nsequence_wraps_at = {2**53}", True),
        (LINES, "[lines]", f"[lines]\nsequence_wraps_at = {2**53 + 2}", False),
        (LINES, "factor = 0.01", "rails = [-5, 5.5]", True),
        (LINES, "factor = 0.01", "rails = [5, 5]", False),
        (LINES, "factor = 0.01", "rails = [5]", False),
        (LINES, "factor = 0.01", "rails = [true, 5]", False),
        (PACKETS, "frames = 4", "frames = 818", True),  # 4096 bytes are a packet: 5 a frame, 6 around them
        (PACKETS, "frames = 4", "frames = 819", False),
        (PACKETS, "frames = 4", "frames = 0", False),
        (PACKETS, "[packets]", "[packets]\ntag = 0\ntext_tag = 255", True),
        (PACKETS, "[packets]", "[packets]\ntag = 256", False),
        (PACKETS, "[packets]", "[packets]\ntext_tag = -1", False),
        (ADVERTISED, "company = 17", "company = 0", True),
        (ADVERTISED, "company = 17", "company = 65535", True),
        (ADVERTISED, "company = 17", "company = 65536", False),
        (ADVERTISED, "company = 17", "company = -1", False),
        (ADVERTISED, "at = 3", "at = 0", True),
        (ADVERTISED, "at = 3", "at = 250", True),
        (ADVERTISED, "at = 3", "at = 251", False),
        (ADVERTISED, "at = 3", "at = -1", False),
        (ADVERTISED, 'type = "i24be"', 'type = "i12"', False),
        (ADVERTISED, 'type = "i24be"', 'type = "u8le"', False),
        (ADVERTISED, "company = 17\n", "", False),  # neither a company nor a service
    ],
)
def test_how_far_a_number_in_a_profile_may_go(text: str, before: str, after: str, is_good: bool) -> None:
    assert before in text
    changed = text.replace(before, after, 1)
    if is_good:
        parse_profile(changed, "mine.toml")
        return
    with pytest.raises(PlanError, match=r"mine\.toml"):
        parse_profile(changed, "mine.toml")


@pytest.mark.parametrize(
    ("written", "n_bytes", "is_signed", "is_big_endian"),
    [("u8", 1, False, False), ("i16", 2, True, False), ("u24", 3, False, False), ("i32be", 4, True, True)],
)
def test_where_an_advertised_number_stands(written: str, n_bytes: int, is_signed: bool, is_big_endian: bool) -> None:
    profile = parse_profile(ADVERTISED.replace("i24be", written), "mine.toml")
    assert profile.radio == Radio(
        "",
        "",
        advertised=Advertised(company=17, at=3, n_bytes=n_bytes, is_signed=is_signed, is_big_endian=is_big_endian),
    )
    service = "0000181d-0000-1000-8000-00805f9b34fb"
    by_service = ADVERTISED.replace("company = 17\nat = 3\n", "").replace("[radio]", f'[radio]\nservice = "{service}"')
    about = parse_profile(by_service, "mine.toml").radio
    assert about is not None
    assert about.advertised == Advertised(service, at=0, n_bytes=3, is_signed=True, is_big_endian=True)
    standard = by_service.replace('"advertised"', '"advertised weight"').replace("[radio.advertised]\n", "")
    about = parse_profile(standard.replace('type = "i24be"\n', ""), "mine.toml").radio
    assert about is not None
    assert about.advertised == Advertised(service, is_standard=True)


def test_what_a_profile_leaves_open_is_usual() -> None:
    text = LINES.replace("rate_hz = 80\n", "").replace("factor = 0.01\n", "").replace('unit = "N"\n', "")
    profile = parse_profile(text, "folder/mine.toml")
    assert (profile.rate_hz, profile.baud, profile.sequence_modulus, profile.radio) == (None, 115200, None, None)
    (channel,) = profile.channels
    assert (channel.factor, channel.offset_counts, channel.envelope) == (1.0, 0.0, False)
    assert (channel.rail_low_counts, channel.rail_high_counts) == (None, None)
    packets = parse_profile(PACKETS, "mine.toml").packets
    assert packets is not None
    assert packets.endian in ("little", "big")
