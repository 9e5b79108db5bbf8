"""``biofeedback demo``: nothing to plug in, nothing to configure."""

from __future__ import annotations

import argparse

from biofeedback.acquisition.sources import open_source
from biofeedback.errors import SessionError
from biofeedback.session.autopilot import Autopilot
from biofeedback.session.plan import BUILT_IN, load_plan
from biofeedback.wiring.assembly import add_session_arguments
from biofeedback.wiring.group import FIRST_CODE, MAX_ATHLETES
from biofeedback.wiring.live_sessions import SessionRequest, run_sessions

SCENARIO = {
    "exercise": "standing hamstring stretch",
    "side": "left",
    "position": "heel on a box, 60 cm",
}
ABOUT_NOBODY = "The demo's answer is about a computed athlete and says nothing about you or anybody you train."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``demo``."""
    add_session_arguments(parser)
    parser.set_defaults(**SCENARIO)
    parser.add_argument("--fast", action="store_true", help="shortened rests and phases: under four minutes in all")
    parser.add_argument(
        "--auto",
        action="store_true",
        help="let the program press every button, then end; it carries out what --plan names",
    )
    parser.add_argument("--seed", type=int, default=1, help="another seed, another simulated athlete (1)")
    parser.add_argument(
        "--athletes", type=int, default=1, choices=range(1, MAX_ATHLETES + 1), help="how many at once, on one page (1)"
    )
    parser.add_argument("--channels", default="force,emg", help="what is measured (force,emg)")


def run(args: argparse.Namespace) -> int:
    """Run the demo until Ctrl-C."""
    print(f"SIMULATED: the athlete and the sensor are computed; no person is measured.\n{ABOUT_NOBODY}")
    code = run_sessions(
        [request_session(code, k, args) for k, code in enumerate(choose_codes(args))], args, fast=args.fast
    )
    print(ABOUT_NOBODY)
    return code


def choose_codes(args: argparse.Namespace) -> list[str]:
    """The code that was asked for, or as many as there are athletes."""
    if not args.athlete:
        return [FIRST_CODE, *(f"A{number:02d}" for number in range(2, args.athletes + 1))]
    if len(args.athlete) > 1 or args.athletes > 1:
        raise SessionError("--athlete names one simulated athlete", "use --athletes alone: it numbers them itself")
    return list(args.athlete)


def request_session(code: str, index: int, args: argparse.Namespace) -> SessionRequest:
    """One simulated athlete, with a seed and so a truth of their own."""
    source = open_source(f"simulated:?seed={args.seed + index}&athlete={code}&channels={args.channels}")
    if not args.auto:
        return SessionRequest(source, code)
    return SessionRequest(source, code, Autopilot([load_plan(plan).name for plan in args.plan] or [BUILT_IN[0]]))
