"""``biofeedback list``: what has been recorded, and where."""

from __future__ import annotations

import argparse
from difflib import get_close_matches
from pathlib import Path
from typing import get_args

from biofeedback.analysis.words import ResponseWord
from biofeedback.errors import BiofeedbackError
from biofeedback.storage.library import Entry, filter_recordings, find_answers, list_recordings, to_json
from biofeedback.storage.recording import Recording
from biofeedback.storage.schema import recordings_folder
from biofeedback.wiring.dates import read_date
from biofeedback.wiring.leftovers import tell_unfinished
from biofeedback.wiring.progress import make_progress
from biofeedback.wiring.terminal import plain

HEADINGS = ("when (UTC)", "athlete", "exercise", "side", "position", "plan", "minutes", "ratings", "answer", "file")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``list``."""
    parser.add_argument("folder", nargs="?", type=Path, default=None, help="where to look (the usual folder)")
    parser.add_argument("--athlete", default="", metavar="CODE")
    parser.add_argument("--exercise", default="", metavar="TEXT", help="part of its name is enough")
    parser.add_argument("--side", default="", choices=["", "left", "right", "both"])
    parser.add_argument("--position", default="", metavar="TEXT")
    parser.add_argument("--plan", default="", metavar="TEXT")
    parser.add_argument("--covariate", default="", metavar="TEXT", help="e.g. heat, massage, warm-up")
    parser.add_argument("--answer", default="", metavar="WORD", help="less, more, 'no clear difference', ...")
    parser.add_argument("--since", default="", metavar="DATE", help="2026-01-31 or 2026-01; that day or month counts")
    parser.add_argument("--until", default="", metavar="DATE")
    parser.add_argument(
        "--answers", action="store_true", help="work out the answers that are not known yet (slow once)"
    )
    parser.add_argument("--json", action="store_true", help="for other programs")


def run(args: argparse.Namespace) -> int:
    """List what fits."""
    folder = args.folder or recordings_folder()
    tell_unfinished(folder)
    filters = {name: getattr(args, name) for name in ("athlete", "exercise", "side", "position", "plan", "covariate")}
    entries = list_recordings(folder, progress=make_progress("reading"))
    n_all = len(entries)
    since, until = read_date(args.since, "--since"), read_date(args.until, "--until")
    entries = filter_recordings(entries, **filters, since=since, until=until)
    if args.answers or args.answer:
        check_word(args.answer)
        entries = find_answers(folder, entries, find_word, progress=make_progress("working out answers"))
        entries = filter_recordings(entries, word=args.answer)
    if args.json:
        print(to_json(entries))
        return 0
    print_table(entries)
    print(f"{len(entries)} of {n_all} recordings in {folder}")
    return 0


def check_word(word: str) -> None:
    """BiofeedbackError, with the nearest that there is, for an answer that no analysis gives."""
    known = [str(one) for one in get_args(ResponseWord)]
    said = " ".join(word.casefold().split())
    if not said or said in known:
        return
    near = get_close_matches(said, known, n=1, cutoff=0.5) or [one for one in known if said in one]
    cure = f"did you mean '{near[0]}'?" if near else f"answers are {', '.join(map(repr, known))}"
    raise BiofeedbackError(f"--answer {word}: there is no such answer", cure)


def find_word(recording: Recording) -> str:
    """The word of a recording's answer, computed from its counts."""
    from biofeedback.analysis.answer import analyse_recording
    from biofeedback.storage.recording import problems_of

    with problems_of(recording.path):
        return analyse_recording(recording).response.word


def print_table(entries: list[Entry]) -> None:
    """Aligned columns; unreadable files last, each with its reason."""
    rows = [tuple(map(plain, format_row(entry))) for entry in entries if not entry.problem]
    if rows:
        widths = [max(map(len, column)) for column in zip(HEADINGS, *rows, strict=True)]
        for row in (HEADINGS, *rows):
            print("  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip())
    for entry in entries:
        if entry.problem:
            print(f"cannot be read: {plain(entry.problem)}")


def format_row(entry: Entry) -> tuple[str, ...]:
    """One line of the table."""
    return (
        entry.started_utc[:16].replace("T", " "),
        entry.athlete + (" (simulated)" if entry.simulated else ""),
        entry.exercise,
        entry.side,
        entry.position,
        entry.plans,
        f"{entry.duration_s / 60:.1f}",
        str(entry.n_ratings),
        entry.word,
        entry.name,
    )
