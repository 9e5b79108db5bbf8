"""Runs sessions, one for each athlete, behind one page: what ``demo`` and ``live`` have in common."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import signal
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from biofeedback.acquisition.felt_source import FeltSource
from biofeedback.acquisition.phone import PhoneInbox, WithPhone
from biofeedback.acquisition.reader import ItemReader, Reader, make_reader
from biofeedback.acquisition.source import EndOfSource, Source
from biofeedback.errors import BiofeedbackError
from biofeedback.model import Channel, Item
from biofeedback.session.autopilot import Autopilot
from biofeedback.session.run import LiveSession
from biofeedback.session.session import Session
from biofeedback.storage.library import list_recordings
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.schema import recordings_folder, suggest_path
from biofeedback.wiring.answers import find_answer, render_report
from biofeedback.wiring.assembly import make_session, make_settings, make_setup, now_utc
from biofeedback.wiring.broadcast import begin_broadcast
from biofeedback.wiring.browser import add_key, show_page
from biofeedback.wiring.certificates import FOLDER, save_certificate
from biofeedback.wiring.encryption import choose_certifier
from biofeedback.wiring.kept_rates import keep_rate
from biofeedback.wiring.last_time import find_last_time
from biofeedback.wiring.plans import FOLDER as PLANS_FOLDER
from biofeedback.wiring.plans import PlanShelf
from biofeedback.wiring.review_page import make_review

if TYPE_CHECKING:
    from biofeedback.web.own_browser import OwnBrowsers
    from biofeedback.web.sharing import Keeper


class WiredFeed:
    """A reader as a session sees it."""

    def __init__(self, reader: Reader | ItemReader) -> None:
        self._reader = reader

    @property
    def said(self) -> float | None:
        """A simulated athlete's answer."""
        return self._reader.source.said

    @property
    def trouble(self) -> str:
        """One line about the wire."""
        return self._reader.trouble

    @property
    def deviating_rate_hz(self) -> float | None:
        """What arrives, where it is not what was declared."""
        return self._reader.deviating_rate_hz

    @property
    def device_id(self) -> str:
        """Who answers."""
        return self._reader.device_id

    def read(self) -> list[Item] | None:
        """What has come; None at the end of a replay."""
        try:
            return self._reader.read()
        except EndOfSource:
            return None

    def close(self) -> None:
        """Let the port go."""
        self._reader.source.close()


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


@dataclass(frozen=True, slots=True)
class SessionRequest:
    """One athlete's session before it runs."""

    source: Source
    athlete: str
    autopilot: Autopilot | None = None
    scale: Callable[[Sequence[Channel]], tuple[Sequence[Channel], Mapping[str, Any]]] = lambda channels: (channels, {})
    prepare: Callable[[Session], None] = lambda session: None


Lives = dict[Path, tuple[LiveSession, SessionRequest]]


def run_sessions(requests: Sequence[SessionRequest], args: argparse.Namespace, *, fast: bool = False) -> int:
    """Open ports and files, serve the page, run until Ctrl-C or the end of all, close everything."""
    with contextlib.ExitStack() as stack:
        lives = open_sessions(stack, requests, args, fast=fast)
        asyncio.run(serve_sessions(lives, args))
    tell_recordings(lives)
    return 0


def make_shelf(args: argparse.Namespace) -> PlanShelf:
    """The plans that all sessions of a page share."""
    return PlanShelf((args.folder or recordings_folder()) / PLANS_FOLDER, args.plan)


def open_sessions(
    stack: contextlib.ExitStack,
    requests: Sequence[SessionRequest],
    args: argparse.Namespace,
    *,
    fast: bool = False,
    shelf: PlanShelf | None = None,
) -> Lives:
    """The sessions by their files; ``stack`` closes them."""
    started_utc = now_utc()
    shelf = shelf or make_shelf(args)
    lives: Lives = {}
    for request in requests:
        path, live = stack.enter_context(_open_live(request, args, shelf, started_utc=started_utc, fast=fast))
        lives[path] = live, request
    return lives


def tell_recordings(lives: Lives) -> None:
    """When all is closed: what came out, and where it is."""
    for path, (live, _) in lives.items():
        answer = live.state()["answer"]
        if answer:
            print(f"Answer:   {answer['text']}")
        print(f"Recorded: {path}\nReport:   biofeedback report {path}", flush=True)


