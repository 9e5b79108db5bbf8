"""The ``ble:`` source: a Bluetooth LE board or scale, by bleak, found again by itself when the link is lost."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import queue
import re
import threading
import time
from collections.abc import Callable
from typing import TypeAlias

from bleak import BleakClient, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakBluetoothNotAvailableError, BleakDBusError, BleakError

from biofeedback.acquisition.codecs import WEIGHT_STEP_KG, decode_weight, encode_cobs
from biofeedback.acquisition.profile import Profile
from biofeedback.acquisition.source import Decoder, WireSource
from biofeedback.acquisition.timeline import BURST_S
from biofeedback.errors import SourceError
from biofeedback.model import Channel

SCAN_S = 5.0
LISTEN_S = 1.0  # after the first that fits: another one that fits as well must not be left out
CONNECT_S = 10.0  # connecting to a silent device would otherwise hang for ever
OPEN_S = 12.0  # scan, connect and first answer
WATCHDOG_S = 3.0  # a crashed Bluetooth service reports nothing: no data for so long counts as a lost link
BACK_OFF_S = (0.05, 0.1, 0.2, 0.5, 1.0)
MOST_WAITING = 8192  # notifications
READ_S = 0.05
BOARD_ID = re.compile(r".*\b(?P<id>[0-9A-F]{8})")  # our boards advertise a name that ends in their id
NO_SERVICE = (errno.ENOENT, errno.ECONNREFUSED, errno.EACCES)  # of the system bus

Heard: TypeAlias = dict[str, tuple[BLEDevice, AdvertisementData]]  # by address


class RadioSource(WireSource):
    """What all Bluetooth sensors have in common: a profile describes them, and a radio stalls."""

    def __init__(self, target: str, profile: Profile, *, url: str, clock: Callable[[], float]) -> None:
        self.url, self.target, self.profile = url, target, profile
        self._clock = clock

    @property
    def channels(self) -> tuple[Channel, ...]:
        """As the profile has them."""
        return self.profile.channels

    @property
    def rate_hz(self) -> float:
        """Frames per second."""
        return self.profile.rate_hz or 1.0

    @property
    def patience_s(self) -> float:
        """A radio stalls and then brings everything at once."""
        return BURST_S


class BleSource(RadioSource):
    """See ``Source``. An event loop of its own, in its own thread, keeps the link; ``read`` takes from its queue."""

    device_id: str = ""  # of the device that answers: the id in its name, else its address
    n_dropped: int = 0  # notifications that found the queue full

    def __init__(self, target: str, profile: Profile, *, url: str, clock: Callable[[], float] = time.monotonic) -> None:
        if profile.radio is None:
            raise ValueError(f"profile {profile.name} is not for Bluetooth")
        super().__init__(target, profile, url=url, clock=clock)
        self.radio = profile.radio
        self.description = target or "Bluetooth LE"
        self.n_connects = 0
        self._address = ""  # of the device that was reached first: no other one takes its place
        self._queue: queue.Queue[bytes] = queue.Queue(MOST_WAITING)
        self._connected = threading.Event()
        self._lost = threading.Event()  # since the last read
        self._failure: Exception | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Task[None] | None = None
        self._thread: threading.Thread | None = None
        self._data_s = 0.0

    @property
    def sequence_modulus(self) -> int | None:
        """Where the sequence number wraps, if the profile says so."""
        return self.profile.sequence_modulus

    def make_decoder(self) -> Decoder:
        """Decoder for what this board sends."""
        return self.profile.make_decoder()

    def open(self) -> None:
        """Scan, connect, start; SourceError when that has not worked within 12 s."""
        started = threading.Event()
        self._thread = threading.Thread(target=self._run_loop, args=(started,), name="ble", daemon=True)
        self._thread.start()
        started.wait()
        deadline_s = self._clock() + OPEN_S
        while not self._connected.wait(READ_S):
            if _is_hopeless(self._failure) or self._clock() > deadline_s:
                self.close()
                raise self._explain_failure()

    def close(self) -> None:
        """Let go of the link; the Bluetooth service takes about 2 s for that."""
        if self._thread is not None and self._loop is not None and self._task is not None:
            self._loop.call_soon_threadsafe(self._task.cancel)
            self._thread.join(OPEN_S)
        self._thread = None

    def reopen(self) -> bool:
        """Whether the link is there again; it is being looked for all the time."""
        return self._connected.is_set()

    def read(self) -> bytes:
        """Notifications that have come, as the profile's decoder wants them; b"" after 50 ms without any."""
        try:
            notifications = [self._queue.get(timeout=READ_S)]
        except queue.Empty:
            if self._lost.is_set():
                self._lost.clear()
                cure = "bring it closer and check its battery; recording continues by itself when the sensor is back"
                raise SourceError(f"the radio link to {self.description} is lost", cure) from None
            return b""
        while not self._queue.empty():
            notifications.append(self._queue.get_nowait())
        return b"".join(map(self._frame_up, notifications))

    def _frame_up(self, data: bytes) -> bytes:
        """One notification is one packet: its two ends have to be made visible again in a stream of bytes."""
        if self.radio.content == "weight":
            mass_kg = decode_weight(data)
            if mass_kg is None:
                return b"\nnan\n"  # an unreadable line, so a missing frame
            return b"\n%.9g\n" % (mass_kg / WEIGHT_STEP_KG)
        if self.profile.packets is not None and self.profile.packets.framing == "cobs":
            return b"\0" + encode_cobs(data) + b"\0"
        return data

    def _run_loop(self, started: threading.Event) -> None:
        async def main() -> None:
            self._loop, self._task = asyncio.get_running_loop(), asyncio.current_task()
            started.set()
            await self._keep_link()

        with contextlib.suppress(asyncio.CancelledError):
            asyncio.run(main())

    async def _keep_link(self) -> None:
        n_failed = 0
        while True:
            n_before = self.n_connects
            try:
                await self._hold_link()
            except Exception as error:  # of a foreign library on four systems: whatever it is, the next try may succeed
                self._failure = error
            n_failed = 0 if self.n_connects > n_before else n_failed + 1
            await asyncio.sleep(BACK_OFF_S[min(n_failed, len(BACK_OFF_S) - 1)])

    async def _hold_link(self) -> None:
        """One connection, from scan to loss. A new client each time: a device may be a stranger after its return."""
        device = await self._find_device()
        if device is None:
            raise BleakError("no such device answers")
        gone = asyncio.Event()
        client = BleakClient(device, lambda _: gone.set(), services=[self.radio.service], timeout=CONNECT_S)
        try:
            async with client:
                await client.start_notify(self.radio.data, self._queue_notification)
                if self.profile.start and self.radio.command:
                    await client.write_gatt_char(self.radio.command, self.profile.start)
                name = device.name or self.target or "sensor"  # some tell their name only once connected
                self.description = f"{name} ({device.address})"
                self._address, self.device_id = device.address, read_name_id(device.name) or device.address
                self.n_connects += 1
                self._data_s = self._clock()
                self._lost.clear()
                self._connected.set()
                await self._wait_for_loss(gone)
        finally:
            if self._connected.is_set():
                self._connected.clear()
                self._lost.set()

    async def _wait_for_loss(self, gone: asyncio.Event) -> None:
        is_slow = self.radio.content == "weight"  # somebody has to step on it first
        while not gone.is_set():
            if not is_slow and self._clock() - self._data_s > WATCHDOG_S:
                return
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(gone.wait(), WATCHDOG_S / 4)

    def _queue_notification(self, _: object, data: bytearray) -> None:
        """On the event loop: nothing but queueing."""
        self._data_s = self._clock()
        try:
            self._queue.put_nowait(bytes(data))
        except queue.Full:
            self.n_dropped += 1

    def _fits(self, device: BLEDevice, seen: AdvertisementData) -> bool:
        if self.radio.service not in seen.service_uuids:
            return False
        if self._address:
            return device.address == self._address or read_name_id(device.name) == self.device_id
        names = {device.name, seen.local_name}
        return self.target in ("", *names) or self._is_address_of(device) or self._is_id_in(names)

    def _is_address_of(self, device: BLEDevice) -> bool:
        return self.target.upper() == device.address.upper()

    def _is_id_in(self, names: set[str | None]) -> bool:
        return bool(self.target) and self.target.upper() in map(read_name_id, names)

    async def _find_device(self) -> BLEDevice | None:
        """The one that is meant. SourceError when several could be: it would be somebody else's board."""
        services = [self.radio.service]
        if self._address:
            return await BleakScanner.find_device_by_filter(self._fits, timeout=SCAN_S, service_uuids=services)
        heard: Heard = {}
        anything = asyncio.Event()

        def hear(device: BLEDevice, seen: AdvertisementData) -> None:
            if self._fits(device, seen):
                heard[device.address] = device, seen
                anything.set()

        async with BleakScanner(hear, service_uuids=services):
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(anything.wait(), SCAN_S)
            if not heard:
                return None
            device = next(iter(heard.values()))[0]
            if self._is_address_of(device) or self._is_id_in({device.name}):
                return device
            await asyncio.sleep(LISTEN_S)
        if len(heard) > 1:
            raise tell_several(heard)
        return device

    def _explain_failure(self) -> SourceError:
        if isinstance(self._failure, SourceError):
            return self._failure
        if isinstance(self._failure, BleakBluetoothNotAvailableError):
            return SourceError("Bluetooth is off or missing", "switch it on, or plug in an adapter")
        if _is_hopeless(self._failure):
            return SourceError("the Bluetooth service of this computer does not answer", "start it, then try again")
        what = (
            f"no Bluetooth device {self.target}".rstrip() + f" that fits profile {self.profile.name} could be reached"
        )
        reason = f" ({self._failure})" if self._failure else ""
        return SourceError(
            what + reason, "switch it on, bring it closer, close other programs that are connected to it"
        )


