"""A hundred ways in which loggers write the same 20 s, and none silently wrong: read right, or refused with a cure.

The pull: 10 N for 5 s, 60 N for 10 s, 10 N for 5 s, 100 readings a second. Where a variant is refused, the test does
what the cure says and the numbers must then be right. Hand-made forms unless another program wrote the file.
"""

from __future__ import annotations

import datetime
import gzip
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from biofeedback.cli import main
from biofeedback.errors import BiofeedbackError
from biofeedback.model import FloatArray
from biofeedback.storage.recording import open_recording

from .helpers import need_module

RATE_HZ, N = 100.0, 2000
TIME_S = np.arange(N) / RATE_HZ
PULL = np.where((TIME_S >= 5) & (TIME_S < 15), 60.0, 10.0) + 0.5 * np.sin(0.7 * np.arange(N))


@dataclass(frozen=True)
class Variant:
    """``write`` makes the file. ``told``: a remark it must make. ``refused``: what the error must say; its cure is
    ``cure`` (more arguments) or ``again`` (the file written as the cure asks)."""

    name: str
    write: Callable[[Path], Path]
    arguments: tuple[str, ...] = ()
    told: str = ""
    refused: str = ""
    cure: tuple[str, ...] = ()
    again: Callable[[Path], Path] | None = None
    scale: float = 1.0
    loses: float = 0.002  # share of the readings that may be missing
    extra: dict[str, float] = field(default_factory=dict)


def number(value: float, digits: int = 3, decimal: str = ".") -> str:
    return f"{value:.{digits}f}".replace(".", decimal)


def table(
    header: str = "time_s,force_N",
    *,
    separator: str = ",",
    times: Callable[[int], str] = lambda k: f"{k / 100:.3f}",
    values: Callable[[int], str] = lambda k: number(PULL[k]),
    before: str = "",
    after: str = "",
    encoding: str = "utf-8",
    end: str = "\n",
    rows: FloatArray | None = None,
    suffix: str = ".csv",
) -> Callable[[Path], Path]:
    def write(folder: Path) -> Path:
        path = folder / f"made{suffix}"
        order = range(N) if rows is None else rows.astype(int).tolist()
        lines = [f"{times(k)}{separator}{values(k)}" if times(k) else values(k) for k in order]
        text = before + (header + end if header else "") + end.join(lines) + end + after
        path.write_bytes(text.encode(encoding))
        return path

    return write


def clock(k: int, form: str) -> str:
    moment = datetime.datetime(2026, 1, 5, 23, 59, 50, tzinfo=datetime.UTC) + datetime.timedelta(milliseconds=10 * k)
    return moment.strftime(form)[: -3 if form.endswith("%f") else None]


def iso(k: int) -> str:
    return clock(k, "%Y-%m-%dT%H:%M:%S.%f")


def autumn(k: int, *, zone: bool) -> str:
    """From ten seconds before the clocks go back."""
    if k < 1000:
        return f"2026-10-25T02:59:{50 + k / 100:06.3f}" + "+02:00" * zone
    return f"2026-10-25T02:00:{(k - 1000) / 100:06.3f}" + "+01:00" * zone


def noon(k: int) -> str:
    moment = datetime.datetime(2026, 1, 5, 11, 59, 50) + datetime.timedelta(milliseconds=10 * k)
    return f"{moment:%I:%M:%S.%f} {'PM' if moment.hour > 11 else 'AM'}"


def with_pandas(**options: object) -> Callable[[Path], Path]:
    def write(folder: Path) -> Path:
        pandas = need_module("pandas")
        frame = pandas.DataFrame({"time": TIME_S, "force (N)": PULL})
        frame.to_csv(folder / "made.csv", **{"index": False, **options})
        return folder / "made.csv"

    return write


def with_two_rates(folder: Path) -> Path:
    lines = ["time_s,emg_uV,force_N"]
    noise = np.random.default_rng(1).normal(0, 50, 20_000)
    for k in range(20_000):
        lines.append(f"{k / 1000:.3f},{noise[k]:.1f},{number(PULL[k // 10]) if k % 10 == 0 else ''}")
    (folder / "made.csv").write_text("\n".join(lines))
    return folder / "made.csv"


