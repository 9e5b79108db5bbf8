"""``biofeedback report``: one recording as a page or a PDF to read or hand over."""

from __future__ import annotations

import argparse
import webbrowser
from pathlib import Path

from biofeedback.errors import BiofeedbackError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``report``."""
    parser.add_argument("file", type=Path, metavar="FILE", help="a recording")
    parser.add_argument("--pdf", action="store_true", help="write a PDF (A4) instead of an HTML page")
    parser.add_argument("--out", type=Path, metavar="PATH", help="where to write; default: beside the recording")
    parser.add_argument("--open", action="store_true", help="open the report afterwards")


def run(args: argparse.Namespace) -> int:
    """Analyse the recording, write the report, say where it is."""
    from biofeedback.analysis.answer import analyse_recording
    from biofeedback.storage.recording import open_recording

    analysis = analyse_recording(open_recording(args.file))
    path = choose_path(args.file, args.out, ".pdf" if args.pdf else ".html")
    try:
        if args.pdf:
            from biofeedback.report.pdf import write_pdf

            write_pdf(analysis, path)
        else:
            from biofeedback.report.html import write_report

            write_report(analysis, path)
    except OSError as error:
        raise BiofeedbackError(
            f"the report cannot be written to {path} ({error.strerror or error})", "choose another place with --out"
        ) from error
    print(f"Report: {path}")
    if args.open:
        webbrowser.open(path.resolve().as_uri())
    return 0


def choose_path(recording: Path, out: Path | None, suffix: str) -> Path:
    """``out`` as given, inside it when it is a folder, else beside the recording; never the recording itself."""
    path = recording.with_suffix(suffix) if out is None else out
    if path.is_dir():
        path = path / recording.with_suffix(suffix).name
    if path.resolve() == recording.resolve():
        raise BiofeedbackError(f"{path} is the recording itself", "choose another name with --out")
    return path
