import binascii
from dataclasses import replace

import pytest

from biofeedback.acquisition.decoder import LineDecoder
from biofeedback.acquisition.identify import ASK_AGAIN_S, adopt_info, ask_board, read_info
from biofeedback.acquisition.profiles import load_profile
from biofeedback.errors import SourceError

ANSWER = (  # the example of firmware-notes/protocol.md
    "#info proto=1 fw=1 id=1A2B3C4D rate=1000 columns=seq,t_us,emg_1,emg_2,force "
    "rails=0..1023,0..1023,-8388608..8388607 send=text lost=0"
)


def test_the_documented_answer():
    info = read_info(ANSWER)
    assert (info.board_id, info.firmware, info.rate_hz) == ("1A2B3C4D", "1", 1000.0)
    assert info.columns == ("seq", "t_us", "emg_1", "emg_2", "force")
    assert info.rails == ((0, 1023), (0, 1023), (-8388608, 8388607))


@pytest.mark.parametrize("n", [1, 8, 30])
def test_a_board_of_many_channels_is_understood_as_it_comes_over_the_wire(n):
    names, rails = ",".join(f"force_{k}" for k in range(n)), ",".join(["-8388608..8388607"] * n)
    line = f"#info proto=1 fw=1 id=1A2B3C4D rate=80 columns=seq,t_us,{names} rails={rails} send=text lost=0".encode()
    [text] = LineDecoder(columns="force,check").feed(b"%b,%d\n" % (line, binascii.crc_hqx(line, 0xFFFF)))
    assert read_info(text.text).rails == ((-8388608, 8388607),) * n


def test_anything_else_is_no_answer():
    assert read_info("#boot proto=1 fw=1") is None
    assert read_info("1,2,3") is None


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("proto=1", "proto=2"),
        ("rate=1000", "rate=fast"),
        ("rate=1000", "rate=0"),
        ("columns=seq,t_us,emg_1,emg_2,force", "columns=seq"),
        ("rails=0..1023,", "rails="),
        ("rails=", "nails="),
    ],
)
def test_an_answer_that_makes_no_sense(before, after):
    with pytest.raises(SourceError, match="update its firmware"):
        read_info(ANSWER.replace(before, after))


def test_a_profile_becomes_what_the_board_is():
    info = read_info(ANSWER.replace("emg_2,", "position_1,").replace("rate=1000", "rate=500"))
    lines = adopt_info(load_profile("frame-lines"), info)
    assert lines.rate_hz == 500
    assert lines.columns == ("seq", "t_us", "emg_1", "position_1", "force", "check")
    assert [channel.kind for channel in lines.channels] == ["emg", "position", "force"]
    assert lines.channels[2].rail_low_counts == -8388608
    packets = adopt_info(load_profile("frame-packets"), info)
    assert packets.packets.frame == (("emg_1", "u16"), ("position_1", "u16"), ("force", "i32"))
    assert packets.sequence_modulus == 65536


def test_a_typed_factor_is_kept():
    profile = load_profile("frame-lines")
    channels = tuple(replace(channel, factor=0.5, unit="N") for channel in profile.channels)
    adopted = adopt_info(replace(profile, channels=channels), read_info(ANSWER))
    assert all(channel.factor == 0.5 and channel.unit == "N" for channel in adopted.channels)


def test_a_channel_of_no_known_kind():
    with pytest.raises(SourceError, match="does not say what it measures"):
        adopt_info(load_profile("frame-lines"), read_info(ANSWER.replace("force", "torque")))


def test_a_board_that_says_nothing_is_asked_again_in_its_turn_and_given_up_in_time():
    now_s, written = 1000.0, []

    def read():
        nonlocal now_s
        now_s += ASK_AGAIN_S / 2
        return b""

    found = ask_board(load_profile("frame-lines"), written.append, read, clock=lambda: now_s, wait_s=10 * ASK_AGAIN_S)
    assert found is None
    assert now_s == 1000.0 + 10 * ASK_AGAIN_S
    assert 5 <= len(written) <= 10
    assert len(set(written)) == 1
