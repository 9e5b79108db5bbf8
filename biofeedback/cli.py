# PYTHON_ARGCOMPLETE_OK
"""``biofeedback``: which command, and the promise that every mistake ends in one line with its cure.

Only the module of the chosen command is imported: scipy and matplotlib take seconds, ``--help`` must not.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from difflib import get_close_matches
from typing import TextIO

from biofeedback import __version__
from biofeedback.errors import BiofeedbackError
from biofeedback.wiring.terminal import plain, plain_output

COMMANDS = {
    "demo": "the whole job with a simulated athlete on a simulated sensor",
    "live": "the same with a real sensor: zero, maximum, hold a band, ratings, report",
    "sensors": "which sensors there are, and whether one is fit to record with",
    "scale": "what a sensor's numbers mean, from known loads, with a certificate",
    "report": "one recording as a page to read or hand over",
    "review": "look at recordings on a local page: find one, zoom into its trace, read its report",
    "history": "one athlete over the weeks: what changed for real",
    "trial": "which way helps most: warmth, massage, contraction or nothing, drawn by lot over evenings",
    "cohort": "one row of features per recording of a folder",
    "list": "find recordings by athlete, exercise, side, plan or answer",
    "check": "verify recordings byte for byte, and repair what can be repaired into a copy",
    "export": "recordings as CSV, NumPy, EDF+, BDF+ or a BIDS dataset",
    "convert": "make recordings of tables, EDF+, BDF+, MAT, XDF or C3D files that were made elsewhere",
    "amend": "add ratings, phases or a maximum that were not recorded at the time",
    "simulate": "make a simulated recording without waiting for it",
    "forget": "delete everything about one athlete for good, and prove it",
}


COMPLETING = "_ARGCOMPLETE"  # set by a shell that has been told of us and wants a line completed
LASTING = frozenset({"demo", "live", "review"})  # go on when nobody reads what they say


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command. Exit code 0: done, 1: a problem told in one line, 2: wrong usage."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    chosen = _find_chosen(_read_completed() or given)
    with plain_output(is_patient=chosen in LASTING) as out:
        try:
            code = _run_told(given, chosen)
        except SystemExit as error:  # argparse: help, or wrong usage
            code = error.code if isinstance(error.code, int) else 2
            is_over = True
        else:
            is_over = False
        with suppress(BrokenPipeError):
            out.flush()
    if isinstance(out.failure, BrokenPipeError):  # the reader of our output has gone, e.g. ``| head``
        _silence(sys.stdout)
        return code if chosen in LASTING else 0
    if out.failure:
        _silence(sys.stdout)
        print(f"biofeedback: the output cannot be written ({out.failure.strerror})", file=sys.stderr)
        code = 1
    if is_over:
        raise SystemExit(code)
    return code


def _find_chosen(words: Sequence[str]) -> str | None:
    return next((word for word in words if not word.startswith("-")), None)


def _read_completed() -> list[str]:
    """The whole words of the line that a shell wants completed, without the program's own; usually nothing."""
    if COMPLETING not in os.environ:
        return []
    line = os.environ.get("COMP_LINE", "")[: int(os.environ.get("COMP_POINT", "0"))]
    whole = line if line.endswith(" ") else line.rpartition(" ")[0]
    return whole.split()[1:]


def _complete(parser: argparse.ArgumentParser) -> None:
    """Answer the shell and end, where it asks and argcomplete is installed."""
    if COMPLETING in os.environ:
        with suppress(ImportError):
            importlib.import_module("argcomplete").autocomplete(parser)


def _run_told(given: list[str], chosen: str | None) -> int:
    """The exit code of the chosen command; every error that it ends in is one line."""
    try:
        args = _parse(given, chosen)
        code: int = importlib.import_module(f"biofeedback.commands.{args.command}").run(args)
    except BiofeedbackError as error:
        return _tell(error)
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        return 0
    except OSError as error:
        return _tell(f"{error.filename or 'this computer'}: {error.strerror or error}; nothing more was done")
    except (MemoryError, RuntimeError) as error:
        what = _find_lack(error)
        if what is None:
            raise
        return _tell(f"{what} for this; nothing more was done")
    return code


def _find_lack(error: Exception) -> str | None:
    """What there is too little of; None where the error is about something else."""
    if isinstance(error, MemoryError):
        return "there is not enough memory"
    if isinstance(error, RecursionError):
        return "something is nested too deeply"
    return "there are not enough threads" if "start new thread" in str(error) else None


def _suggest(near: Sequence[str]) -> str:
    return f"did you mean {near[0]}?" if near else "`biofeedback --help` lists the commands"


def _parse(given: list[str], chosen: str | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="biofeedback",
        description="Contraction biofeedback for flexibility training: hold a band, find a maximum, see what "
        "contraction did.",
        epilog="Not a medical device. Read the cautions before the first hold.",
    )
    parser.add_argument("--version", action="version", version=f"biofeedback {__version__}")
    if chosen is not None and chosen not in COMMANDS and COMPLETING not in os.environ:
        near = get_close_matches(chosen, COMMANDS, n=1, cutoff=0.5)
        parser.exit(2, f"biofeedback: there is no command {plain(chosen)}; {_suggest(near)}\n")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, summary in COMMANDS.items():
        command = commands.add_parser(name, help=summary, description=summary)
        if name == chosen:
            importlib.import_module(f"biofeedback.commands.{name}").add_arguments(command)
    _complete(parser)
    args, unknown = parser.parse_known_args(given)
    if unknown:
        name = plain(unknown[0].partition("=")[0])
        options = [one for one in commands.choices[args.command].format_help().split() if one.startswith("--")]
        known = sorted({one.strip("[],()") for one in options})
        near = get_close_matches(name, known, n=1, cutoff=0.6) if name.startswith("-") else []
        cure = f"did you mean {near[0]}?" if near else f"`biofeedback {args.command} --help` explains what it takes"
        parser.exit(2, f"biofeedback {args.command}: {name} is not understood; {cure}\n")
    return args


def _tell(what: object) -> int:
    print(f"biofeedback: {plain(what)}", file=sys.stderr)
    return 1


def _silence(stream: TextIO | None) -> None:
    """What is left in its buffer goes nowhere, instead of failing once more when the program ends."""
    with suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())  # type: ignore[union-attr]
