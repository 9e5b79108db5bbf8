"""Which kind of source a URL names. Only that kind's module is imported: radio and serial libraries take time."""

from __future__ import annotations

import difflib
from importlib import import_module

from biofeedback.acquisition.source import EXAMPLE, OpenRecording, Source, SourceUrl
from biofeedback.errors import SourceError

DEVICES = {
    "serial": ("serial_source", "open_serial"),
    "ble": ("ble_url", "open_ble"),
    "udp": ("udp_source", "open_udp"),
    "lsl": ("lsl_source", "open_lsl"),
    "felt": ("felt_source", "open_felt"),
}


def open_source(url: str, *, open_recording: OpenRecording | None = None) -> Source:
    """Source that a URL names; nothing is opened yet.

    Parameters
    ----------
    url
        ``serial:PORT?baud=115200&rate=80&channels=force:N``, ``ble:NAME?profile=frame-radio``,
        ``udp:4210?channels=force:N``, ``lsl:NAME``, ``felt:`` for none, ``replay:FILE?speed=4``, ``simulated:?seed=1``,
        ``join:URL|URL`` for two sensors.
    open_recording
        How ``replay:`` opens a recording; without it only text logs can be replayed.

    Raises
    ------
    SourceError
        The URL cannot be understood or used; says what to write instead.
    """
    if url.strip().lower().startswith("join:"):
        from biofeedback.acquisition.join import open_joined

        return open_joined(url, lambda part: open_source(part, open_recording=open_recording))
    parsed = SourceUrl.parse(url)
    if parsed.scheme in DEVICES:
        module, opener = DEVICES[parsed.scheme]
        source: Source = getattr(import_module(f"biofeedback.acquisition.{module}"), opener)(url, parsed)
        return source
    if parsed.scheme == "replay":
        from biofeedback.acquisition.replay import open_replay

        return open_replay(url, parsed, open_recording=open_recording)
    if parsed.scheme == "simulated":
        from biofeedback.acquisition.simulated import open_simulated

        return open_simulated(url)
    if parsed.scheme == "hid":
        raise SourceError(
            "scales of the HID class are not read: two or three readings a second lead no hold",
            'use a scale with a serial output, or "A maximum from a display" on the coach\'s page',
        )
    known = [*DEVICES, "replay", "simulated", "join"]
    near = difflib.get_close_matches(parsed.scheme, known, n=1)
    listed = f"use {', '.join(f'{scheme}:' for scheme in known[:-1])} or {known[-1]}:, {EXAMPLE}"
    cure = f"did you mean {near[0]}:?" if near else listed
    raise SourceError(f"{parsed.scheme}: is not a kind of source", cure)
