"""Which sensors are here: serial ports, asked who they are, and radios that advertise something a profile knows."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bleak import BleakScanner
from bleak.exc import BleakError

from biofeedback.acquisition.ble_advert import read_advertised
from biofeedback.acquisition.ble_source import read_name_id
from biofeedback.acquisition.identify import BoardInfo
from biofeedback.acquisition.profile import Advertised
from biofeedback.acquisition.profiles import list_profiles, load_profile
from biofeedback.acquisition.serial_source import SerialSource
from biofeedback.errors import BiofeedbackError, SourceError


@dataclass(frozen=True, slots=True)
class RadioSeen:
    """A Bluetooth LE device and the names of the profiles whose service it advertises."""

    name: str
    address: str
    rssi_dbm: int
    profiles: tuple[str, ...]


def name_radios(seen: Sequence[RadioSeen]) -> list[tuple[str, str]]:
    """For each what to write in a source, and what a person calls it: id, name or address, whichever is its alone."""
    names = [radio.name for radio in seen]
    named: list[tuple[str, str]] = []
    for radio in seen:
        if own := read_name_id(radio.name):
            named.append((own, radio.name))
        elif radio.name and names.count(radio.name) == 1:
            named.append((radio.name, radio.name))
        else:
            named.append((radio.address, f"{radio.name or 'without a name'}, {radio.address}"))
    return named


def ask_port(path: str) -> tuple[BoardInfo | None, str]:
    """Who is there, or why nobody of ours is. Opening a port resets many boards, so this takes up to 3 s."""
    source = SerialSource(path, load_profile("frame-lines"), url=f"serial:{path}")
    try:
        return source.ask(), ""
    except SourceError as error:
        return None, error.what
    finally:
        source.close()


def scan_radios(*, seconds: float = 4.0) -> list[RadioSeen]:
    """Devices that advertise the service of some profile, strongest first. SourceError without Bluetooth."""
    services: dict[str, list[str]] = {}
    advertised: dict[str, Advertised] = {}
    for name in list_profiles():
        try:
            radio = load_profile(name).radio
        except BiofeedbackError:  # somebody's broken profile is reported where profiles are listed
            continue
        if radio is not None and radio.advertised is not None:
            advertised[name] = radio.advertised
        elif radio is not None:
            services.setdefault(radio.service, []).append(name)
    try:
        return asyncio.run(_scan(services, advertised, seconds))
    except (BleakError, OSError) as error:
        raise SourceError(f"Bluetooth cannot be used ({error})", "switch it on, or plug in an adapter") from None


async def _scan(
    services: Mapping[str, list[str]], advertised: Mapping[str, Advertised], seconds: float
) -> list[RadioSeen]:
    found = await BleakScanner.discover(timeout=seconds, return_adv=True)  # a number may come without any service
    seen = []
    for device, heard in found.values():
        said = [name for name, about in advertised.items() if read_advertised(heard, about) is not None]
        profiles = (*said, *(name for uuid in heard.service_uuids for name in services.get(uuid, ())))
        if profiles:
            seen.append(RadioSeen(device.name or "", device.address, heard.rssi, profiles))
    return sorted(seen, key=lambda radio: -radio.rssi_dbm)
