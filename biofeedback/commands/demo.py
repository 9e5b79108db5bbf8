"""``biofeedback demo``: nothing to plug in, nothing to configure."""

from __future__ import annotations

import argparse

from biofeedback.acquisition.sources import open_source
from biofeedback.commands.wiring import add_session_arguments, run_session
from biofeedback.session.autopilot import Autopilot

SCENARIO = {
    "exercise": "standing hamstring stretch",
    "side": "left",
    "position": "heel on a box, 60 cm",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``demo``."""
    add_session_arguments(parser)
    parser.set_defaults(**SCENARIO)
    parser.add_argument("--fast", action="store_true", help="shortened rests and phases: about two minutes in all")
    parser.add_argument("--auto", action="store_true", help="let the program press every button, then end")
    parser.add_argument("--seed", type=int, default=1, help="another seed, another simulated athlete (1)")
    parser.add_argument("--channels", default="force,emg", help="what is measured (force,emg)")


def run(args: argparse.Namespace) -> int:
    """Run the demo until Ctrl-C."""
    print("SIMULATED: the athlete and the sensor are computed; no person is measured.")
    source = open_source(f"simulated:?seed={args.seed}&athlete={args.athlete}&channels={args.channels}")
    autopilot = Autopilot(["response-check"]) if args.auto else None
    return run_session(source, args, fast=args.fast, autopilot=autopilot)
