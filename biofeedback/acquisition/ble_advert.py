"""Weight that a Bluetooth LE scale advertises: nothing is connected to, so any number of listeners may listen.

A scale repeats its reading a few times a second, evenly for nobody. What was heard last is handed on at the profile's
rate while the scale is heard, and nothing when it is not: a read-out for masses and slow pulls, no live band.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable

from bleak import BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakError

from biofeedback.acquisition.ble_source import RadioSource, tell_several
from biofeedback.acquisition.codecs import WEIGHT_STEP_KG, decode_weight
from biofeedback.acquisition.profile import Advertised, Profile
from biofeedback.errors import SourceError

FIND_S, LISTEN_S = 10.0, 2.0  # scales sleep between readings; after the first, for another that fits as well
FRESH_S = 3.0  # a scale that was not heard for as long is away, or asleep
READ_S = 0.05


def read_advertised(seen: AdvertisementData, about: Advertised) -> float | None:
    """What a scale advertises, in counts of its profile; None where nothing of it is there, or it did not measure."""
    data = seen.service_data.get(about.service) if about.company is None else seen.manufacturer_data.get(about.company)
    if data is None:
        return None
    if about.is_standard:
        mass_kg = decode_weight(data)
        return None if mass_kg is None else mass_kg / WEIGHT_STEP_KG
    if len(data) < about.at + about.n_bytes:
        return None
    part = data[about.at : about.at + about.n_bytes]
    return float(int.from_bytes(part, "big" if about.is_big_endian else "little", signed=about.is_signed))


class AdvertSource(RadioSource):
    """See ``Source``. The scanner has an event loop and a thread of its own; ``read`` hands on what it heard last."""

    device_id: str = ""

    def __init__(
        self,
        target: str,
        profile: Profile,
        *,
        url: str,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        if profile.radio is None or profile.radio.advertised is None:
            raise ValueError(f"profile {profile.name} says nothing of advertisements")
        super().__init__(target, profile, url=url, clock=clock)
        self.about = profile.radio.advertised
        self.description = target or "Bluetooth LE scale"
        self._sleep = sleep
        self._heard: dict[str, tuple[BLEDevice, AdvertisementData]] = {}
        self._latest: tuple[float, float] | None = None  # when, and what
        self._failure: Exception | None = None
        self._leave: Callable[[], object] = lambda: None
        self._thread: threading.Thread | None = None
        self._next_s = 0.0

    def open(self) -> None:
        """Scan until the scale is heard. SourceError when nobody is, or when several could be meant."""
        started = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(started,), name="advert", daemon=True)
        self._thread.start()
        started.wait()
        until_s = self._clock() + FIND_S
        while not self._heard and self._failure is None and self._clock() < until_s:
            self._sleep(READ_S)
        if self._heard and not self._is_exact():
            self._sleep(LISTEN_S)
        if self._heard and self._failure is None and len(self._heard) == 1:
            ((device, _),) = self._heard.values()
            self.device_id, self.description = device.address, f"{device.name or 'scale'} ({device.address})"
            self._next_s = self._clock()
            return
        self.close()
        if self._failure is not None:
            raise SourceError(f"Bluetooth cannot be used ({self._failure})", "switch it on, or plug in an adapter")
        if len(self._heard) > 1:
            raise tell_several(self._heard)
        raise SourceError(
            f"no Bluetooth device {self.target}".rstrip() + f" advertises what profile {self.profile.name} reads",
            "wake it by a load, bring it closer; a scale that must be connected to needs another profile",
        )

    def close(self) -> None:
        """Stop scanning."""
        self._leave()
        if self._thread is not None:
            self._thread.join(FIND_S)
        self._thread = None

    def read(self) -> bytes:
        """The reading of now at the profile's rate; b"" while the scale is not heard."""
        now_s = self._clock()
        if now_s < self._next_s:
            self._sleep(min(READ_S, self._next_s - now_s))
            return b""
        self._next_s = max(self._next_s + 1 / self.rate_hz, now_s - 1.0)
        if self._latest is None or now_s - self._latest[0] > FRESH_S:
            return b""
        return b"%.9g\n" % self._latest[1]

    def _run(self, started: threading.Event) -> None:
        async def scan() -> None:
            leaving, loop = asyncio.Event(), asyncio.get_running_loop()
            self._leave = lambda: loop.is_closed() or loop.call_soon_threadsafe(leaving.set)
            started.set()
            async with BleakScanner(self._hear):
                await leaving.wait()

        try:
            asyncio.run(scan())
        except (BleakError, OSError) as error:
            self._failure = error
        finally:
            started.set()

    def _hear(self, device: BLEDevice, seen: AdvertisementData) -> None:
        if self.device_id and device.address != self.device_id:
            return
        names = {device.name, seen.local_name, device.address.upper()}
        if self.target and self.target not in names and self.target.upper() not in names:
            return
        value = read_advertised(seen, self.about)
        if value is None:
            return
        self._heard.setdefault(device.address, (device, seen))
        self._latest = self._clock(), value

    def _is_exact(self) -> bool:
        return self.target.upper() in self._heard
