"""``biofeedback sensors``: which there are, how they may send, and whether one is fit for use."""

from __future__ import annotations

import argparse
import threading
from pathlib import Path

from biofeedback.acquisition.health import Finding, draw_strip
from biofeedback.acquisition.ports import find_ports
from biofeedback.acquisition.profiles import list_profiles, load_profile
from biofeedback.acquisition.sources import open_source
from biofeedback.errors import BiofeedbackError, SourceError
from biofeedback.storage.schema import recordings_folder
from biofeedback.wiring.sensor_check import draw_picture, import_drawing, judge_watched, watch_sensor

PICTURE = "sensor-check.png"
LONGEST_S = 3600.0
MARKS = {"good": "ok  ", "look": "look", "bad": "BAD "}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``sensors``."""
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    listing = actions.add_parser("list", help="ports and radios that are here, and which of them are boards of ours")
    listing.add_argument("--no-ask", action="store_true", help="do not open the ports (opening resets many boards)")
    listing.add_argument("--no-radio", action="store_true", help="do not look for Bluetooth LE devices")
    actions.add_parser("profiles", help="the kinds of boards that can be named in a source")
    check = actions.add_parser("check", help="watch a sensor and say in words whether it is fit for use")
    check.add_argument("source", metavar="SOURCE", help="for example serial:/dev/ttyUSB0?profile=frame-lines")
    check.add_argument("--seconds", type=float, default=10.0, help="how long to watch (10)")
    check.add_argument(
        "--picture",
        type=Path,
        default=None,
        metavar="FILE",
        help=f"where to draw it, .png or .svg ({PICTURE} in the recordings' folder)",
    )


def run(args: argparse.Namespace) -> int:
    """List, describe or check. Exit code of ``check``: 1 if something is bad."""
    if args.action == "profiles":
        return show_profiles()
    if args.action == "list":
        return show_sensors(ask=not args.no_ask, radio=not args.no_radio)
    return check_sensor(args.source, args.seconds, args.picture)


def show_profiles() -> int:
    """One line per profile; a broken one says where and why."""
    width = max(map(len, list_profiles()))
    for name in list_profiles():
        try:
            profile = load_profile(name)
            names = ", ".join(channel.name for channel in profile.channels)
            print(f"{name:{width}}  {profile.transport:6}  {profile.title} ({names})")
        except BiofeedbackError as error:
            print(f"{name:{width}}  broken: {error}")
    return 0


def show_sensors(*, ask: bool, radio: bool) -> int:
    """Ports, then radios, each with the source to write for it."""
    from biofeedback.acquisition.scan import ask_port, name_radios, scan_radios

    ports = find_ports()
    print("Ports:" if ports else "No serial port was found.")
    for path, description in ports:
        board, reason = ask_port(path) if ask else (None, "")
        if board is not None:
            text = f"board {board.board_id}, firmware {board.firmware}, {board.rate_hz:g} frames/s"
            print(f"  {path}  {text}\n    --source 'serial:{path}?profile=frame-lines'")
        else:
            print(f"  {path}  {description}" + (f" ({reason})" if reason else ""))
    if radio:
        try:
            radios = scan_radios()
        except BiofeedbackError as error:
            print(f"Radios: {error}")
            return 0
        print("Radios:" if radios else "No Bluetooth LE device with a known profile is in range.")
        for seen, (radio_id, title) in zip(radios, name_radios(radios), strict=True):
            print(f"  {title}  {seen.rssi_dbm} dBm")
            for name in seen.profiles:
                print(f"    --source 'ble:{radio_id}?profile={name}'")
    return 0


def check_sensor(url: str, seconds: float, picture: Path | None = None) -> int:
    """Watch, judge, print, draw; sit still meanwhile."""
    if not 0 < seconds <= LONGEST_S:
        raise SourceError(f"--seconds {seconds:g} cannot be watched", f"give seconds above 0, up to {LONGEST_S:g}")
    source = open_source(url)
    threading.Thread(target=import_drawing, daemon=True).start()  # takes seconds, which are there while watching
    print(f"Watching {source.description} for {seconds:g} s: sensor attached, muscle relaxed, sit still.", flush=True)
    source.open()
    try:
        watched = watch_sensor(source, seconds)
    finally:
        source.close()
    findings = judge_watched(watched)
    print(format_findings(findings))
    counts = watched.counts()
    for k, channel in enumerate(watched.channels):
        print(f"{channel.name:>12} │{draw_strip(counts[:, k])}│")
    path = picture or recordings_folder() / PICTURE
    draw_picture(path, watched, findings, title=source.description)
    print(f"Picture: {path}")
    return int(any(finding.state == "bad" for finding in findings))


def format_findings(findings: list[Finding]) -> str:
    """One line each, the cure below it."""
    lines = []
    for finding in findings:
        lines.append(f"{MARKS[finding.state]} {finding.about:>12}  {finding.text}")
        if finding.cure:
            lines.append(f"{'':18}→ {finding.cure}")
    return "\n".join(lines)
