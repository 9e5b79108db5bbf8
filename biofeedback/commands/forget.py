"""``biofeedback forget CODE``: delete everything about one athlete, and prove it."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from biofeedback.errors import RecordingError
from biofeedback.storage.forget import find_files_of, forget_athlete
from biofeedback.storage.schema import recordings_folder
from biofeedback.wiring.kept_phones import forget_phones
from biofeedback.wiring.leftovers import tell_unfinished
from biofeedback.wiring.terminal import plain


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``forget``."""
    parser.add_argument("code", metavar="CODE", help="code of the athlete")
    parser.add_argument("--folder", type=Path, default=None, help="where the recordings are (the usual folder)")
    parser.add_argument("--yes", action="store_true", help="do not ask")


def run(args: argparse.Namespace) -> int:
    """Show what would go, ask, delete, search; 1 when a trace is left."""
    folder = args.folder or recordings_folder()
    if not folder.is_dir():
        raise RecordingError(f"there is no folder {folder}", "give the folder that holds the recordings with --folder")
    if not args.code.strip():
        raise RecordingError("no code is given", "name the athlete whose recordings are to go, e.g. A01")
    tell_unfinished(folder)
    files = find_files_of(folder, args.code)
    for path in files:
        print(plain(path))
    if files and not args.yes and not confirm(args.code, len(files)):
        print("Nothing was deleted.")
        return 1
    done = forget_athlete(folder, args.code, files)
    if n_phones := forget_phones(folder, args.code):
        print(f"{n_phones} phone{'s' * (n_phones > 1)} will not find the seat again without a new code.")
    if done.deleted:
        print(f"{len(done.deleted)} files deleted, {done.n_bytes / 1e6:.1f} MB overwritten.")
    else:
        print(f"There is no recording of {args.code} in {folder}: nothing was deleted.")
    for trace in done.traces:
        print(f"still mentions {args.code}: {plain(trace)}", file=sys.stderr)
    if not done.traces:
        print(f"{done.n_searched} other files searched: none mentions {args.code}.")
    print("Backups, copies elsewhere and spare blocks of the disk are beyond this program.")
    return 1 if done.traces else 0


def confirm(code: str, n_files: int) -> bool:
    """Only the code itself counts as yes."""
    what = "this file" if n_files == 1 else f"these {n_files} files"
    try:
        return input(f"Delete {what} for good? Type the code to go on: ").strip() == code
    except EOFError:
        return False