def with_two_clocks(folder: Path) -> Path:
    """Rows of a goniometer at 33 a second among those of the force, each with its own time."""
    rows = [(k / 100 + 0.0012, f"{number(PULL[k])},") for k in range(N)]
    rows += [(k / 33, f",{20 + k % 7}") for k in range(660)]
    lines = [f"{time:.5f},{cells}" for time, cells in sorted(rows)]
    (folder / "made.csv").write_text("time_s,force_N,position_deg\n" + "\n".join(lines) + "\n")
    return folder / "made.csv"


def with_times_of_their_own(header: str) -> Callable[[Path], Path]:
    """EMG 1000 times a second, force 100 times, each behind its own times; the force ends after a tenth of the rows."""

    def write(folder: Path) -> Path:
        noise = np.random.default_rng(1).normal(0, 50, 20_000)
        lines = [header]
        for k in range(20_000):
            force = f"{k / 100:.3f},{number(PULL[k])}" if k < N else ","
            lines.append(f"{k / 1000:.4f},{noise[k]:.1f},{force}")
        (folder / "made.csv").write_text("\n".join(lines) + "\n")
        return folder / "made.csv"

    return write


def with_an_end(folder: Path) -> Path:
    lines = [f"{k / 100},{number(PULL[k])},{40 + k % 3 if k < 400 else ''}" for k in range(N)]
    (folder / "made.csv").write_text("time_s,force_N,position_deg\n" + "\n".join(lines) + "\n")
    return folder / "made.csv"


def packets(size: int, jitter: float = 0.0) -> Callable[[int], str]:
    return lambda k: f"{(k // size * size + size) / 100 + jitter * (k % size):.5f}"


def shuffled() -> FloatArray:
    rows = np.arange(N)
    rows[[700, 701]] = rows[[701, 700]]
    return rows.astype(float)


def binary(content: bytes, name: str) -> Callable[[Path], Path]:
    def write(folder: Path) -> Path:
        (folder / name).write_bytes(content)
        return folder / name

    return write


