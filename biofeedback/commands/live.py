"""``biofeedback live``: a real sensor, or a replay of one."""

from __future__ import annotations

import argparse

from biofeedback.acquisition.sources import open_source
from biofeedback.commands.wiring import add_session_arguments, run_session
from biofeedback.errors import CalibrationError
from biofeedback.session.session import Session
from biofeedback.storage.recording import open_recording


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``live``."""
    add_session_arguments(parser)
    parser.add_argument(
        "--source",
        required=True,
        metavar="URL",
        help="serial:/dev/ttyUSB0?baud=115200&rate=80&channels=force:N*0.0042, serial:socket://HOST:PORT?..., "
        "replay:FILE?speed=4, simulated:?seed=1",
    )
    parser.add_argument(
        "--maximum",
        action="append",
        default=[],
        metavar="CHANNEL=VALUE",
        help="a maximum known already, in the channel's unit above zero; it is marked as typed",
    )


def run(args: argparse.Namespace) -> int:
    """Run the session until Ctrl-C or the end of a replay."""
    source = open_source(args.source, open_recording=open_recording)
    maxima = [parse_maximum(text, [channel.name for channel in source.channels]) for text in args.maximum]

    def type_maxima(session: Session) -> None:
        for channel, value in maxima:
            session.command({"do": "typed_maximum", "channel": channel, "value": value}, by="command line")

    return run_session(source, args, prepare=type_maxima)


def parse_maximum(text: str, channels: list[str]) -> tuple[str, float]:
    """``force=412`` to ``("force", 412.0)``. CalibrationError with the cure."""
    name, _, number = text.partition("=")
    if name not in channels:
        raise CalibrationError(f"--maximum {text}: no channel {name!r}", f"use one of {', '.join(channels)}")
    try:
        value = float(number)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e9:
        raise CalibrationError(f"--maximum {text}: not a number above 0", f"write --maximum {name}=412")
    return name, value
