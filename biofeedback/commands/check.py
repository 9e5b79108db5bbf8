"""``biofeedback check``: is every recording as it was written, and what is lost if not."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path

from biofeedback.errors import RecordingError
from biofeedback.storage.check import Verdict, check_recording, repair_recording
from biofeedback.wiring.json_output import HELP, print_json, to_plain
from biofeedback.wiring.leftovers import tell_unfinished
from biofeedback.wiring.named_files import find_recordings
from biofeedback.wiring.terminal import plain


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``check``."""
    parser.add_argument("paths", nargs="+", type=Path, metavar="FILE|FOLDER", help="recordings, or folders of them")
    parser.add_argument(
        "--repair",
        action="store_true",
        help="write what is sound to a copy beside a damaged or interrupted recording; the original stays as it is",
    )
    parser.add_argument(
        "--like",
        type=Path,
        metavar="OTHER",
        help="with --repair: a recording of the same sensor, whose channels and rate are taken where a damaged one has "
        "lost its own; the copy says so",
    )
    parser.add_argument("--json", action="store_true", help=HELP)


def run(args: argparse.Namespace) -> int:
    """Check each recording; 1 when anything is damaged, even if a repaired copy was made."""
    if args.like and not args.repair:
        raise RecordingError("--like is for --repair", "add --repair, or leave --like out")
    for folder in filter(Path.is_dir, args.paths):
        tell_unfinished(folder)
    n_damaged = 0
    told: list[dict[str, object]] = []
    files = find_recordings(args.paths)
    for path in files:
        try:
            verdict = check_recording(path)
            if args.repair and (verdict.problems or verdict.remarks):
                verdict = repair_recording(path, free_name(path), like=args.like)
        except RecordingError as error:
            print(f"refused  {plain(error)}", file=sys.stderr)
            n_damaged += 1
            told.append({"path": path, "is_sound": False, "refused": str(error)})
            continue
        n_damaged += not verdict.is_sound
        told.append({**to_plain(verdict), "is_sound": verdict.is_sound, "refused": None})
        if not args.json:
            print_verdict(verdict)
    if args.json:
        print_json({"n_sound": len(files) - n_damaged, "recordings": told})
    else:
        print(f"sound: {len(files) - n_damaged} of {len(files)}")
    return 1 if n_damaged else 0


def free_name(path: Path) -> Path:
    """A name for the repaired copy that is not taken."""
    copy, number = path.with_name(f"{path.stem}-repaired{path.suffix}"), 2
    while copy.exists():
        copy = path.with_name(f"{path.stem}-repaired-{number}{path.suffix}")
        number += 1
    return copy


def print_verdict(verdict: Verdict) -> None:
    """One line, and one more for each problem."""
    word = "sound" if verdict.is_sound else "damaged"
    length = "length unknown" if math.isnan(verdict.duration_s) else f"{verdict.duration_s:.1f} s"
    print(f"{word:8} {plain(verdict.path)}  {length}, {verdict.n_events} events")
    for line in (*verdict.problems, *verdict.remarks):
        print(f"         {plain(line)}")
    if verdict.copy:
        print(f"         all that is sound is in {plain(verdict.copy)}")
