"""Scales that advertise their weight: read without a connection, whoever else listens."""

import asyncio
import struct
from types import SimpleNamespace

import pytest
from bleak.exc import BleakError

from biofeedback.acquisition import ble_advert, scan
from biofeedback.acquisition.ble_advert import read_advertised
from biofeedback.acquisition.profile import Advertised
from biofeedback.acquisition.profiles import load_profile, parse_profile
from biofeedback.acquisition.reader import make_reader
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import PlanError, SourceError
from biofeedback.model import Gap

from .listening import read_until, rows

SCALE = "0000181d-0000-1000-8000-00805f9b34fb"
URL = "ble:?profile=weight-advert&rate=20"
OWN = """transport = "ble"
rate_hz = 4
[radio]
content = "advertised"
[radio.advertised]
company = 65535
at = 2
type = "i16be"
[lines]
columns = "force"
[[channel]]
name = "force"
kind = "force"
"""


def weight(kg, *, flags=0):
    """Weight Measurement 0x2A9D, Bluetooth SIG GATT Specification Supplement: flags, then mass in 0.005 kg."""
    return struct.pack("<BH", flags, round(kg / 0.005))


def advert(*, service_data=None, manufacturer_data=None, name="scale", rssi=-50):
    return SimpleNamespace(
        local_name=name,
        service_uuids=[],
        rssi=rssi,
        service_data=service_data or {},
        manufacturer_data=manufacturer_data or {},
    )


@pytest.fixture
def air(monkeypatch):
    """``air.near``: (address, name, what it advertises just now, called for every advertisement)."""
    air = SimpleNamespace(near=[], broken=None)

    class Scanner:
        def __init__(self, hear=None, **_):
            self.hear = hear

        async def __aenter__(self):
            if air.broken:
                raise air.broken
            self.task = asyncio.ensure_future(self.send())

        async def __aexit__(self, *_):
            self.task.cancel()

        async def send(self):
            for _ in range(100_000):
                for address, name, make in air.near:
                    seen = make()
                    if seen is not None:
                        self.hear(SimpleNamespace(name=name, address=address), seen)
                await asyncio.sleep(0.02)

        @staticmethod
        async def discover(**_):
            return {a: (SimpleNamespace(name=name, address=a), make()) for a, name, make in air.near}

    monkeypatch.setattr(ble_advert, "BleakScanner", Scanner)
    monkeypatch.setattr(scan, "BleakScanner", Scanner)
    monkeypatch.setattr(ble_advert, "FIND_S", 0.5)
    monkeypatch.setattr(ble_advert, "LISTEN_S", 0.1)
    return air


def test_the_weight_of_the_moment_comes_at_the_profiles_rate(air):
    now = SimpleNamespace(kg=12.5)
    air.near = [("AA:01", "scale", lambda: advert(service_data={SCALE: weight(now.kg)}))]
    source = open_source(URL)
    source.open()
    reader = make_reader(source)
    items = read_until(reader, lambda items: len(rows(items)) >= 5)
    now.kg = 20.0
    items += read_until(reader, lambda items: rows(items) and rows(items)[-1][0] == 4000, most=100)
    source.close()
    assert source.device_id == "AA:01"
    newtons = source.channels[0].scaled(rows(items)[0][0])
    assert newtons == pytest.approx(12.5 * 9.80665)
    assert not [item for item in items if isinstance(item, Gap)]


def test_a_scale_that_falls_asleep_leaves_gaps_and_no_number(air, monkeypatch):
    monkeypatch.setattr(ble_advert, "FRESH_S", 0.1)
    now = SimpleNamespace(seen=advert(service_data={SCALE: weight(5)}))
    air.near = [("AA:01", "scale", lambda: now.seen)]
    source = open_source(URL)
    source.open()
    reader = make_reader(source)
    read_until(reader, rows)
    now.seen = None
    items = read_until(reader, lambda items: any(isinstance(item, Gap) for item in items))
    now.seen = advert(service_data={SCALE: weight(5)})
    read_until(reader, rows)
    source.close()
    assert len(rows(items)) < 6


def test_two_scales_are_named_not_guessed(air):
    one, two = (lambda: advert(service_data={SCALE: weight(5)}), lambda: advert(service_data={SCALE: weight(9)}))
    air.near = [("AA:01", "scale", one), ("AA:02", "scale", two)]
    with pytest.raises(SourceError, match=r"2 Bluetooth devices fit: .*AA:01.*; name the one that is meant"):
        open_source(URL).open()
    source = open_source("ble:AA:02?profile=weight-advert&rate=20")
    source.open()
    assert rows(read_until(make_reader(source), rows))[0] == [1800]
    source.close()


def test_nobody_and_no_radio_are_told(air):
    with pytest.raises(SourceError, match="advertises what profile weight-advert reads; wake it by a load"):
        open_source(URL).open()
    air.broken = BleakError("no adapter")
    with pytest.raises(SourceError, match=r"Bluetooth cannot be used \(no adapter\)"):
        open_source(URL).open()


@pytest.mark.parametrize(
    ("about", "data", "counts"),
    [
        (Advertised(SCALE, is_standard=True), weight(70), 14000),
        (Advertised(SCALE, is_standard=True), weight(70)[:2], None),
        (Advertised(SCALE, is_standard=True), b"\x00\xff\xff", None),  # could not be measured
        (Advertised(SCALE, at=1, n_bytes=2), b"\x00\x34\x12", 0x1234),
        (Advertised(SCALE, at=1, n_bytes=2, is_big_endian=True, is_signed=True), b"\x00\xff\xfe", -2),
        (Advertised(SCALE, at=2, n_bytes=2), b"\x00\x34\x12", None),
    ],
)
def test_what_is_advertised_is_read_or_left(about, data, counts):
    value = read_advertised(advert(service_data={SCALE: data}), about)
    assert value == pytest.approx(counts) if counts is not None else value is None


def test_a_profile_of_ones_own_says_where_the_number_stands(tmp_path):
    about = parse_profile(OWN, "own.toml").radio.advertised
    seen = advert(manufacturer_data={65535: b"\x07\x00\xff\x9c"})
    assert read_advertised(seen, about) == -100
    assert read_advertised(advert(manufacturer_data={1: b"\x07\x00\xff\x9c"}), about) is None
    for wrong, said in [('"i16be"', "u24"), ("65535", "at most 65535"), ("at = 2", "at most 250")]:
        text = OWN.replace(wrong, {"at = 2": "at = 900"}.get(wrong, "70000"))
        with pytest.raises(PlanError, match=said):
            parse_profile(text, "own.toml")
    with pytest.raises(PlanError, match=r"add \[radio.advertised\]"):
        parse_profile(OWN.replace("[radio.advertised]\ncompany = 65535\nat = 2\ntype", "[commands]\ninfo"), "own.toml")


def test_it_is_found_beside_those_that_are_connected_to(air):
    air.near = [("AA:01", "scale", lambda: advert(service_data={SCALE: weight(5)}))]
    (found,) = scan.scan_radios(seconds=0.1)
    assert found.profiles == ("weight-advert",)
    assert load_profile("weight-advert").radio.advertised.is_standard
