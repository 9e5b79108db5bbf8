"""``biofeedback scale``: what a sensor's numbers mean, from loads that are known; and whether they still do."""

from __future__ import annotations

import argparse
import csv
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from biofeedback.acquisition.reader import make_reader
from biofeedback.acquisition.source import EndOfSource, Source
from biofeedback.acquisition.sources import open_source
from biofeedback.calibration.loads import Reading, check_mass, measure_creep_percent, measure_load
from biofeedback.calibration.scale import Certificate, find_rising, make_certificate
from biofeedback.calibration.units import NEWTON_PER_UNIT, TORQUE, convert_force
from biofeedback.errors import CalibrationError
from biofeedback.model import Channel, Chunk, FloatArray
from biofeedback.storage.schema import recordings_folder
from biofeedback.toml_file import read_text_file
from biofeedback.wiring.writing import writing

READ_S, CREEP_S, PATIENCE_S = 3.0, 60.0, 3.0
LONGEST_ARM_M = 3.0
INTRODUCTION = """Put known loads on the sensor one after the other, from nothing to near the greatest effort and back
to nothing, five or more each way. Hang them straight and let them come to rest. Anchor and straps must hold several
times the load; keep feet and hands from under it.
Type each load and press Enter; an empty line ends. "creep" reads the present load for a minute."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``scale``."""
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--source", metavar="URL", help="read the loads from this sensor, one by one")
    where.add_argument("--csv", type=Path, metavar="FILE", help="lines of load,reading in the order of loading")
    where.add_argument("--reading", type=float, metavar="COUNTS", help="with --check: the reading of the check load")
    parser.add_argument("--unit", default="kg", choices=sorted(NEWTON_PER_UNIT), help="of the loads (kg)")
    parser.add_argument("--lever-arm-m", type=float, metavar="M", help="joint to strap, perpendicular: gives torque")
    parser.add_argument("--channel", metavar="NAME", help="which channel of the source (its first force channel)")
    parser.add_argument("--sensor", default="S1", metavar="CODE", help="label of the sensor on the certificate (S1)")
    parser.add_argument("--folder", type=Path, help="where certificates go (scales in the recordings' folder)")
    parser.add_argument("--check", type=Path, metavar="FILE", help="compare one known load with this certificate")
    parser.add_argument("--load", type=float, metavar="N", help="with --check: the known load, in --unit")


def run(args: argparse.Namespace) -> int:
    """Calibrate, or check a calibration; 1 when the check mass disagrees."""
    if args.lever_arm_m is not None and not 0 < args.lever_arm_m <= LONGEST_ARM_M:
        raise CalibrationError(
            f"--lever-arm-m {args.lever_arm_m:g} is not a lever arm that can be used",
            f"give metres, up to {LONGEST_ARM_M:g}",
        )
    if args.check:
        return _check(args)
    if args.load is not None:
        raise CalibrationError("--load only goes with --check", "give --check FILE, or the loads in --csv")
    if args.reading is not None:
        raise CalibrationError("--reading only goes with --check and --load", "give --check FILE and --load as well")
    to_unit = TORQUE if args.lever_arm_m else "N"
    creep: tuple[FloatArray, float] | None = None
    if args.csv:
        loads, readings = read_pairs(args.csv)
        channel_name = args.channel or "force"
    else:
        with Tap(open_source(args.source), args.channel) as tap:
            print(INTRODUCTION)
            loads, readings, creep = ask_for_loads(tap, args.unit)
            channel_name = tap.channel.name
    converted = [convert_force(load, args.unit, to_unit, lever_arm_m=args.lever_arm_m) for load in loads]
    creep_percent = None
    if creep and len(readings) > 1:
        creep_percent = measure_creep_percent(creep[0], creep[1], full_scale_counts=max(readings) - min(readings))
    certificate = make_certificate(
        converted,
        readings,
        unit=to_unit,
        sensor=args.sensor,
        utc=datetime.now(UTC).isoformat(timespec="seconds"),
        creep_percent=creep_percent,
        lever_arm_m=args.lever_arm_m,
    )
    print("\n".join(describe(certificate, channel_name)))
    folder = args.folder or recordings_folder() / "scales"
    try:
        for path in save(certificate, folder):
            print(f"Saved: {path}")
    except OSError as error:
        what = f"the certificate was not saved in {folder}: {error.strerror or error}"
        raise CalibrationError(what, "copy the line above, or choose another --folder") from error
    return 0