PNG = b"\x89PNG\r\n\x1a\n" + zlib.compress(bytes(5000))
plain = table()
counts = [f"{k:,}" for k in (PULL * 1000).astype(int).tolist()]
V = Variant
VARIANTS = [
    V("comma", table()),
    V("semicolon", table("time;force (N)", separator=";")),
    V("tab", table("time\tforce [N]", separator="\t", suffix=".tsv")),
    V("blank", table("time force_N", separator=" ", suffix=".txt")),
    V("many blanks", table("  time     force_N", separator="    ", suffix=".txt")),
    V("bar", table("time|force_N", separator="|")),
    V("crlf", table(end="\r\n")),
    V("old Mac line ends", table(end="\r")),
    V("bom", table("\ufefftime_s,force_N")),
    V("utf-16", table("time_s\tforce_N", separator="\t", encoding="utf-16")),
    V("utf-16 without mark", table("time_s\tforce_N", separator="\t", encoding="utf-16-le")),
    V("latin-1", table("time_s,force_N", before="# Gerät 3\n", encoding="latin-1")),
    V(
        "decimal comma",
        table(
            "time;force_N",
            separator=";",
            times=lambda k: number(k / 100, 2, ","),
            values=lambda k: number(PULL[k], 3, ","),
        ),
    ),
    V(
        "decimal comma, first row 0;0",
        table(
            "time;force_N",
            separator=";",
            times=lambda k: number(k / 100, 2, ",") if k else "0",
            values=lambda k: number(PULL[k], 3, ",") if k else "0",
        ),
        loses=0.03,
    ),
    V(
        "quoted decimal commas",
        table(times=lambda k: f'"{number(k / 100, 2, ",")}"', values=lambda k: f'"{number(PULL[k], 3, ",")}"'),
    ),
    V(
        "quotes around everything",
        table('"time_s","force_N"', times=lambda k: f'"{k / 100}"', values=lambda k: f'"{number(PULL[k])}"'),
    ),
    V(
        "whole numbers",
        table("time [ms];force (N)", separator=";", times=lambda k: str(10 * k), values=lambda k: str(round(PULL[k]))),
    ),
    V("exponents", table(values=lambda k: f"{PULL[k]:.6e}")),
    V("signs", table(values=lambda k: f"{PULL[k]:+.3f}")),
    V(
        "thousands comma in quotes",
        table("time_s,force_mN", values=lambda k: f'"{counts[k]}"'),
        scale=1e3,
        told="a comma is read as thousands sign",
    ),
    V(
        "thousands or decimal comma",
        table("time_ms;force_mN", separator=";", times=lambda k: str(10 * k), values=lambda k: counts[k]),
        scale=1e3,
        refused="could be",
        cure=("--decimal", "point"),
    ),
    V(
        "thousands comma beside small numbers",
        table("time_s,force_mN", values=lambda k: f'"{counts[k]}"' if k % 50 else '"980"'),
        scale=1e3,
        told="a comma is read as thousands sign",
        loses=0.03,
    ),
    V(
        "thousands comma, decimals elsewhere",
        table("time_s;force_mN", separator=";", values=lambda k: counts[k]),
        scale=1e3,
        told="a comma is read as thousands sign",
    ),
    V(
        "thousands comma without quotes",
        table("time_s,force_mN", values=lambda k: counts[k]),
        scale=1e3,
        refused="rows do not fit",
        again=table("time_s;force_mN", separator=";", values=lambda k: counts[k]),
    ),
    V(
        "thousands point and decimal comma",
        table(
            "time;force_mN",
            separator=";",
            times=lambda k: number(k / 100, 2, ","),
            values=lambda k: f"{counts[k].replace(',', '.')},5",
        ),
        scale=1e3,
    ),
    V(
        "thousands apostrophe",
        table("time_s;force_mN", separator=";", values=lambda k: counts[k].replace(",", "'")),
        scale=1e3,
    ),
    V(
        "thousands blank",
        table("time_s;force_mN", separator=";", values=lambda k: counts[k].replace(",", "\u00a0")),
        scale=1e3,
    ),
    V(
        "both decimal signs",
        table(
            "time_s;force_N;position_deg",
            separator=";",
            values=lambda k: f"{number(PULL[k])};{number(k % 9 + 0.5, 1, ',')}",
        ),
        refused="decimals with a comma here and with a point there",
        again=table(
            "time_s;force_N;position_deg", separator=";", values=lambda k: f"{number(PULL[k])};{number(k % 9 + 0.5, 1)}"
        ),
    ),
    V("milliseconds", table("time,force_N", times=lambda k: str(10 * k)), told="read as ms"),
    V("milliseconds said", table("time (ms),force_N", times=lambda k: str(10 * k))),
    V(
        "milliseconds called seconds",
        table("time_s,force_N", times=lambda k: str(10 * k)),
        refused="0.1 readings a second",
        cure=("--time-unit", "ms"),
    ),
    V("microseconds", table("t,force_N", times=lambda k: str(10_000 * k)), told="read as us"),
    V("epoch s", table("timestamp,force_N", times=lambda k: f"{1767657600 + k / 100:.2f}"), told="counted from 1970"),
    V("epoch ms", table("timestamp,force_N", times=lambda k: str(1767657600000 + 10 * k)), told="counted from 1970"),
    V(
        "epoch us",
        table("timestamp,force_N", times=lambda k: str(1767657600000000 + 10_000 * k)),
        told="counted from 1970",
    ),
    V(
        "steps of one",
        table("time,force_N", times=str),
        refused="names no unit and steps by 1",
        cure=("--rate", "100"),
    ),
    V(
        "spreadsheet days",
        table("time,force_N", times=lambda k: f"{46027.75 + k / 8_640_000:.12f}"),
        told="read as days",
    ),
    V("iso", table("time,force_N", times=iso)),
    V("iso with zone", table("time,force_N", times=lambda k: iso(k) + "Z")),
    V("clock times over midnight", table("time;force_N", separator=";", times=lambda k: iso(k)[11:])),
    V(
        "clock times with decimal comma",
        table(
            "time;force_N",
            separator=";",
            times=lambda k: iso(k)[11:].replace(".", ","),
            values=lambda k: number(PULL[k], 3, ","),
        ),
    ),
    V(
        "clock times to the second",
        table("time,force_N", times=lambda k: clock(k, "%H:%M:%S")),
        told="coarser than its rows",
    ),
    V(
        "minutes and seconds",
        table("time,force_N", times=lambda k: f"{k // 6000:02}:{k % 6000 / 100:05.2f}"),
        told="minutes and seconds",
    ),
    V("am and pm", table("time,force_N", times=lambda k: clock(k, "%m/%d/%Y %I:%M:%S %p")), told="coarser"),
    V("preamble", table(before="Logger 7\nSerial: 0042\nRange,500\n\n"), told="3 lines before the table are skipped"),
    V(
        "preamble with the rate",
        table("force_N", times=lambda _: "", before="Station 2\nSampling rate: 100 Hz\n"),
        told="100 Hz, as is written",
    ),
    V(
        "preamble with another rate",
        table(before="Station 2\nSampling rate: 1000 Hz\n"),
        told="1000 Hz is written before the table, but its times make 100 Hz: the times are believed",
    ),
    V("percent comments", table("% time_s force_N", separator=" ", before="% made elsewhere\n", suffix=".txt")),
    V("hash comments within", table(before="# one\n# two\n", after="# the end\n")),
    V("row of units", table("time,force\ns,N")),
    V(
        "no header",
        table(""),
        refused="no column is known",
        cure=("--channel", "column 2=force:N", "--time", "column 1"),
    ),
    V("blank lines", table(end="\n\n")),
    V("trailing separators", table("time_s,force_N,", values=lambda k: number(PULL[k]) + ",")),
    V(
        "duplicate names",
        table("time_s,force,force", values=lambda k: f"{number(PULL[k])},{k % 5}"),
        told="two columns are called force",
    ),
    V(
        "text column",
        table("time_s,force_N,state", values=lambda k: f"{number(PULL[k])},{'on' if k % 2 else 'off'}"),
        told="column state left out",
    ),
    V(
        "words for missing",
        table(values=lambda k: "NaN" if k % 900 == 5 else number(PULL[k])),
        told="3 cells are empty",
    ),
    V(
        "a number for missing",
        table(values=lambda k: "-9999" if 700 <= k < 710 else number(PULL[k])),
        told="force: 10 readings are -9999, far beyond all others: taken as missing",
        loses=0.006,
    ),
    V(
        "a number that no sensor reads",
        table(values=lambda k: "9.9E+37" if 700 <= k < 710 else number(PULL[k])),
        told="far beyond all others: taken as missing",
        loses=0.006,
    ),
    V(
        "999 among thousands",
        table("time_s,force_mN", values=lambda k: "999" if k == 77 else str(round(PULL[k] * 1000))),
        scale=1e3,
        loses=0.02,
    ),
    V("infinities", table(values=lambda k: "inf" if k == 77 else number(PULL[k])), told="1 cells are no numbers"),
    V(
        "overload words",
        table(values=lambda k: "OVLD" if k == 77 else number(PULL[k])),
        told="1 cells are no numbers, the first: 'OVLD'",
    ),
    V(
        "one lost row in two hundred",
        table(rows=np.flatnonzero(np.arange(N) % 200 != 3).astype(float)),
        told="cells are empty",
        loses=0.006,
    ),
    V(
        "a gap of two seconds",
        table(rows=np.flatnonzero((np.arange(N) < 1000) | (np.arange(N) > 1199)).astype(float)),
        told="a gap",
        loses=0.11,
    ),
    V("two rows exchanged", table(rows=shuffled()), told="1 rows do not come later"),
    V(
        "doubled rows",
        table(rows=np.sort(np.concatenate([np.arange(N), [5, 500, 1500]])).astype(float)),
        told="3 rows have the time",
    ),
    V(
        "time jumps back",
        table(times=lambda k: f"{(k if k < 1200 else k - 900) / 100:.2f}"),
        refused="jump back",
        cure=("--rate", "100"),
    ),
    V("time begins again", table(times=lambda k: f"{k % 1000 / 100:.2f}"), refused="jump back", cure=("--rate", "100")),
    V(
        "one time years after the others",
        table(
            times=lambda k: "666660632" if k == 1500 else f"{k / 100:.2f}" if k < 1500 else f"{666660632 + k / 100:.2f}"
        ),
        refused="readings would be missing",
        cure=("--rate", "100"),
    ),
    V(
        "16-bit milliseconds",
        table("millis,force_N", times=lambda k: str((60_000 + 10 * k) % 65_536)),
        told="begin again after 65536",
    ),
    V(
        "32-bit microseconds",
        table("time_us,force_N", times=lambda k: str((2**32 - 9_000_000 + 10_000 * k) % 2**32)),
        told="begin again after",
    ),
    V("stamps of arrival", table(times=packets(10)), told="coarser than its rows"),
    V("bursts", table(times=packets(10, 0.0001)), told="came in packets"),
    V(
        "bursts with an outage",
        table(times=lambda k: f"{(k // 10 * 10 + (900 if k > 1000 else 0)) / 100 + 0.0001 * (k % 10):.5f}"),
        refused="rows",
        cure=("--rate", "100"),
    ),
    V(
        "converter that takes turns",
        table(times=lambda k: f"{k / 100 + 0.002 * (k % 2):.4f}"),
        told="not evenly spaced",
    ),
    V("force slower than EMG", with_two_rates, told="slower than the rows"),
    V("two clocks", with_two_clocks, told="several clocks"),
    V(
        "times of their own, called alike",
        with_times_of_their_own("X [s],EMG 1 [uV],X [s],Force [N]"),
        told="several columns of times, X, X (2): each channel is placed by the one before it",
    ),
    V(
        "times of their own",
        with_times_of_their_own("time_emg,emg_uV,time_force,force_N"),
        arguments=("--time", "time_emg"),
        told="several columns of times, time_emg, time_force",
    ),
    V("goniometer that ends", with_an_end, told="position: 1600 cells are empty"),
    V("pandas", with_pandas()),
    V("pandas for German readers", with_pandas(sep=";", decimal=",")),
    V("pandas with an index", with_pandas(index=True)),
    V("pandas utf-16", with_pandas(encoding="utf-16", sep="\t")),
    V("kgf", table("time_s,force_kgf", values=lambda k: number(PULL[k] / 9.80665, 5))),
    V("picture", binary(PNG, "made.csv"), refused="is a picture", again=plain),
    V("packed", binary(gzip.compress(b"time_s,force_N\n"), "made.csv.gz"), refused="unpack it first", again=plain),
    V("spreadsheet", binary(b"PK\3\4" + bytes(500), "made.csv"), refused="is a spreadsheet", again=plain),
    V("zeros", binary(bytes(4000), "made.csv"), refused="is not text", again=plain),
    V(
        "columns that change half-way",
        table(values=lambda k: number(PULL[k]) + (",7,8" if k > 1000 else "")),
        refused="row 1002 first",
        again=plain,
    ),
    V(
        "force in tons of nothing",
        table("time_s,load", values=lambda k: number(PULL[k])),
        refused="no column is known",
        cure=("--channel", "load=force:N"),
    ),
    V("line that names the separator", table("time_s;force_N", separator=";", before="sep=;\n"), told="'sep=;'"),
    V("a sign before the table that breaks lines elsewhere", table(before="Ger\xe4t\x85 \x0c3\n", encoding="latin-1")),
    V("a sign that is no UTF-8, late", table(after="# 20 \xb0C\n", encoding="latin-1")),
    V(
        "rows with their numbers, unnamed",
        table('"time_s" "force_N"', separator=" ", times=lambda k: f'"{k + 1}" {k / 100}'),
    ),
    V(
        "rows with their numbers",
        table(
            '"";"time_s";"force_N"',
            separator=";",
            times=lambda k: f'"{k + 1}";{number(k / 100, 2, ",")}',
            values=lambda k: number(PULL[k], 3, ","),
        ),
    ),
    V(
        "exponents of savetxt",
        table("# time_s,force_N", times=lambda k: f"{k / 100:.18e}", values=lambda k: f"{PULL[k]:.18e}"),
    ),
    V(
        "exponents with decimal comma",
        table(
            "time_s;force_N",
            separator=";",
            times=lambda k: f"{k / 100:.4e}".replace(".", ","),
            values=lambda k: f"{PULL[k]:.4E}".replace(".", ","),
        ),
    ),
    V(
        "lines at the end",
        table(after="End of data\nchecked by,nobody\n"),
        told="2 rows hold no number: left out, row 2001 first",
    ),
    V("a mean at the end", table(after="\nMean,35.0\n"), told="1 cells are no numbers, the first: 'Mean'"),
    V(
        "header once more",
        table(times=lambda k: "time_s,force_N\n" * (k in (500, 1000, 1500)) + f"{k / 100:.2f}"),
        told="3 rows hold no number: left out, row 501 first",
    ),
    V("mixed line ends", table(values=lambda k: number(PULL[k]) + ("\r" if k % 3 else ""))),
    V("half a last row", table(after="20.00,"), told="1 cells are empty"),
    V("separators at row ends only", table(values=lambda k: number(PULL[k]) + ",")),
    V("units in brackets below", table("time,force\n(ms),(N)", times=lambda k: str(10 * k))),
    V(
        "two lines of names",
        table("Clock,Load cell\ntime_s,force_N"),
        told="a line before the table is skipped: 'Clock,Load",
    ),
    V("date and time apart", table("date,time,force_N", times=lambda k: clock(k, "%d.%m.%Y,%H:%M:%S.%f"))),
    V("name of a month", table("time,force_N", times=lambda k: clock(k, "%d-%b-%Y %H:%M:%S.%f"))),
    V(
        "date and decimal comma",
        table(
            "time;force_N",
            separator=";",
            times=lambda k: (
                clock(k, "%d.%m.%Y %H:%M:%S.%f").replace(".", ",")[:10].replace(",", ".")
                + clock(k, "%d.%m.%Y %H:%M:%S.%f")[10:].replace(".", ",")
            ),
            values=lambda k: number(PULL[k], 3, ","),
        ),
    ),
    V("name of a zone", table("time,force_N", times=lambda k: f"{iso(k)} CET")),
    V("hours ahead", table("time,force_N", times=lambda k: f"{iso(k)}+0530")),
    V("the hour that comes twice, with its zone", table("time,force_N", times=lambda k: autumn(k, zone=True))),
    V(
        "the hour that comes twice",
        table("time,force_N", times=lambda k: autumn(k, zone=False)),
        refused="jump back from 10800 to 7200 s",
        cure=("--rate", "100"),
    ),
    V("differences of time", table("time,force_N", times=lambda k: f"0 days 00:00:{k / 100:09.6f}")),
    V("twelve hours with noon", table("time,force_N", times=noon)),
    V("epoch ns", table("timestamp,force_N", times=lambda k: str((176765760000 + k) * 10**7)), told="read as ns"),
    V(
        "minutes, unsaid",
        table("time,force_N", times=lambda k: f"{k / 6000:.8f}"),
        refused="5999.9 Hz in s, 99.998 Hz in min",
        cure=("--time-unit", "min"),
    ),
    V("minutes", table("time [min];force_N", separator=";", times=lambda k: f"{k / 6000:.8f}")),
    V(
        "part of a day",
        table("time,force_N", times=lambda k: f"{k / 8_640_000:.12f}"),
        refused="100 Hz in days",
        cure=("--time-unit", "days"),
    ),
    V(
        "spreadsheet days, few digits",
        table("time,force_N", times=lambda k: f"{46027.75 + k / 8_640_000:.5f}"),
        told="coarser than its rows: taken as even at 99.9",
    ),
    V("time before a trigger", table(times=lambda k: f"{k / 100 - 5:.2f}")),
    V(
        "backwards",
        table(rows=np.arange(N)[::-1].astype(float)),
        refused="run backwards; sort its rows by time",
        again=plain,
    ),
    V("minus of typesetters", table(values=lambda k: f"\u2212{PULL[k]:.3f}"), scale=-1.0),
    V(
        "unit in every cell",
        table(values=lambda k: f"{PULL[k]:.3f} N"),
        refused="the first cell is '10.000 N'; write them as numbers alone",
        again=plain,
    ),
    V(
        "rate with decimal comma",
        table("force_N", times=lambda _: "", before="Abtastrate: 100,0 Hz\n"),
        told="100 Hz, as",
    ),
    V(
        "rate that could be two",
        table("force_N", times=lambda _: "", before="Sample rate: 10,000 Hz\n"),
        refused="no time column",
        cure=("--rate", "100"),
    ),
    V("name with its unit", table("time_s,Fz (N)"), arguments=("--channel", "Fz (N)=force")),
    V("name without its unit", table("time_s,Fz (N)"), arguments=("--channel", "Fz=force")),
    V("name in other letters", table("time_s,Fz [N]"), arguments=("--channel", "fz=force")),
]