@contextlib.contextmanager
def _open_live(
    request: SessionRequest, args: argparse.Namespace, shelf: PlanShelf, *, started_utc: str, fast: bool
) -> Iterator[tuple[Path, LiveSession]]:
    """A session with its own port and file. Nothing is read before the file is there."""
    source, inbox = _add_phone(request.source, args)
    setup = make_setup(args, source, athlete=request.athlete, started_utc=started_utc, fast=fast)
    first = args.first_plan  # of the athlete's programme, chosen on the page
    plans = sorted(shelf.plans.values(), key=lambda plan: plan.name != first)
    source.open()
    with contextlib.closing(source):
        channels, scaled_by = request.scale(source.channels)
        folder = args.folder or recordings_folder()
        last_utc = find_last_time(folder, setup)
        setup = replace(setup, certificates=scaled_by.get("certificates", {}), last_utc=last_utc)
        path = suggest_path(folder, setup.athlete, started_utc)
        settings = {**make_settings(source, setup, channels), **scaled_by}
        with contextlib.ExitStack() as stack, open_recorder(path, settings) as recorder:
            session = make_session(source, recorder, setup, plans, utc=now_utc, channels=channels, folder=folder)
            session.save_certificate = partial(save_certificate, folder / FOLDER, source.url)
            session.keep_rate = partial(keep_rate, folder, source.url)
            shelf.engines.append(session.engine)
            if args.lsl:
                stack.callback(begin_broadcast(session, args.lsl).close)
            request.prepare(session)
            yield (
                path,
                LiveSession(
                    session,
                    WiredFeed(make_reader(source)),
                    recording_name=path.name,
                    analyse=lambda: find_answer(path),
                    autopilot=request.autopilot,
                    shelf=shelf,
                    phone=inbox,
                ),
            )


def _add_phone(source: Source, args: argparse.Namespace) -> tuple[Source, PhoneInbox | None]:
    """A place for what the athlete's phone measures, where it is wanted or nothing else measures."""
    is_live = not source.url.startswith("replay:")
    if not is_live or not (args.phone or isinstance(source, FeltSource)):
        return source, None
    inbox = PhoneInbox()
    return WithPhone(source, inbox), inbox


async def serve_sessions(
    lives: Lives, args: argparse.Namespace, *, from_start: OwnBrowsers | None = None, place: str = "/"
) -> bool:
    """Serve and run to the end; whether the coach asked for a new session.

    With the browsers ``from_start`` the coach may do so, and their page is open already; others follow to ``place``.
    """
    from biofeedback.web.own_browser import OwnBrowsers
    from biofeedback.web.seats import Seat
    from biofeedback.web.server import open_page
    from biofeedback.wiring.invitations import print_invitations

    loop = asyncio.get_running_loop()

    def stop_all() -> None:
        for live, _ in lives.values():
            live.stop()

    is_new_wanted = asyncio.Event()

    def begin_new_session() -> None:
        is_new_wanted.set()
        stop_all()

    for number in ending_signals():
        with contextlib.suppress(NotImplementedError):  # Windows: Ctrl-C arrives as KeyboardInterrupt
            loop.add_signal_handler(number, stop_all)
    share = print_invitations if args.share else None
    review = make_review(next(iter(lives)).parent, beside_live=True)
    first, *others = [Seat(live, partial(render_report, path)) for path, (live, _) in lives.items()]
    own = from_start or OwnBrowsers()
    async with open_page(
        first.live,
        port=args.port,
        report=first.report,
        share=share,
        review=review,
        others=others,
        renew=begin_new_session if from_start else None,
        certify=choose_certifier(args),
        own=own,
        keeper=_find_keeper(next(iter(lives)).parent) if args.share and args.keeps_phones else None,
        place=place,
    ) as address:
        for path, (_, request) in lives.items():
            print(f"{request.source.description}\nRecording to {path}")
        page = add_key(own, f"{address}group" if others else address)
        print(f"Page: {page}   (Ctrl-C ends the session)", flush=True)
        if not args.no_browser and not from_start:
            show_page(page)
        await _run_all({request.athlete: live for live, request in lives.values()})
    return is_new_wanted.is_set()


def _find_keeper(folder: Path) -> Keeper | None:
    """Where phones are written down; it tells whose they are, of the athletes that the folder has recordings of."""
    from biofeedback.wiring.kept_phones import find_keeper

    athletes: set[str] = set()
    with contextlib.suppress(BiofeedbackError):
        athletes = {entry.athlete for entry in list_recordings(folder) if entry.athlete}
    return find_keeper(folder, athletes=athletes)


async def _run_all(lives: Mapping[str, LiveSession]) -> None:
    """Run all to their ends. One that fails is told at once and ends alone; its error is raised when all have ended."""
    errors: list[Exception] = []

    async def run(athlete: str, live: LiveSession) -> None:
        try:
            await live.run()
        except Exception as error:
            errors.append(error)
            if len(lives) > 1:
                print(f"{athlete}: {error}", file=sys.stderr, flush=True)

    await asyncio.gather(*(run(athlete, live) for athlete, live in lives.items()))
    if errors:
        raise errors[0]


def ending_signals() -> list[int]:
    """Ctrl-C, a polite kill, and a terminal that was closed, unless we were told to outlive it."""
    numbers: list[int] = [signal.SIGINT, signal.SIGTERM]
    if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:
        numbers.append(signal.SIGHUP)
    return numbers
