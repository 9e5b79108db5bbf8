"""``biofeedback cohort``: a folder of recordings as one table, a row of features each. Goes on where it stopped."""

from __future__ import annotations

import argparse
import csv
import json
from collections.abc import Iterator, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from biofeedback import __version__
from biofeedback.errors import BiofeedbackError
from biofeedback.storage.dictionary import COHORT, TABLES, explain_tables
from biofeedback.storage.extras import import_extra
from biofeedback.storage.schema import SUFFIX
from biofeedback.storage.spreadsheet import neutralise, tell_formulas, write_rows
from biofeedback.storage.whole_file import write_whole
from biofeedback.wiring import figure_files
from biofeedback.wiring.json_output import HELP, print_json
from biofeedback.wiring.levels_table import write_parquet
from biofeedback.wiring.parallel import run_on_cluster, run_parallel
from biofeedback.wiring.progress import make_progress
from biofeedback.wiring.terminal import plain
from biofeedback.wiring.writing import explain_refusal

if TYPE_CHECKING:
    from biofeedback.analysis.people import People

KEYS = ("file", "stamp", "error")  # before the features: which file, in which state, and why there are none
APART_BY = "before"  # tables of earlier versions lack it: their rows are computed again, not pooled unseen
Row = dict[str, Any]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``cohort``."""
    parser.add_argument("folder", nargs="?", type=Path, metavar="FOLDER", help="recordings, sub-folders included")
    parser.add_argument("--out", type=Path, default=Path("cohort.csv"), metavar="PATH", help="cohort.csv or .parquet")
    parser.add_argument("--workers", type=int, default=None, metavar="N", help="processes; default: one per core")
    parser.add_argument(
        "--dask", default="", metavar="ADDRESS", help="use this dask scheduler, e.g. tcp://10.0.0.5:8786"
    )
    parser.add_argument("--figures", type=Path, metavar="FOLDER", help=figure_files.HELP)
    parser.add_argument("--json", action="store_true", help=HELP)
    parser.add_argument("--explain", action="store_true", help="say what every column of every table means, and end")
    parser.add_argument("--shrink", action="store_true", help="also draw each athlete's change towards the group's")
    parser.add_argument("--again", action="store_true", help="forget earlier rows and start over")


def run(args: argparse.Namespace) -> int:
    """Make or complete the table; 1 when any recording could not be analysed (it has a row with the reason)."""
    if args.explain:
        print_json(TABLES) if args.json else print("\n".join(explain_tables()))
        return 0
    if args.folder is None:
        raise BiofeedbackError("no folder is named", "give the folder that holds the recordings, or --explain")
    if not args.folder.is_dir():
        raise BiofeedbackError(f"there is no folder {args.folder}", "give the folder that holds the recordings")
    if args.out.suffix not in (".csv", ".parquet"):
        raise BiofeedbackError(f"{args.out} is neither .csv nor .parquet", "choose one of these endings with --out")
    if args.out.suffix == ".parquet":
        import_extra("pyarrow.parquet", "Parquet files", "parquet")  # before a night's work, not after it
    table, part = args.out.with_suffix(".csv"), args.out.with_suffix(".part")
    stamps = dict(find_recordings(args.folder))
    earlier = [] if args.again else read_table(table) + read_part(part)
    if earlier and not stamps.keys() & {row["file"] for row in earlier}:
        raise BiofeedbackError(
            f"{table} is about recordings of another folder", "choose another --out, or --again to replace it"
        )
    done = {
        row["file"]: row
        for row in earlier
        if stamps.get(row["file"]) == row["stamp"] and not row["error"] and APART_BY in row
    }
    todo = [name for name in sorted(stamps) if name not in done]
    work = partial(extract_row, str(args.folder.resolve()))  # a worker has a current folder of its own
    results = (
        run_on_cluster(work, todo, args.dask, folder=args.folder.resolve())
        if args.dask
        else run_parallel(work, todo, n_workers=args.workers)
    )
    show = make_progress("recordings")
    try:
        with part.open("w" if args.again else "a", encoding="utf-8") as file:
            for n, row in enumerate(results, 1):
                done[row["file"]] = row
                file.write(json.dumps(row) + "\n")
                file.flush()
                show(n, len(todo))
        rows = [done[name] for name in sorted(done)]
        remarks = write_table(table, rows)
        if args.out.suffix == ".parquet":
            write_typed(rows, args.out)
        part.unlink()
    except OSError as error:
        raise explain_refusal(args.out, error) from error
    failed = [row for row in done.values() if row["error"]]
    if args.figures:
        remarks.append(draw_groups(rows, args))
    if args.json:
        print_json({"table": args.out, "n_new": len(todo), "n_failed": len(failed), "rows": type_rows(rows)})
        return 1 if failed else 0
    for row in sorted(failed, key=lambda row: str(row["file"])):
        print(f"not analysed: {plain(row['file'])}: {plain(row['error'])}")
    print(f"{len(done)} recordings, {len(todo)} of them new, {len(failed)} without an analysis: {args.out}")
    print("\n".join(plain(line) for line in describe_groups(rows, shrink=args.shrink)))
    print("".join(f"{plain(remark)}\n" for remark in remarks), end="")
    return 1 if failed else 0


def draw_groups(rows: Sequence[Row], args: argparse.Namespace) -> str:
    """Each group as a figure; how many files that were."""
    from biofeedback.report.figure_files import list_group_pictures

    pictures = list_group_pictures([(title, people) for title, _, people in compare_groups(rows)])
    made = figure_files.write_figures(pictures, args.figures, args.out.stem)
    return f"Figures: {len(made)} files in {args.figures}"


def describe_groups(rows: Sequence[Row], *, shrink: bool = False) -> Iterator[str]:
    """Who responds, by exercise and by what was done before; simulated athletes by themselves."""
    from biofeedback.report.people import describe_people

    groups = list(compare_groups(rows))
    for title, _, people in groups:
        yield from describe_people(title, people, shrink=shrink)
    if any(before for _, before, _ in groups):
        yield (
            "sessions with and without warmth, massage, a warm-up or contractions before are not read together: each "
            "may ease discomfort by itself"
        )


def compare_groups(rows: Sequence[Row]) -> Iterator[tuple[str, str, People]]:
    """Title, what was done before, and comparison of each group of athletes."""
    from biofeedback.analysis.people import compare_people, gather_people, read_sessions

    for (exercise, simulated, before), sessions in sorted(read_sessions(rows).items()):
        title = (exercise or "no exercise named") + (f", after {before.replace('; ', ' and ')}" if before else "")
        title += ", simulated" if simulated else ""
        yield title, before, compare_people(gather_people(sessions))


def find_recordings(folder: Path) -> Iterator[tuple[str, str]]:
    """``(name relative to the folder, stamp)`` of every recording."""
    for path in sorted(folder.rglob(f"*{SUFFIX}")):
        yield path.relative_to(folder).as_posix(), make_stamp(path)


def make_stamp(path: Path) -> str:
    """Changes with the file and with the software, and then its row is computed again."""
    status = path.stat()
    return f"{status.st_size}.{status.st_mtime_ns}.{__version__}"


def extract_row(folder: str, name: str) -> Row:
    """One recording's row, or the reason why there is none. Runs in a process of its own."""
    from biofeedback.analysis.answer import analyse_recording
    from biofeedback.analysis.features import extract_features
    from biofeedback.storage.recording import open_recording

    row: Row = {"file": name, "stamp": "", "error": ""}
    try:
        path = Path(folder) / name
        row["stamp"] = make_stamp(path)
        return row | extract_features(analyse_recording(open_recording(path)))
    except BiofeedbackError as error:
        return row | {"error": str(error)}
    except Exception as error:  # one odd file must not end a night's work; the row says which and why
        return row | {"error": f"{type(error).__name__}: {error} (please report this)"}


