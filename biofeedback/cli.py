"""``biofeedback``: which command, and the promise that every mistake ends in one line with its cure.

Only the module of the chosen command is imported: scipy and matplotlib take seconds, ``--help`` must not.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence

from biofeedback import __version__
from biofeedback.errors import BiofeedbackError

COMMANDS = {
    "demo": "the whole job with a simulated athlete on a simulated sensor",
    "live": "the same with a real sensor: zero, maximum, hold a band, ratings, report",
    "sensors": "which sensors there are, and whether one is fit to record with",
    "scale": "what a sensor's numbers mean, from known loads, with a certificate",
    "report": "one recording as a page to read or hand over",
    "review": "look at recordings on a local page: find one, zoom into its trace, read its report",
    "history": "one athlete over the weeks: what changed for real",
    "cohort": "one row of features per recording of a folder",
    "list": "find recordings by athlete, exercise, side, plan or answer",
    "check": "verify recordings byte for byte, and repair what can be repaired into a copy",
    "export": "recordings as CSV, NumPy, EDF+, BDF+ or a BIDS dataset",
    "convert": "make a recording of a CSV, EDF+ or BDF+ file that was made elsewhere",
    "amend": "add ratings, phases or a maximum that were not recorded at the time",
    "simulate": "make a simulated recording without waiting for it",
    "forget": "delete everything about one athlete for good, and prove it",
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command. Exit code 0: done, 1: a problem told in one line, 2: wrong usage."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    parser = argparse.ArgumentParser(
        prog="biofeedback",
        description="Contraction biofeedback for flexibility training: hold a band, find a maximum, see what "
        "contraction did.",
        epilog="Not a medical device. Read the cautions before the first hold.",
    )
    parser.add_argument("--version", action="version", version=f"biofeedback {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    chosen = next((name for name in given if not name.startswith("-")), None)
    for name, summary in COMMANDS.items():
        command = commands.add_parser(name, help=summary, description=summary)
        if name == chosen:
            importlib.import_module(f"biofeedback.commands.{name}").add_arguments(command)
    args = parser.parse_args(given)
    try:
        code: int = importlib.import_module(f"biofeedback.commands.{args.command}").run(args)
    except BiofeedbackError as error:
        print(f"biofeedback: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # the reader of our output has gone, e.g. ``| head``
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return code
