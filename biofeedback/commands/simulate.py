"""``biofeedback simulate``: a whole session in no time, the same bytes for the same seed."""

from __future__ import annotations

import argparse
import itertools
from datetime import datetime, timedelta
from pathlib import Path

from biofeedback.acquisition.reader import Reader
from biofeedback.acquisition.simulated import SimulatedSource
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import RecordingError, SessionError, SourceError
from biofeedback.joints import JOINT_NAMES
from biofeedback.session.autopilot import Autopilot
from biofeedback.session.engine import Engine
from biofeedback.session.plan import BUILT_IN, Plan, load_plan
from biofeedback.session.setup import GRADED, Setup
from biofeedback.storage.recorder import Recorder
from biofeedback.wiring.assembly import make_session, make_settings, read_limit
from biofeedback.wiring.randomise import randomise_plan

STEP_S = 0.05
LONGEST_S = 4 * 3600.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``simulate``."""
    parser.add_argument("source", metavar="URL", help="simulated:?seed=1&athlete=A01&channels=force,emg&effect=-2.5")
    parser.add_argument("out", type=Path, metavar="FILE", help="recording to write, e.g. A01.hold")
    parser.add_argument("--plan", action="append", default=[], metavar="NAME|FILE", help="plans to carry out, in order")
    parser.add_argument("--exercise", default="standing hamstring stretch")
    parser.add_argument("--side", default="left", choices=["left", "right", "both"])
    parser.add_argument("--position", default="heel on a box, 60 cm")
    parser.add_argument("--joint", default="knee", choices=JOINT_NAMES)
    parser.add_argument("--limit", type=float, default=10.0)
    parser.add_argument("--started", default="2026-01-05T18:00:00+00:00", help="date and time to put on it, ISO 8601")
    parser.add_argument("--fast", action="store_true", help="shortened rests and phases")
    parser.add_argument("--force", action="store_true", help="write over an existing file")


def run(args: argparse.Namespace) -> int:
    """Simulate and write."""
    source = open_source(args.source)
    if not isinstance(source, SimulatedSource):
        raise SourceError(f"{args.source} is not a simulated athlete", "write simulated:?seed=1&athlete=A01")
    setup = Setup(
        athlete=source.simulator.athlete.code,
        exercise=args.exercise,
        side=args.side,
        position=args.position,
        joint=args.joint,
        limit=read_limit(args.limit),
        fast=args.fast,
        simulated=True,
        started_utc=args.started,
        **GRADED,
    )
    simulate_session(source, args.out, setup, args.plan or [BUILT_IN[0]], force=args.force)
    print(f"Simulated: {args.out}")
    return 0


def simulate_session(
    source: SimulatedSource, out: Path, setup: Setup, plan_names: list[str], *, force: bool = False
) -> None:
    """Let the autopilot lead the simulated athlete through ``plan_names``; time is sample time only."""
    plans = [load_plan(name) for name in plan_names]
    try:
        started = datetime.fromisoformat(setup.started_utc)
    except ValueError as error:
        raise SessionError(
            f"--started {setup.started_utc!r} is not a date", "write 2026-01-05T18:00:00+00:00"
        ) from error
    recorder = Recorder.create(out, make_settings(source, setup, source.channels), threaded=False, force=force)
    try:
        with recorder:
            _lead(source, recorder, setup, plans, started)
    except BaseException:
        out.unlink(missing_ok=True)  # half a simulation would only be in the way of the next
        raise


def _lead(source: SimulatedSource, recorder: Recorder, setup: Setup, plans: list[Plan], started: datetime) -> None:
    def utc() -> str:
        return (started + timedelta(seconds=session.engine.time_s)).isoformat(timespec="milliseconds")

    n_step = max(1, round(STEP_S * source.rate_hz))
    seeds = itertools.count(source.simulator.athlete.seed)
    session = make_session(
        source,
        recorder,
        setup,
        plans,
        utc=utc,
        randomise=lambda plan: randomise_plan(plan, make_seed=lambda: next(seeds)),
    )
    reader = Reader(source)
    pilot = Autopilot([plan.name for plan in plans])
    while not pilot.is_finished:
        message = pilot.next_command(session.engine, source.said)
        if message:
            session.command(message, by="autopilot")
        n_frames = n_step * _count_steps(session.engine, pilot, source, n_step)
        arrival_s = (source.simulator.next_frame + n_frames) / source.rate_hz
        session.take(reader.timeline.place(reader.decoder.feed(source.produce_bytes(n_frames)), arrival_s))
        if session.engine.time_s > LONGEST_S:
            raise RecordingError("the simulated session does not end", "use a shorter plan")


def _count_steps(engine: Engine, pilot: Autopilot, source: SimulatedSource, n_step: int) -> int:
    """Steps to take as one: those in which nothing is due, so that all happens in the same step as one by one."""
    due_frame = (engine.level + pilot.count_quiet_levels(engine, source.said)) * engine.levels.hop
    return max(1, (due_frame - source.simulator.next_frame) // n_step)
