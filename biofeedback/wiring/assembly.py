"""Puts source, recorder, session and page together; what ``demo``, ``live`` and ``simulate`` have in common."""

from __future__ import annotations

import argparse
import difflib
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from biofeedback import __version__
from biofeedback.acquisition.phone import WithPhone
from biofeedback.acquisition.simulated import SimulatedSource
from biofeedback.acquisition.source import Source
from biofeedback.calibration.position import USUAL_LEVER_M
from biofeedback.errors import PlanError
from biofeedback.joints import JOINT_NAMES
from biofeedback.model import ATHLETE_CODE, Channel, Cue, same_name
from biofeedback.session.engine import Engine
from biofeedback.session.exercises import RETIRED, Exercise, ask_missing
from biofeedback.session.plan import Plan
from biofeedback.session.session import Session
from biofeedback.session.setup import GRADED, Setup
from biofeedback.signal.mains import WEAK
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.schema import FORMAT, recordings_folder
from biofeedback.wiring.earlier import look_back
from biofeedback.wiring.next_effort import EffortChooser, read_earlier
from biofeedback.wiring.randomise import randomise_plan
from biofeedback.wiring.user_files import find_exercises

USUAL_LIMIT = 8.0  # start at 4 to 6 (common practice); higher only by the coach's choice


class _AlsoShare(argparse.Action):
    """A phone that measures has to join first."""

    def __init__(self, option_strings: Sequence[str], dest: str, **more: Any) -> None:
        super().__init__(option_strings, dest, nargs=0, default=False, **more)

    def __call__(self, parser: argparse.ArgumentParser, given: argparse.Namespace, *_: object) -> None:
        given.phone = given.share = True


def add_session_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of every command that runs sessions; ``athlete`` becomes a list of codes."""
    parser.set_defaults(first_plan="", keeps_phones=False, lsl=None)  # where a command asks for none
    parser.add_argument(
        "--athlete", action="append", default=[], metavar="CODE", help="code of the athlete, never a name (A01)"
    )
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
    parser.add_argument(
        "--own-exercises", type=Path, default=None, metavar="FILE", help="own exercises, TOML (those made on the page)"
    )
    parser.add_argument(
        "--limit", type=float, default=None, metavar="0-10", help="discomfort that stops all (8); start at 4 to 6"
    )
    parser.add_argument(
        "--familiarisation", action="store_true", help="an evening for learning the steps: nothing of it is used later"
    )
    parser.add_argument("--plan", action="append", default=[], metavar="FILE", help="also offer this plan file")
    parser.add_argument("--folder", type=Path, default=None, help="where recordings go (~/biofeedback-recordings)")
    parser.add_argument("--port", type=int, default=8765, help="of the page on 127.0.0.1; 0 takes any free one")
    parser.add_argument("--no-browser", action="store_true", help="print the address only")
    parser.add_argument(
        "--share",
        action="store_true",
        help="let each athlete's phone join their own seat with a one-time code, encrypted",
    )
    parser.add_argument(
        "--phone",
        action=_AlsoShare,
        help="and let that phone measure: its angle on the limb, a slider for discomfort (recordings grow by it)",
    )
    parser.add_argument(
        "--share-certificate",
        metavar="FILE",
        default=None,
        help="for it a certificate of your own, PEM with its key, or CERTIFICATE,KEY; else one is made here",
    )
    parser.add_argument(
        "--share-plain",
        action="store_true",
        help="share without encryption: everyone on the network can read along, and no phone can be kept lit",
    )


def make_setup(
    args: argparse.Namespace, source: Source, *, athlete: str, started_utc: str, fast: bool = False
) -> Setup:
    """What is settled before the session, from the command line."""
    exercise = find_exercise(args.exercise, find_exercises(args.folder or recordings_folder(), args.own_exercises))
    joint = args.joint or (exercise.joint if exercise else "general")
    if joint not in JOINT_NAMES:
        raise PlanError(f"--joint {joint}: no such row in the endurance table", f"use {', '.join(JOINT_NAMES)}")
    unsaid = ask_missing() if args.exercise and not source.is_simulated else {}
    return Setup(
        athlete=read_code(athlete),
        exercise=exercise.title if exercise else args.exercise,
        exercise_notes=exercise.to_notes() if exercise else unsaid,
        covariates=tuple(args.before),
        side=args.side,
        position=args.position or (exercise.position if exercise else ""),
        joint=joint,
        limit=read_limit(USUAL_LIMIT if args.limit is None else args.limit),
        lever_m=find_lever_m(exercise),
        drift=exercise.drift if exercise else None,
        familiarisation=args.familiarisation,
        **GRADED,
        fast=fast,
        simulated=source.is_simulated,
        started_utc=started_utc,
    )


def find_lever_m(exercise: Exercise | None) -> float:
    """From the joint to the strap: as the exercise says, else by its rig, else the usual one."""
    by_rig = exercise.rig.lever_m if exercise and exercise.rig else USUAL_LEVER_M
    return (exercise and exercise.lever_m) or by_rig


def read_code(code: str) -> str:
    """An athlete's code: names stay out of recordings."""
    if not ATHLETE_CODE.fullmatch(code):
        raise PlanError(f"athlete {code!r} is not a code", "use letters and a number, e.g. A01; names stay elsewhere")
    return code