def convert(path: Path, *arguments: str) -> int:
    path.with_suffix(".hold").unlink(missing_ok=True)
    return main(["convert", str(path), "--out", str(path.with_suffix(".hold")), *arguments])


def check_numbers(path: Path, variant: Variant) -> None:
    """Rate, length and every reading of the force at its time."""
    recording = open_recording(path.with_suffix(".hold"))
    channel = next(c for c in recording.channels if c.kind == "force")
    column = recording.channels.index(channel)
    values = channel.scaled(recording.counts()[:, column]) / variant.scale
    assert recording.duration_s == pytest.approx(20.0, rel=0.006)
    own_hz = channel.rate_hz or recording.rate_hz
    assert own_hz == pytest.approx(RATE_HZ, rel=0.005)
    known = np.flatnonzero(np.isfinite(values))
    assert len(known) >= N * (1 - variant.loses)
    truth = np.interp(known / recording.rate_hz, TIME_S, PULL)
    near_a_step = np.min(np.abs(known[:, None] / recording.rate_hz - np.array([5.0, 15.0])), axis=1) < 0.15
    assert np.mean(np.abs(values[known] - truth)[~near_a_step] < 1.2) > 1 - variant.loses - 0.001
    assert np.abs(values[known] - truth)[~near_a_step].max() < (1.2 if variant.loses < 0.02 else 61)


@pytest.mark.parametrize("variant", VARIANTS, ids=lambda variant: variant.name)
def test_read_right_or_refused_with_a_cure_that_works(
    variant: Variant, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = variant.write(tmp_path)
    code = convert(path, *variant.arguments)
    told = capsys.readouterr()
    if variant.refused:
        assert code == 1
        (line,) = told.err.splitlines()
        assert variant.refused in line
        assert not path.with_suffix(".hold").exists()
        assert [word for word in variant.cure if word.startswith("--") and word not in line and word != "--time"] == []
        path = variant.again(tmp_path) if variant.again else path
        assert convert(path, *variant.arguments, *variant.cure) == 0, capsys.readouterr().err
    else:
        assert code == 0, told.err
        assert variant.told in told.out
    check_numbers(path, variant)


def test_there_are_a_hundred_of_them_and_no_two_alike() -> None:
    assert len({variant.name for variant in VARIANTS}) == len(VARIANTS) >= 100


def test_a_file_that_is_too_large_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from biofeedback.storage import table_file, table_text

    monkeypatch.setattr(table_file, "MOST_BYTES", 1000)
    with pytest.raises(BiofeedbackError, match=r"GiB; cut it into files"):
        table_text.read_layout(plain(tmp_path))
