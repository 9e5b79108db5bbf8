"""``biofeedback history``: one athlete over weeks, and which changes are real."""

from __future__ import annotations

import argparse
import sys
import webbrowser
from functools import partial
from pathlib import Path

from biofeedback.errors import BiofeedbackError
from biofeedback.storage.library import filter_recordings, list_recordings
from biofeedback.storage.schema import recordings_folder
from biofeedback.wiring.answers import read_point
from biofeedback.wiring.dates import read_date
from biofeedback.wiring.json_output import HELP, print_json
from biofeedback.wiring.parallel import run_parallel
from biofeedback.wiring.progress import make_progress
from biofeedback.wiring.terminal import plain
from biofeedback.wiring.writing import writing


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``history``."""
    parser.add_argument("athlete", metavar="CODE", help="the athlete's code, e.g. A01")
    parser.add_argument("--folder", type=Path, default=None, help="where the recordings are (the usual folder)")
    parser.add_argument("--exercise", default="", metavar="TEXT", help="part of its name is enough")
    parser.add_argument("--since", default="", metavar="DATE", help="2026-01-31 or 2026-01")
    parser.add_argument("--out", type=Path, default=None, metavar="PATH", help="also write an HTML page")
    parser.add_argument("--open", action="store_true", help="open that page")
    parser.add_argument("--json", action="store_true", help=HELP)


def run(args: argparse.Namespace) -> int:
    """Analyse all sessions of the athlete; print what changed; write the page when asked to."""
    from biofeedback.analysis.history import compare_sessions
    from biofeedback.report.history import build_history, describe_history

    folder = args.folder or recordings_folder()
    since = read_date(args.since, "--since")
    entries = filter_recordings(list_recordings(folder), athlete=args.athlete, exercise=args.exercise, since=since)
    names = [entry.name for entry in entries if not entry.problem]
    if not names:
        raise BiofeedbackError(f"no recording of {args.athlete} in {folder}", "see `biofeedback list` for the codes")
    show, points = make_progress("sessions"), []
    for n, (name, point, problem) in enumerate(run_parallel(partial(read_point, str(folder)), names), 1):
        show(n, len(names))
        if point is None:
            print(f"left out: {plain(name)}: {plain(problem)}", file=sys.stderr)
        else:
            points.append(point)
    history = compare_sessions(args.athlete, points)
    if args.json:
        print_json(history)
    else:
        print("\n".join(describe_history(history)))
    if args.out or args.open:
        path = args.out or folder / f"history-{args.athlete}.html"
        with writing(path) as beside:
            beside.write_text(build_history(history), encoding="utf-8")
        print(f"History: {path}", file=sys.stderr if args.json else sys.stdout)
        if args.open:
            webbrowser.open(path.resolve().as_uri())
    return 0
