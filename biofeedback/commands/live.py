"""``biofeedback live``: a real sensor, or a replay of one; named on the command line or chosen on the page."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from biofeedback.acquisition.sources import open_source
from biofeedback.calibration.maxima import carry_maximum
from biofeedback.errors import BiofeedbackError
from biofeedback.model import Channel
from biofeedback.session.exercises import ASKED
from biofeedback.session.session import Session
from biofeedback.storage.recording import open_recording
from biofeedback.storage.schema import recordings_folder
from biofeedback.wiring.assembly import add_session_arguments
from biofeedback.wiring.certificates import FOLDER, choose_certificates, scale_channels
from biofeedback.wiring.group import pick_own, seat_athletes
from biofeedback.wiring.kept_rates import NAME as RATES
from biofeedback.wiring.kept_rates import use_kept_rate
from biofeedback.wiring.leftovers import tell_unfinished
from biofeedback.wiring.live_sessions import SessionRequest, run_sessions
from biofeedback.wiring.maxima import parse_maximum
from biofeedback.wiring.user_files import find_exercises


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``live``."""
    add_session_arguments(parser)
    what = parser.add_mutually_exclusive_group()
    what.add_argument(
        "--source",
        action="append",
        metavar="URL",
        help="without it sensor, athlete and exercise are chosen on the page; "
        "serial:/dev/ttyUSB0?baud=115200&rate=80&channels=force:N*0.0042, serial:socket://HOST:PORT?..., "
        "replay:FILE?speed=4, simulated:?seed=1; up to four athletes: --source URL --athlete A01 --source URL "
        "--athlete A02 ..., with A02: before the values of --maximum, --carry and --certificate",
    )
    what.add_argument("--exercises", action="store_true", help="list the library of exercises and end")
    parser.add_argument(
        "--maximum",
        action="append",
        default=[],
        metavar="CHANNEL=VALUE",
        help="a maximum read off a display, in the channel's unit above zero; it is marked as typed",
    )
    parser.add_argument(
        "--carry",
        action="append",
        default=[],
        metavar="FILE",
        help="take over the maxima of an earlier recording: force with its age shown, EMG only within 12 hours",
    )
    parser.add_argument(
        "--certificate",
        action="append",
        default=[],
        metavar="CHANNEL=FILE",
        help="scale the channel by a certificate made with biofeedback scale (force: the newest from the page)",
    )
    parser.add_argument(
        "--lsl",
        metavar="NAME",
        help="send effort, phases and ratings as streams of the lab streaming layer, NAME-A01 and NAME-A01-events "
        "(pip install 'biofeedback[lsl]')",
    )
    parser.add_argument(
        "--no-certificate", action="store_true", help="leave the certificates that were made on the page unused"
    )


def run(args: argparse.Namespace) -> int:
    """Run the session until Ctrl-C or the end of a replay."""
    if args.exercises:
        return list_exercises(args.folder or recordings_folder(), args.own_exercises)
    tell_unfinished(args.folder or recordings_folder())
    args.keeps_phones = True
    if not args.source and len(args.athlete) < 2:
        from biofeedback.wiring.start_page import run_from_start

        return run_from_start(args, request_chosen, open_recording)
    seats = seat_athletes(args.source or [], args.athlete)
    codes = [athlete for _, athlete in seats]
    return run_sessions([request_session(url, athlete, codes, args) for url, athlete in seats], args)


def request_chosen(url: str, athlete: str, args: argparse.Namespace) -> SessionRequest:
    """The one session that was chosen on the page."""
    return request_session(url, athlete, [athlete], args)


def request_session(url: str, athlete: str, codes: Sequence[str], args: argparse.Namespace) -> SessionRequest:
    """One athlete's session with what the command line says of it."""
    maxima = pick_own(args.maximum, athlete, codes, "--maximum")
    earlier = pick_own(args.carry, athlete, codes, "--carry")
    certificates = pick_own(args.certificate, athlete, codes, "--certificate")

    folder = args.folder or recordings_folder()
    used = use_kept_rate(folder, url)
    if used != url:
        print(f"{used}: the rate that this sensor turned out to have, kept in {folder / RATES}")
    kept = None if args.no_certificate else folder / FOLDER

    def scale(channels: Sequence[Channel]) -> tuple[list[Channel], dict[str, Any]]:
        return scale_channels(channels, choose_certificates(channels, certificates, folder=kept, url=url))

    def prepare(session: Session) -> None:
        names = [channel.name for channel in session.engine.channels]
        for name, value in [parse_maximum(text, names) for text in maxima]:
            session.command({"do": "typed_maximum", "channel": name, "value": value}, by="command line")
        for path in earlier:
            carry_maxima(session, Path(path))
        if way := getattr(args, "way", None):  # chosen on the page
            session.command(way, by="coach")

    return SessionRequest(open_source(used, open_recording=open_recording), athlete, scale=scale, prepare=prepare)


def list_exercises(folder: Path, own: Path | None) -> int:
    """Print the library."""
    for exercise in find_exercises(folder, own).values():
        print(f"{exercise.name}\n  {exercise.title}")
        for heading, text in exercise.to_notes().items():
            print(f"  {heading.lower()}: {text}")
        for question in exercise.unanswered:
            print(f"  not said: {ASKED[question]}")
    return 0


def carry_maxima(session: Session, path: Path) -> None:
    """Take over what may be taken over, and say about each what it is worth today; nothing of another athlete's."""
    setup, recording = session.engine.setup, open_recording(path)
    whose = str(recording.settings.get("athlete") or setup.athlete)  # an import may name nobody
    is_computed = bool(recording.settings.get("simulated")) and not setup.simulated
    is_for_learning = bool(recording.settings.get("familiarisation"))
    if is_computed or is_for_learning or whose.casefold() != setup.athlete.casefold():
        of = "an evening for learning the steps" if is_for_learning else f"{whose}, not of {setup.athlete}"
        of = "a simulated athlete" if is_computed else of
        told = f"{path.name} is of {of}: no maximum is taken over"
        print(told, file=sys.stderr)
        session.engine.message = {"level": "warn", "text": told, "cure": "find a maximum"}
        return
    latest = recording.account.maxima  # of the sensor that was there at the end
    for channel in session.engine.channels:
        if channel.name not in latest:
            continue
        try:
            carried = carry_maximum(
                latest[channel.name],
                channel=channel,
                now_utc=setup.started_utc,
                position=setup.position,
                side=setup.side,
                exercise=setup.exercise,
            )
        except BiofeedbackError as error:
            print(f"{channel.name}: {error}", file=sys.stderr)
            continue
        session.carry(carried.maximum, carried.warnings)
        for warning in carried.warnings:
            print(f"{channel.name}: {warning}", file=sys.stderr)
