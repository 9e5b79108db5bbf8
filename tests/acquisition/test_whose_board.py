"""Several Bluetooth boards of one kind in one room: each athlete keeps their own."""

import asyncio
import contextlib
from types import SimpleNamespace

import pytest
from bleak.exc import BleakBluetoothNotAvailableError, BleakError

from biofeedback.acquisition import ble_source
from biofeedback.acquisition.ble_source import read_name_id
from biofeedback.acquisition.profiles import load_profile
from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.scan import RadioSeen, name_radios
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import SourceError

from .listening import read_until

SERVICE = load_profile("frame-radio").radio.service
ONE, TWO = "AA:BB:CC:DD:EE:01", "AA:BB:CC:DD:EE:02"


class Air:
    """What is heard, in order of hearing, and who was connected to."""

    def __init__(self):
        self.near = []
        self.connected, self.links, self.refuse = [], [], []

    def add(self, name, address, rssi=-50):
        seen = SimpleNamespace(local_name=name, service_uuids=[SERVICE], rssi=rssi)
        self.near.append((SimpleNamespace(name=name, address=address), seen))


@pytest.fixture
def air(monkeypatch):
    air = Air()

    class Scanner:
        def __init__(self, hear, **_):
            self.hear = hear

        async def __aenter__(self):
            for pair in air.near:
                self.hear(*pair)

        async def __aexit__(self, *_):
            pass

        @staticmethod
        async def find_device_by_filter(fits, **_):
            await asyncio.sleep(0.01)
            return next((device for device, seen in air.near if fits(device, seen)), None)

    class Client:
        def __init__(self, device, lost, **_):
            self.device, self.lost = device, lost

        async def __aenter__(self):
            if air.refuse:
                raise air.refuse.pop(0)
            air.connected.append(self.device.address)
            air.links.append((asyncio.get_running_loop(), self.lost))

        async def __aexit__(self, *_):
            pass

        async def start_notify(self, *_):
            pass

        async def write_gatt_char(self, *_):
            pass

    monkeypatch.setattr(ble_source, "BleakScanner", Scanner)
    monkeypatch.setattr(ble_source, "BleakClient", Client)
    monkeypatch.setattr(ble_source, "LISTEN_S", 0.05)
    monkeypatch.setattr(ble_source, "SCAN_S", 0.1)
    monkeypatch.setattr(ble_source, "OPEN_S", 2.0)
    return air


@contextlib.contextmanager
def opened(url):
    source = open_source(url)
    source.open()
    try:
        yield source
    finally:
        source.close()


@pytest.mark.parametrize("target", ["", "board"])
def test_of_two_that_fit_none_is_taken_and_both_are_told_apart(air, target):
    air.add("board", ONE, rssi=-80)
    air.add("board", TWO, rssi=-45)
    with pytest.raises(SourceError) as told, opened(f"ble:{target}?profile=frame-radio"):
        pass
    assert str(told.value).startswith(f"2 Bluetooth devices fit: board {TWO} (-45 dBm), board {ONE} (-80 dBm)")
    assert f"ble:{TWO}" in told.value.cure
    assert air.connected == []


@pytest.mark.parametrize("target", [TWO, TWO.lower()])
def test_an_address_means_one(air, target):
    air.add("board", ONE)
    air.add("board", TWO)
    with opened(f"ble:{target}?profile=frame-radio") as source:
        assert air.connected == [TWO]
        assert source.device_id == TWO


@pytest.mark.parametrize("target", ["1A2B3C4D", "1a2b3c4d", "hold sensor 1A2B3C4D"])
def test_the_id_that_our_firmware_advertises_means_one(air, target):
    air.add("hold sensor 00000002", ONE)
    air.add("hold sensor 1A2B3C4D", TWO)
    with opened(f"ble:{target}?profile=frame-radio") as source:
        assert air.connected == [TWO]
        assert source.device_id == "1A2B3C4D"


def test_after_a_loss_only_its_own_is_taken_back(air):
    air.add("board", ONE)
    with opened("ble:board?profile=frame-radio") as source:
        own = air.near.pop()
        air.add("board", TWO)  # the neighbour's is switched on while ours is away
        loop, lost = air.links[0]
        loop.call_soon_threadsafe(lost, None)
        reader = Reader(source)
        read_until(reader, lambda _: reader.is_lost)
        assert not source._connected.wait(0.4)
        air.near.append(own)
        assert source._connected.wait(3.0)
        assert air.connected == [ONE, ONE]
        assert source.device_id == ONE


@pytest.mark.parametrize(
    "error",
    [OSError(22, "The operation was canceled by the user", None, -2147023673), BleakError("failed"), TimeoutError()],
)
def test_a_connect_error_that_passes_is_tried_again(air, error):
    if isinstance(error, OSError) and not isinstance(error, TimeoutError):
        error.winerror = -2147023673  # as Windows has it; elsewhere the argument is not taken
    air.add("board", ONE)
    air.refuse = [error, error]
    with opened("ble:board?profile=frame-radio"):
        assert air.connected == [ONE]


@pytest.mark.parametrize("error", [BleakBluetoothNotAvailableError("off", "off"), FileNotFoundError(2, "no bus")])
def test_what_will_not_pass_is_told_at_once(air, error):
    air.add("board", ONE)
    air.refuse = [error] * 100
    with pytest.raises(SourceError, match="Bluetooth"), opened("ble:board?profile=frame-radio"):
        pass
    assert len(air.refuse) > 90


def test_each_that_is_seen_is_called_by_what_is_its_alone():
    seen = [
        RadioSeen("hold sensor 1A2B3C4D", ONE, -50, ()),
        RadioSeen("scale", TWO, -60, ()),
        RadioSeen("board", "X1", -61, ()),
        RadioSeen("board", "X2", -62, ()),
        RadioSeen("", "X3", -63, ()),
    ]
    assert [name for name, _ in name_radios(seen)] == ["1A2B3C4D", "scale", "X1", "X2", "X3"]
    assert [title for _, title in name_radios(seen)][2:] == ["board, X1", "board, X2", "without a name, X3"]


@pytest.mark.parametrize(
    ("name", "own"),
    [("hold sensor 1a2b3c4d", "1A2B3C4D"), ("1A2B3C4D", "1A2B3C4D"), ("board", ""), (None, ""), ("x1A2B3C4D", "")],
)
def test_an_id_is_the_last_word_of_a_name(name, own):
    assert read_name_id(name) == own
