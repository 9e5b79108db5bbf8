"""Puts source, recorder, session and page together; what ``demo``, ``live`` and ``simulate`` have in common."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import signal
import sys
import webbrowser
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from biofeedback import __version__
from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.sources import EndOfSource, Source
from biofeedback.calibration.joints import JOINTS
from biofeedback.commands.answers import find_answer, render_report
from biofeedback.commands.drawing import draw_plan
from biofeedback.commands.review import make_review
from biofeedback.errors import BiofeedbackError, PlanError
from biofeedback.model import Channel, Cue, Item
from biofeedback.session.autopilot import Autopilot
from biofeedback.session.engine import Engine
from biofeedback.session.exercises import load_exercises
from biofeedback.session.plan import BUILT_IN, Plan, load_plan
from biofeedback.session.run import LiveSession
from biofeedback.session.session import Session
from biofeedback.session.setup import Setup
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.schema import recordings_folder, suggest_path

if TYPE_CHECKING:
    from biofeedback.web.pairing import Invitation


def add_session_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of every command that runs a session."""
    parser.add_argument("--athlete", default="A01", metavar="CODE", help="code of the athlete, never a name (A01)")
    parser.add_argument(
        "--exercise", default="", metavar="NAME", help="one of the library (biofeedback live --exercises) or own words"
    )
    parser.add_argument("--side", default="", choices=["", "left", "right", "both"])
    parser.add_argument("--position", default="", help="where the joint is, e.g. 'heel on box, 60 cm'")
    parser.add_argument("--joint", default=None, help="whose endurance to expect: ankle, knee, trunk, shoulder, ...")
    parser.add_argument(
        "--before",
        action="append",
        default=[],
        metavar="WHAT",
        help="what was done before and may ease discomfort by itself: warm-up, heat, massage, ...",
    )
    parser.add_argument("--own-exercises", type=Path, default=None, metavar="FILE", help="own exercises, TOML")
    parser.add_argument("--limit", type=float, default=9.0, metavar="0-10", help="discomfort that stops all (9)")
    parser.add_argument("--plan", action="append", default=[], metavar="FILE", help="also offer this plan file")
    parser.add_argument("--folder", type=Path, default=None, help="where recordings go (~/biofeedback-recordings)")
    parser.add_argument("--port", type=int, default=8765, help="of the page on 127.0.0.1; 0 takes any free one")
    parser.add_argument("--no-browser", action="store_true", help="print the address only")
    parser.add_argument(
        "--share",
        action="store_true",
        help="let a phone on this network join with a one-time code; unencrypted, so on a network of your own only",
    )


def make_setup(args: argparse.Namespace, source: Source, *, started_utc: str, fast: bool = False) -> Setup:
    """What is settled before the session, from the command line."""
    exercise = load_exercises(args.own_exercises).get(args.exercise)
    joint = args.joint or (exercise.joint if exercise else "general")
    if joint not in JOINTS:
        raise PlanError(f"--joint {joint}: no such row in the endurance table", f"use {', '.join(JOINTS)}")
    return Setup(
        athlete=args.athlete,
        exercise=exercise.title if exercise else args.exercise,
        exercise_notes=asdict(exercise) if exercise else {},
        covariates=tuple(args.before),
        side=args.side,
        position=args.position or (exercise.position if exercise else ""),
        joint=joint,
        limit=read_limit(args.limit),
        fast=fast,
        simulated=source.is_simulated,
        started_utc=started_utc,
    )


def read_limit(limit: float) -> float:
    """The agreed discomfort, on the scale of the ratings."""
    if not 0 <= limit <= 10:
        raise PlanError(f"--limit {limit:g}: discomfort is rated from 0 to 10", "use --limit 9, say")
    return limit


def load_plans(paths: Sequence[str]) -> list[Plan]:
    """The built-in plans and those asked for."""
    return [load_plan(name) for name in (*BUILT_IN, *paths)]


def make_settings(source: Source, setup: Setup, channels: Sequence[Channel]) -> dict[str, Any]:
    """What a recording says of itself."""
    return {
        "format": 1,
        "software": __version__,
        "started_utc": setup.started_utc,
        "channels": [channel.to_dict() for channel in channels],
        "rate_hz": source.rate_hz,
        "source": source.url,
        **setup.to_settings(),
    }