def read_pairs(path: Path) -> tuple[list[float], list[float]]:
    """Loads and readings of a CSV file; one line of headings is skipped. CalibrationError names the line."""
    try:
        rows = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError) as error:
        raise CalibrationError(f"{path} cannot be read", "name a text file with lines of load,reading") from error
    pairs: list[tuple[float, float]] = []
    told = [(number, row) for number, row in enumerate(rows, 1) if row and not row[0].lstrip().startswith("#")]
    for place, (number, row) in enumerate(told):
        try:
            load, reading = (float(cell) for cell in row)
        except ValueError:
            if place == 0:
                continue
            raise CalibrationError(f"{path} line {number}: {','.join(row)!r}", "write load,reading") from None
        pairs.append((load, reading))
    return [load for load, _ in pairs], [reading for _, reading in pairs]


class Tap:
    """Keeps reading a source in a thread, so that what is asked for is what is on the sensor now."""

    def __init__(self, source: Source, channel_name: str | None = None) -> None:
        self.source = source
        self.channel, self._column = _find_channel(source.channels, channel_name)
        self._parts: list[FloatArray] = []
        self._lock, self._stop, self._trouble = threading.Lock(), threading.Event(), ""
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Tap:
        self.source.open()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self.source.close()

    def read(self, seconds: float) -> FloatArray:
        """Counts of the next ``seconds``, (n,). CalibrationError when they do not come or touch a rail."""
        n_needed = round(seconds * self.source.rate_hz)
        with self._lock:
            self._parts.clear()
        due_s = time.monotonic() + seconds + PATIENCE_S
        counts: FloatArray = np.empty(0)
        while len(counts) < n_needed:
            if time.monotonic() > due_s or not self._thread.is_alive():
                trouble = self._trouble or f"{len(counts)} of {n_needed} readings came"
                raise CalibrationError(f"no load could be read: {trouble}", "check the sensor's cable or radio")
            time.sleep(0.02)
            with self._lock:
                counts = np.concatenate([np.empty(0), *self._parts])
        low, high = self.channel.rail_low_counts, self.channel.rail_high_counts
        if (low is not None and counts.min() <= low) or (high is not None and counts.max() >= high):
            raise CalibrationError("the reading lies on the converter's rail", "lower the gain or use a smaller load")
        return counts[:n_needed]

    def _run(self) -> None:
        reader = make_reader(self.source)
        try:
            while not self._stop.is_set():
                items = reader.read()
                self._trouble = reader.trouble
                with self._lock:
                    columns = [item.counts[:, self._column] for item in items if isinstance(item, Chunk)]
                    self._parts += [column[np.isfinite(column)] for column in columns]
        except EndOfSource:
            self._trouble = "the recording has been played to its end"


def ask_for_loads(
    tap: Tap, unit: str, ask: Callable[[str], str] = input
) -> tuple[list[float], list[float], tuple[FloatArray, float] | None]:
    """Loads in ``unit``, mean readings in counts, and the counts and rate of a creep reading if there was one."""
    loads: list[float] = []
    readings: list[Reading] = []
    creep: tuple[FloatArray, float] | None = None
    while answer := _ask(ask, f"Load {len(loads) + 1} in {unit}: "):
        try:
            if answer == "creep":
                creep = tap.read(CREEP_S), tap.source.rate_hz
                print("  read")
                continue
            load = float(answer)
            reading = measure_load(
                tap.read(READ_S), tap.source.rate_hz, empty_counts=readings[0].mean if readings else 0.0
            )
        except ValueError:
            print(f"  {answer!r} is not a number; type the load in {unit}, or creep")
        except CalibrationError as error:
            print(f"  not taken: {error}")
        else:
            loads.append(load)
            readings.append(reading)
            print(f"  {load:g} {unit} reads {reading.mean:.6g} counts, SD {reading.sd:.3g}")
    return loads, [reading.mean for reading in readings], creep


