"""The ``ble:`` URL: a device that is connected to, or one whose advertisements are enough."""

from __future__ import annotations

from dataclasses import replace

from biofeedback.acquisition.ble_advert import AdvertSource
from biofeedback.acquisition.ble_source import BleSource
from biofeedback.acquisition.profiles import read_profile
from biofeedback.acquisition.source import SourceUrl, WireSource
from biofeedback.errors import SourceError


def open_ble(url: str, parsed: SourceUrl) -> WireSource:
    """Source for a ``ble:`` URL: ``ble:NAME?profile=frame-radio``, or ``ble:?profile=...`` for whichever is there."""
    parsed.check_known(("profile", "channels", "rate"))
    if "profile" not in parsed.options:
        raise SourceError("ble: does not say what the device sends", "add profile=, for example profile=frame-radio")
    profile = read_profile(parsed, "ble")
    profile = replace(profile, rate_hz=parsed.number("rate") or profile.rate_hz)
    if profile.radio is not None and profile.radio.advertised is not None:
        return AdvertSource(parsed.target, profile, url=url)
    return BleSource(parsed.target, profile, url=url)