def now_utc() -> str:
    """The time now, ISO 8601, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


class WiredFeed:
    """A reader as a session sees it."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    @property
    def said(self) -> float | None:
        """A simulated athlete's answer."""
        said: float | None = getattr(self._reader.source, "said", None)
        return said

    @property
    def trouble(self) -> str:
        """One line about the wire."""
        return self._reader.trouble

    def read(self) -> list[Item] | None:
        """What has come; None at the end of a replay."""
        try:
            return self._reader.read()
        except EndOfSource:
            return None

    def close(self) -> None:
        """Let the port go."""
        self._reader.source.close()


def make_session(
    source: Source,
    recorder: Recorder,
    setup: Setup,
    plans: Sequence[Plan],
    *,
    utc: Callable[[], str],
    draw: Callable[[Plan], Plan] = draw_plan,
    channels: Sequence[Channel] | None = None,
) -> Session:
    """Engine and recorder behind one session; ``channels`` replaces the source's own, scaled by a certificate."""
    engine = Engine(channels or source.channels, source.rate_hz, setup, plans, draw=draw)
    cue: Callable[[Cue], None] = source.cue
    return Session(engine, recorder, utc=utc, cue=cue)


@contextlib.contextmanager
def open_recorder(path: Path, settings: dict[str, Any]) -> Iterator[Recorder]:
    """A recorder for a block; a session that could not begin leaves no empty recording behind."""
    recorder = Recorder.create(path, settings)
    try:
        with recorder:
            yield recorder
    except BiofeedbackError:
        if recorder.acknowledged_frames == 0:
            recorder.path.unlink(missing_ok=True)
        raise


def run_session(
    source: Source,
    args: argparse.Namespace,
    *,
    fast: bool = False,
    autopilot: Autopilot | None = None,
    scale: Callable[[Sequence[Channel]], Sequence[Channel]] = tuple,
    prepare: Callable[[Session], None] | None = None,
) -> int:
    """Open port and file, serve the page, run until Ctrl-C or the end, close both. Nothing is read before the file."""
    setup = make_setup(args, source, started_utc=now_utc(), fast=fast)
    plans = load_plans(args.plan)
    source.open()
    try:
        channels = scale(source.channels)
        path = suggest_path(args.folder or recordings_folder(), setup.athlete, setup.started_utc)
        with open_recorder(path, make_settings(source, setup, channels)) as recorder:
            session = make_session(source, recorder, setup, plans, utc=now_utc, channels=channels)
            if prepare:
                prepare(session)
            asyncio.run(_serve(source, session, path, args, autopilot))
    finally:
        source.close()
    print(f"Recorded: {path}\nReport:   biofeedback report {path}")
    return 0


async def _serve(
    source: Source, session: Session, path: Path, args: argparse.Namespace, autopilot: Autopilot | None
) -> None:
    from biofeedback.web.server import open_page

    live = LiveSession(
        session,
        WiredFeed(Reader(source)),
        recording_name=path.name,
        analyse=lambda: find_answer(path),
        autopilot=autopilot,
    )
    loop = asyncio.get_running_loop()
    for number in ending_signals():
        with contextlib.suppress(NotImplementedError):  # Windows: Ctrl-C arrives as KeyboardInterrupt
            loop.add_signal_handler(number, live.stop)
    share = print_invitation if args.share else None
    review = make_review(path.parent, beside_live=True)
    async with open_page(
        live, port=args.port, report=lambda: render_report(path), share=share, review=review
    ) as address:
        print(f"{source.description}\nRecording to {path}\nPage: {address}   (Ctrl-C ends the session)", flush=True)
        if not args.no_browser:
            await asyncio.to_thread(_open_browser, address)
        await live.run()


def print_invitation(invitation: Invitation) -> None:
    """Where the athlete's device joins: a code to read with its camera, or to type."""
    from biofeedback.web.qr import draw_qr, encode_qr

    print(draw_qr(encode_qr(invitation.url)))
    minutes = round(invitation.expires_s / 60)
    print(f"The {invitation.role}'s device, once, within {minutes} minutes: {invitation.url}", flush=True)


def ending_signals() -> list[int]:
    """Ctrl-C, a polite kill, and a terminal that was closed, unless we were told to outlive it."""
    numbers: list[int] = [signal.SIGINT, signal.SIGTERM]
    if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:
        numbers.append(signal.SIGHUP)
    return numbers


def _open_browser(address: str) -> None:
    try:
        webbrowser.open(address)
    except webbrowser.Error:
        print("No browser to open: go to the address above.", file=sys.stderr)
