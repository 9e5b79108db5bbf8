from pathlib import Path

import pytest

from biofeedback.acquisition.source import read_channel, read_channels
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import SourceError
from biofeedback.model import Channel


@pytest.mark.parametrize(
    ("text", "channel"),
    [
        ("force", Channel(name="force", kind="force")),
        ("force:N", Channel(name="force", kind="force", unit="N")),
        ("force:N*0.0123", Channel(name="force", kind="force", unit="N", factor=0.0123)),
        ("force*-2e-3", Channel(name="force", kind="force", factor=-2e-3)),
        ("emg_left:uV@envelope", Channel(name="emg_left", kind="emg", unit="uV", envelope=True)),
        (
            "emg2:uV*0.5@envelope@0..1023",
            Channel(
                name="emg2",
                kind="emg",
                unit="uV",
                factor=0.5,
                envelope=True,
                rail_low_counts=0,
                rail_high_counts=1023,
            ),
        ),
        ("force@-1.5..2", Channel(name="force", kind="force", rail_low_counts=-1.5, rail_high_counts=2)),
        ("position:cm", Channel(name="position", kind="position", unit="cm")),
    ],
)
def test_channel_syntax(text, channel):
    assert read_channel(text) == channel


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "cannot be understood"),
        ("torque", "begin its name with force"),
        ("force:N*zero", "factor 'zero' cannot be used"),
        ("force:N*0", "factor '0' cannot be used"),
        ("force*inf", "factor 'inf' cannot be used"),
        ("emg@smooth", "'smooth' is not known"),
        ("2force", "cannot be understood"),
        ("force@1023..0", "first code, then last"),
        ("force@1.2.3..5", "'1.2.3..5' is not known"),
    ],
)
def test_channel_mistakes_are_named(text, says):
    with pytest.raises(SourceError, match=says.replace("(", r"\(")):
        read_channel(text)


def test_two_channels_of_one_name():
    with pytest.raises(SourceError, match="a name comes twice"):
        read_channels("emg,emg")


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("/dev/ttyUSB0", "does not say what kind of source it is"),
        ("seriall:/dev/ttyUSB0", "did you mean serial"),
        ("telepathy:x", "is not a kind of source"),
        ("serial:?channels=force", "does not name a port"),
        ("serial:/dev/ttyUSB0", "add channels="),
        ("serial:/dev/ttyUSB0?channels=force&bauds=9600", "did you mean baud"),
        ("serial:/dev/ttyUSB0?channels=force&baud=fast", "baud=fast is not a number"),
        ("serial:/dev/ttyUSB0?channels=force&rate=0", "rate=0 is not a number above 0"),
        ("serial:/dev/ttyUSB0?channels=force&rate=nan", "rate=nan is not a number"),
        ("serial:/dev/ttyUSB0?channels=force&baud", "write baud=VALUE"),
        ("serial:/dev/ttyUSB0?channels=force&baud=1&baud=2", "'baud' is given twice"),
        ("serial:/dev/ttyUSB0?channels=force,emg&columns=seq,emg,force", "does not fit channels=force,emg"),
        ("serial:/dev/ttyUSB0?channels=force&columns=seq,seq,force", "a name comes twice"),
        ("serial:/dev/ttyUSB0?channels=force&columns=force,time", "does not fit"),
        ("replay:/nowhere/at/all.hold", "cannot be opened"),
        ("simulated:?nonsense=1", "no option 'nonsense'"),
    ],
)
def test_url_mistakes_are_named_with_their_cure(url, says):
    with pytest.raises(SourceError) as caught:
        open_source(url)
    assert says in str(caught.value)
    assert caught.value.cure


def test_serial_url():
    source = open_source("serial:/dev/ttyUSB0?baud=9600&rate=80&channels=force:N,emg:uV&columns=seq,t_us,force,-,emg")
    assert [channel.name for channel in source.channels] == ["force", "emg"]
    assert source.rate_hz == 80
    assert not source.is_simulated


@pytest.mark.parametrize("target", ["socket://192.0.2.1:4000", "rfc2217://192.0.2.1:4000"])
def test_port_behind_a_network(target):
    assert open_source(f"serial:{target}?channels=force&rate=80").target == target


def test_a_scale_of_the_hid_class_is_told_to_be_no_source_and_what_to_do():
    """Usage page 0x8D of the USB HID usage tables is "Weighing Devices" (from memory)."""
    with pytest.raises(SourceError, match="not read") as raised:
        open_source("hid:1234:5678")
    assert "from a display" in raised.value.cure
    assert "did you mean" not in raised.value.cure
    notes = (Path(__file__).parents[2] / "firmware-notes" / "profiles.md").read_text("utf-8")
    page = (Path(__file__).parents[2] / "biofeedback/web/static/live/live.html").read_text("utf-8")
    assert "HID class (usage page 0x8D) are not read" in notes
    assert "A maximum from a display" in page  # what the cure sends people to