def describe(certificate: Certificate, channel_name: str) -> list[str]:
    """The certificate as lines of text."""
    c, unit = certificate, certificate.unit
    curve = (
        "straight line"
        if c.degree == 1
        else f"curve of degree {c.degree}, which earns its place (p = {c.degree_p:.2g})"
    )
    lines = [
        "",
        f"Sensor {c.sensor}, {c.utc}: {len(c.loads)} loads from {min(c.loads):.4g} to {max(c.loads):.4g} {unit}",
        f"  fit               {curve}",
        f"  factor            {c.factor:.6g} {unit} per count, {c.offset_counts:.6g} counts without load",
    ]
    if c.residual_sd is not None and c.lower_limit is not None:
        lines += [
            f"  residual SD       {c.residual_sd:.4g} counts ({abs(c.residual_sd * c.factor):.3g} {unit})",
            f"  lower limit       {c.lower_limit:.3g} {unit} (2.4 x residual SD); smallest load worth reading "
            f"{c.smallest_load():.3g} {unit} (to 5 %)",
        ]
    shares = (
        ("largest deviation", c.deviation_percent),
        ("non-linearity", c.nonlinearity_percent),
        ("hysteresis", c.hysteresis_percent),
        ("repeatability", c.repeatability_percent),
        ("zero return", c.zero_return_percent),
        ("creep", c.creep_percent),
    )
    lines += [f"  {name:17} {value:.3f} % of full scale" for name, value in shares if value is not None]
    if c.degree > 1:
        lines.append(f"  A channel uses the straight line, which is off by up to {c.line_deviation_percent:.3f} %.")
    lines += [f"  {note}" for note in c.notes]
    lines.append(f"Use it: channels={channel_name}:{unit}*{c.factor:.8g}")
    return lines


def save(certificate: Certificate, folder: Path) -> tuple[Path, Path]:
    """Certificate as JSON and its residuals as PNG, named after sensor and time; never over an older one."""
    from biofeedback.report.scale_figure import write_residuals

    folder.mkdir(parents=True, exist_ok=True)
    stamp = certificate.utc[:19].replace(":", "")
    safe = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in certificate.sensor)
    path, number = folder / f"scale-{safe}-{stamp}.json", 2
    while path.exists():
        path, number = folder / f"scale-{safe}-{stamp}-{number}.json", number + 1
    loads = np.asarray(certificate.loads)
    with writing(path) as text, writing(path.with_suffix(".png")) as picture:
        text.write_text(certificate.to_json(), encoding="utf-8")
        write_residuals(
            picture,
            loads=loads,
            residuals=certificate.residuals(),
            rising=find_rising(loads),
            unit=certificate.unit,
            lower_limit=certificate.lower_limit,
            title=f"Sensor {certificate.sensor}, {certificate.utc[:10]}",
        )
    return path, path.with_suffix(".png")


def _check(args: argparse.Namespace) -> int:
    if args.load is None or args.csv:
        raise CalibrationError("a check needs one known load", "give --load, and --source or --reading")
    try:
        certificate = Certificate.from_json(read_text_file(args.check))
    except (OSError, UnicodeDecodeError) as error:
        raise CalibrationError(f"{args.check} cannot be read", "choose the .json that `scale` saved") from error
    load = convert_force(
        args.load, args.unit, certificate.unit, lever_arm_m=args.lever_arm_m or certificate.lever_arm_m
    )
    reading = args.reading
    if reading is None:
        with Tap(open_source(args.source), args.channel) as tap:
            reading = measure_load(tap.read(READ_S), tap.source.rate_hz, empty_counts=certificate.offset_counts).mean
    found = check_mass(certificate, load, reading)
    if found.is_good:
        print(f"{load:.4g} {certificate.unit} reads {found.indicated:.4g}: the certificate of {certificate.utc} holds")
        return 0
    print(f"biofeedback: {found.warning}", file=sys.stderr)
    return 1


def _find_channel(channels: tuple[Channel, ...], name: str | None) -> tuple[Channel, int]:
    for column, channel in enumerate(channels):
        if channel.name == name or (name is None and channel.kind == "force"):
            return channel, column
    known = ", ".join(channel.name for channel in channels)
    raise CalibrationError(f"the source has no channel {name or 'of force'}", f"it has {known}")


def _ask(ask: Callable[[str], str], question: str) -> str:
    try:
        return ask(question).strip()
    except EOFError:
        return ""
