"""``biofeedback trial CODE``: which way helps most, drawn by lot over evenings."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from biofeedback.errors import BiofeedbackError
from biofeedback.storage.library import filter_recordings, list_recordings
from biofeedback.storage.schema import recordings_folder
from biofeedback.wiring.assembly import find_exercise, now_utc, read_code
from biofeedback.wiring.json_output import HELP, print_json
from biofeedback.wiring.terminal import plain
from biofeedback.wiring.trials import WAYS, begin_trial, find_trial
from biofeedback.wiring.user_files import find_exercises
from biofeedback.wiring.writing import writing


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``trial``."""
    parser.add_argument("athlete", metavar="CODE", help="the athlete's code, e.g. A01")
    parser.add_argument("--folder", type=Path, default=None, help="where the recordings are (the usual folder)")
    parser.add_argument(
        "--draw", default="", metavar="WAYS", help=f"draw a new one: two to four of {', '.join(WAYS)}, with commas"
    )
    parser.add_argument("--blocks", type=int, default=6, metavar="N", help="each way once a block; 6 is usual")
    parser.add_argument("--seed", type=int, default=None, help="of the lot, to draw the same again (a new one)")
    parser.add_argument("--exercise", default="", metavar="NAME", help="the stretch; else that of the last evening")
    parser.add_argument("--side", default="", choices=["", "left", "right", "both"])
    parser.add_argument("--position", default="", help="where the joint is, the same every evening")
    parser.add_argument("--out", type=Path, default=None, metavar="PATH", help="also write an HTML page")
    parser.add_argument("--json", action="store_true", help=HELP)


def run(args: argparse.Namespace) -> int:
    """Draw a trial, or tell what the evenings so far say."""
    from biofeedback.wiring.trial_report import make_report

    folder = args.folder or recordings_folder()
    code = read_code(args.athlete)
    if args.draw:
        return _draw(args, folder, code)
    trial = find_trial(folder, code)
    if trial is None:
        raise BiofeedbackError(
            f"no trial of {code} in {folder}", f"draw one: biofeedback trial {code} --draw nothing,warmth"
        )
    report = make_report(trial, filter_recordings(list_recordings(folder), athlete=code))
    if args.json:
        print_json(report)
    else:
        from biofeedback.report.trial import describe_trial

        print("\n".join(plain(line) for line in describe_trial(report)))
    if args.out:
        from biofeedback.report.trial import build_trial

        with writing(args.out) as beside:
            beside.write_text(build_trial(report), encoding="utf-8")
        print(f"Report: {args.out}", file=sys.stderr if args.json else sys.stdout)
    return 0


def _draw(args: argparse.Namespace, folder: Path, code: str) -> int:
    exercise = find_exercise(args.exercise, find_exercises(folder, None))
    trial = begin_trial(
        folder,
        code,
        [way.strip() for way in args.draw.split(",") if way.strip()],
        args.blocks,
        seed=args.seed,
        utc=now_utc(),
        exercise=exercise.title if exercise else args.exercise,
        side=args.side,
        position=args.position,
    )
    print(f"Drawn:    trial {trial.name}, {trial.n_evenings} evenings, seed {trial.schedule.seed}")
    for way in trial.schedule.ways:
        print(f"  {way}: {WAYS[way]}")
    print("Tonight's way is told on the start page: biofeedback live")
    print("One stretch, side, position and range every evening; the way first, then hands off and rate.")
    return 0