def _is_hopeless(failure: Exception | None) -> bool:
    """No use in trying on: several boards fit, no adapter, no system bus, or no Bluetooth service on it.

    Other errors of the system pass by: on Windows a first connection is often refused.
    """
    if isinstance(failure, SourceError | BleakBluetoothNotAvailableError):
        return True
    if isinstance(failure, OSError):
        return getattr(failure, "winerror", None) is None and failure.errno in NO_SERVICE
    return isinstance(failure, BleakDBusError) and "ServiceUnknown" in failure.dbus_error


def read_name_id(name: str | None) -> str:
    """The id that a board of ours has in its advertised name, "hold sensor 1A2B3C4D"; "" for any other."""
    match = BOARD_ID.fullmatch((name or "").upper())
    return match["id"] if match else ""


def tell_several(heard: Heard) -> SourceError:
    """The boards that fit, the strongest first, and what tells them apart."""
    nearest = sorted(heard.values(), key=lambda pair: -pair[1].rssi)
    told = [f"{device.name or 'without a name'} {device.address} ({seen.rssi} dBm)" for device, seen in nearest]
    cure = (
        f"name the one that is meant by its address, for example ble:{nearest[0][0].address}; or switch the other off"
    )
    return SourceError(f"{len(told)} Bluetooth devices fit: {', '.join(told)}", cure)
