"""``biofeedback report``: one recording as a page or a PDF to read or hand over."""

from __future__ import annotations

import argparse
import webbrowser
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from biofeedback.errors import BiofeedbackError
from biofeedback.storage.spreadsheet import tell_formulas, write_rows
from biofeedback.wiring import figure_files
from biofeedback.wiring.json_output import HELP, print_json
from biofeedback.wiring.maxima import parse_maximum
from biofeedback.wiring.writing import writing

if TYPE_CHECKING:
    from biofeedback.account.values import Maximum
    from biofeedback.analysis.linking import LinkedRating
    from biofeedback.signal.levels import Mains
    from biofeedback.storage.recording import Recording


MAINS: dict[str, Mains] = {"auto": "auto", "50": 50, "60": 60, "none": None}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``report``."""
    parser.add_argument("file", type=Path, metavar="FILE", help="a recording")
    parser.add_argument("--pdf", action="store_true", help="write a PDF (A4) instead of an HTML page")
    parser.add_argument(
        "--full", action="store_true", help="the details too: unfolded on the page, on further sheets of the PDF"
    )
    parser.add_argument("--out", type=Path, metavar="PATH", help="where to write; default: beside the recording")
    parser.add_argument("--ratings", type=Path, metavar="CSV", help="also write each rating and what went before it")
    parser.add_argument(
        "--maximum",
        action="append",
        default=[],
        metavar="CHANNEL=VALUE",
        help="recompute everything on another maximum (in the channel's unit, above the baseline); the file stays",
    )
    parser.add_argument(
        "--baseline",
        choices=["passive", "running", "zero"],
        default="passive",
        help="what is taken out of force: the passive tension's model, the last relaxed seconds, the zero alone",
    )
    parser.add_argument(
        "--mains",
        choices=["auto", "50", "60", "none"],
        default="auto",
        help="mains notch of raw EMG (auto: when hum is found)",
    )
    parser.add_argument(
        "--body-mass", type=float, default=None, metavar="KG", help="also give the maximum per kilogram; not stored"
    )
    parser.add_argument("--figures", type=Path, metavar="FOLDER", help=figure_files.HELP)
    parser.add_argument("--open", action="store_true", help="open the report afterwards")
    parser.add_argument("--json", action="store_true", help=f"{HELP}; no page is written")


def run(args: argparse.Namespace) -> int:
    """Analyse the recording, write the report, say where it is."""
    from biofeedback.analysis.answer import analyse_recording
    from biofeedback.storage.recording import open_recording, problems_of

    recording = open_recording(args.file)
    with problems_of(args.file):
        maxima = read_maxima(args.maximum, recording)
        analysis = analyse_recording(recording, maxima=maxima, baseline=args.baseline, mains_hz=MAINS[args.mains])
    if args.body_mass is not None:
        analysis = replace(analysis, settings={**analysis.settings, "body_mass_kg": args.body_mass})
    if args.json:
        from biofeedback.analysis.features import extract_features

        features = extract_features(analysis)
        print_json(
            {"file": args.file, "features": features, "ratings": analysis.ratings, "warnings": analysis.warnings}
        )
        return 0
    report = path = choose_path(args.file, args.out, ".pdf" if args.pdf else ".html")
    with writing(path) as beside:
        if args.pdf:
            from biofeedback.report.pdf import write_pdf

            write_pdf(analysis, beside, full=args.full)
        else:
            from biofeedback.report.html import write_report

            write_report(analysis, beside, full=args.full)
    if args.ratings:
        with writing(args.ratings) as beside:
            n_changed = write_ratings(analysis.ratings, beside)
        for remark in tell_formulas(n_changed, args.ratings):
            print(remark)
    print(f"Report: {report}")
    if args.figures:
        from biofeedback.report.figure_files import list_pictures

        made = figure_files.write_figures(list_pictures(analysis), args.figures, args.file.stem)
        print(f"Figures: {len(made)} files in {args.figures}")
    if args.open:
        webbrowser.open(report.resolve().as_uri())
    return 0


def read_maxima(texts: Sequence[str], recording: Recording) -> dict[str, Maximum]:
    """``force=450`` by channel: the maximum on record with another strength, or one typed in where there is none."""
    from biofeedback.account.values import Maximum

    channels = {channel.name: channel for channel in recording.channels}
    on_record = recording.account.maxima
    maxima = {}
    for text in texts:
        name, value = parse_maximum(text, list(channels), [channel.unit for channel in channels.values()])
        typed = Maximum(channel=name, strength=value, baseline=0.0, unit=channels[name].unit, method="typed")
        maxima[name] = on_record[name].revised(value) if name in on_record else typed
    return maxima


def write_ratings(ratings: Sequence[LinkedRating], path: Path) -> int:
    """The table that all answers are made from, for other programs; how many texts looked like formulas."""
    from biofeedback.analysis.linking import tabulate_links

    head, rows = tabulate_links(ratings)
    with path.open("w", newline="", encoding="utf-8") as file:
        return write_rows(file, [head, *rows])


def choose_path(recording: Path, out: Path | None, suffix: str) -> Path:
    """``out`` as given, inside it when it is a folder, else beside the recording; never the recording itself."""
    path = recording.with_suffix(suffix) if out is None else out
    if path.is_dir():
        path = path / recording.with_suffix(suffix).name
    if path.resolve() == recording.resolve():
        raise BiofeedbackError(f"{path} is the recording itself", "choose another name with --out")
    return path
