"""``biofeedback amend``: add what was not recorded at the time; nothing that is there is changed."""

from __future__ import annotations

import argparse
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from biofeedback.account.kinds import Noted, make_event
from biofeedback.errors import RecordingError
from biofeedback.storage.amend import add_events
from biofeedback.storage.recording import open_recording
from biofeedback.wiring import afterwards


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``amend``."""
    parser.add_argument("file", type=Path, metavar="FILE", help="a recording")
    afterwards.add_arguments(parser)
    parser.add_argument("--note", action="append", default=[], metavar="TEXT", help="a remark on the whole recording")


def run(args: argparse.Namespace) -> int:
    """Add ratings, phases, zero, maximum and notes, marked as said now."""
    recording = open_recording(args.file)
    has_maximum = {one.maximum.channel for one in recording.account.maximum_history}
    for text in args.maximum:
        if text.partition("=")[0] in has_maximum:
            raise RecordingError(
                f"--maximum {text}: the recording has a maximum of that channel", "the recorded one is kept"
            )
    events = afterwards.make_calibration(
        args,
        recording.channels,
        lambda: afterwards.compute_levels(recording.channels, recording.rate_hz, recording.items()),
        settings=recording.settings,
        known=recording.events,
    )
    events += afterwards.read_events(args, recording.rate_hz, recording.events)
    events += [make_event(Noted(text=text, by="command line"), 0) for text in args.note]
    late = [event for event in events if event.frame > recording.n_frames]
    if late:
        time_s = late[0].frame / recording.rate_hz
        raise RecordingError(f"{time_s:.1f} s is after the end, {recording.duration_s:.1f} s", "check the times")
    if not events:
        raise RecordingError("nothing to add", "give --rating, --events, --maximum, --rest or --note")
    now = datetime.now(UTC).isoformat(timespec="milliseconds")
    add_events(args.file, [replace(event, utc=now) for event in events])
    print(f"{len(events)} events added to {args.file}")
    return 0