def find_exercise(name: str, library: Mapping[str, Exercise]) -> Exercise | None:
    """The exercise of that name or title, however it is written; None for own words. A near miss is a slip."""
    same = same_name(name)
    for exercise in library.values():
        if same in (same_name(exercise.name), same_name(exercise.title)):
            return exercise
    if name in RETIRED:
        why, instead = RETIRED[name]
        raise PlanError(f"exercise {name!r} is no longer offered: {why}", f"use {instead}: {library[instead].title}")
    near = difflib.get_close_matches(name, library, n=1, cutoff=0.8)
    if near:
        raise PlanError(f"no exercise {name!r}", f"did you mean {near[0]}? biofeedback live --exercises lists them")
    return None


def read_limit(limit: float) -> float:
    """The agreed discomfort, on the scale of the ratings."""
    if not 0 <= limit <= 10:
        raise PlanError(f"--limit {limit:g}: discomfort is rated from 0 to 10", "use --limit 8, say")
    return limit


def make_settings(source: Source, setup: Setup, channels: Sequence[Channel]) -> dict[str, Any]:
    """What a recording says of itself."""
    return {
        "format": FORMAT,
        "software": __version__,
        "started_utc": setup.started_utc,
        "channels": [channel.to_dict() for channel in channels],
        "rate_hz": source.rate_hz,
        "source": source.url,
        **({"hum_search": WEAK.to_dict()} if any(c.kind == "emg" and not c.envelope for c in channels) else {}),
        **setup.to_settings(),
    }


def now_utc() -> str:
    """The time now, ISO 8601, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def make_session(
    source: Source,
    recorder: Recorder,
    setup: Setup,
    plans: Sequence[Plan],
    *,
    utc: Callable[[], str],
    randomise: Callable[[Plan], Plan] = randomise_plan,
    channels: Sequence[Channel] | None = None,
    folder: Path | None = None,
) -> Session:
    """Engine and recorder behind one session; ``channels`` replaces the source's own, scaled by a certificate.

    Plans that adapt also go by the athlete's earlier recordings in ``folder``.
    """
    chooser = EffortChooser(partial(read_earlier, folder, setup) if folder else None)
    engine = Engine(
        channels or source.channels,
        source.rate_hz,
        setup,
        plans,
        randomise=lambda plan: chooser.prepare(randomise(plan)),
        choose=chooser,
    )
    if folder:
        look_back(folder, setup, engine)
    inner = source.inner if isinstance(source, WithPhone) else source
    if isinstance(inner, SimulatedSource):
        inner.tire_as(setup.joint, rest_speed=setup.rest_s / setup.rest_between_attempts_s)
    cue: Callable[[Cue], None] = source.cue
    return Session(engine, recorder, utc=utc, cue=cue)