def write_table(path: Path, rows: Sequence[Row]) -> list[str]:
    """All rows at once: there is never half a table. What was changed on the way."""
    columns = dict.fromkeys(KEYS)
    for row in rows:
        columns |= dict.fromkeys(row)
    with (
        write_whole(path) as beside,
        beside.open("w", newline="", encoding="utf-8", errors="surrogateescape") as file,  # odd names of files
    ):
        n_changed = write_rows(file, [list(columns), *([row.get(name) for name in columns] for row in rows)])
    return tell_formulas(n_changed, path)


def read_table(path: Path) -> list[Row]:
    """The rows of a finished table; BiofeedbackError when the file is something else, which must not be lost."""
    if not path.exists():
        return []
    with (
        suppress(UnicodeDecodeError, csv.Error),
        path.open(newline="", encoding="utf-8", errors="surrogateescape") as file,
    ):
        reader = csv.DictReader(file)
        if tuple(reader.fieldnames or ())[: len(KEYS)] == KEYS:
            return list(reader)
    raise BiofeedbackError(f"{path} was not written by this command", "choose another --out, or --again to replace it")


def read_part(path: Path) -> list[Row]:
    """What an interrupted run had done; its last line may be cut off."""
    rows = []
    for line in path.read_text("utf-8").splitlines() if path.exists() else ():
        with suppress(ValueError):
            rows.append(json.loads(line))
    return rows


def type_rows(rows: Sequence[Row]) -> list[Row]:
    """Every cell as the data dictionary says, whether it was computed now or read from an earlier table."""
    types = {column.name: column.type for column in COHORT}
    return [{name: _to_type(cell, types.get(name, "text")) for name, cell in row.items()} for row in rows]


def write_typed(rows: Sequence[Row], out: Path) -> None:
    """The rows as Parquet: every column has the type that the data dictionary gives it, so 007 stays a text."""
    types = {column.name: column.type for column in COHORT}
    typed = type_rows(rows)
    columns = {name: [row.get(name) for row in typed] for name in dict.fromkeys(key for row in rows for key in row)}
    with write_whole(out) as beside:
        write_parquet(columns, beside, {name: types.get(name, "text") for name in columns})


def _to_type(cell: Any, kind: str) -> Any:
    """A cell as it was computed, or as a CSV of an earlier run has it."""
    if cell is None or cell == "":
        return None
    if kind == "text":
        text = str(cell)
        return text[1:] if text.startswith("'") and neutralise(text[1:]) == text else text
    number = float({"True": 1, "False": 0}.get(str(cell), cell))
    return int(number) if kind == "whole" else number
