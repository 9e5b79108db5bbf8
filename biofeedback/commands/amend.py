"""``biofeedback amend``: add what was not recorded at the time; nothing that is there is changed."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from biofeedback.account.kinds import Noted, make_event
from biofeedback.errors import RecordingError
from biofeedback.model import Event
from biofeedback.storage.amend import add_events
from biofeedback.storage.events_table import read_events_table
from biofeedback.storage.imported import end_phases
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
    told: list[str] = []
    events = afterwards.make_calibration(
        args,
        recording.channels,
        lambda: afterwards.compute_levels(recording.channels, recording.rate_hz, recording.items(), recording.settings),
        rate_hz=recording.rate_hz,
        settings=recording.settings,
        known=recording.events,
        told=told,
    )
    table = read_events_table(args.events) if args.events else None
    told += table.remarks if table else ()
    about = afterwards.list_names(args.file, recording.settings)
    said = afterwards.read_events(args, recording.rate_hz, recording.events, table=table, about=about)
    check_times([*events, *said], recording.n_frames, recording.rate_hz)
    where = str(args.events or "--rating")
    events += end_phases(said, recording.rate_hz, recording.n_frames, where=where, strict=True)[0]
    events += [make_event(Noted(text=text, by="command line"), 0) for text in args.note]
    if not events:
        raise RecordingError("nothing to add", "give --rating, --events, --maximum, --maximum-from, --rest or --note")
    now = datetime.now(UTC).isoformat(timespec="milliseconds")
    add_events(args.file, [replace(event, utc=now) for event in events])
    for text in told:
        print(text)
    print(f"{'1 event' if len(events) == 1 else f'{len(events)} events'} added to {args.file}")
    return 0


def check_times(events: Sequence[Event], n_frames: int, rate_hz: float) -> None:
    """RecordingError for what would lie behind the end."""
    late = [event for event in events if event.frame > n_frames]
    if late:
        raise RecordingError(
            f"{late[0].frame / rate_hz:.1f} s is after the end, {n_frames / rate_hz:.1f} s", "check the times"
        )
