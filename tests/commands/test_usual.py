"""What a command takes where nobody says anything: a default that changes is a promise broken for every script."""

from __future__ import annotations

import argparse
import importlib
from pathlib import Path
from typing import Any

import pytest

from biofeedback.cli import COMMANDS

# Of every command that runs sessions.
SESSION: dict[str, Any] = {
    "joint": None,
    "before": [],
    "own_exercises": None,
    "limit": None,
    "familiarisation": False,
    "plan": [],
    "folder": None,
    "port": 8765,
    "no_browser": False,
    "share": False,
    "phone": False,
    "share_certificate": None,
    "share_plain": False,
    "first_plan": "",
    "keeps_phones": False,
    "lsl": None,
}
# By command: the least that has to be said, what it means then, and which options take only what they list.
USUAL: dict[str, tuple[list[str], dict[str, Any], dict[str, list[Any]]]] = {
    "amend": (
        ["a.hold"],
        {
            "file": Path("a.hold"),
            "rest": "",
            "maximum": [],
            "maximum_from": [],
            "by": "",
            "why": "",
            "rating": [],
            "events": None,
            "note": [],
        },
        {},
    ),
    "check": (["a.hold"], {"paths": [Path("a.hold")], "repair": False, "like": None, "json": False}, {}),
    "cohort": (
        [],
        {
            "folder": None,
            "out": Path("cohort.csv"),
            "workers": None,
            "dask": "",
            "figures": None,
            "json": False,
            "explain": False,
            "shrink": False,
            "again": False,
        },
        {},
    ),
    "convert": (
        ["a.csv"],
        {
            "files": [Path("a.csv")],
            "preview": False,
            "out": None,
            "channel": [],
            "time": None,
            "rate": None,
            "time_unit": None,
            "decimal": None,
            "athlete": "",
            "exercise": "",
            "side": "",
            "position": "",
            "started": "",
            "rest": "",
            "maximum": [],
            "maximum_from": [],
            "by": "",
            "why": "",
            "rating": [],
            "events": None,
        },
        {
            "time_unit": ["s", "ms", "us", "ns", "min", "h", "days"],
            "decimal": ["comma", "point"],
            "side": ["", "left", "right", "both"],
        },
    ),
    "demo": (
        [],
        {
            "athlete": [],
            "exercise": "standing hamstring stretch",
            "side": "left",
            "position": "heel on a box, 60 cm",
            **SESSION,
            "fast": False,
            "auto": False,
            "seed": 1,
            "athletes": 1,
            "channels": "force,emg",
        },
        {"side": ["", "left", "right", "both"], "athletes": [1, 2, 3, 4]},
    ),
    "export": (
        ["a.hold", "--to", "csv"],
        {
            "paths": [Path("a.hold")],
            "to": "csv",
            "parquet": False,
            "out": None,
            "anonymous": False,
            "mains": None,
            "placement": "",
            "reference": "",
            "force": False,
        },
        {"to": ["csv", "numpy", "edf", "bdf", "levels", "bids"], "mains": [50.0, 60.0]},
    ),
    "forget": (["A01"], {"code": "A01", "folder": None, "yes": False}, {}),
    "history": (
        ["A01"],
        {"athlete": "A01", "folder": None, "exercise": "", "since": "", "out": None, "open": False, "json": False},
        {},
    ),
    "list": (
        [],
        {
            "folder": None,
            "athlete": "",
            "exercise": "",
            "side": "",
            "position": "",
            "plan": "",
            "covariate": "",
            "answer": "",
            "since": "",
            "until": "",
            "answers": False,
            "json": False,
        },
        {"side": ["", "left", "right", "both"]},
    ),
    "live": (
        [],
        {
            "athlete": [],
            "exercise": "",
            "side": "",
            "position": "",
            **SESSION,
            "source": None,
            "exercises": False,
            "maximum": [],
            "carry": [],
            "certificate": [],
            "no_certificate": False,
        },
        {"side": ["", "left", "right", "both"]},
    ),
    "report": (
        ["a.hold"],
        {
            "file": Path("a.hold"),
            "pdf": False,
            "full": False,
            "out": None,
            "ratings": None,
            "maximum": [],
            "baseline": "passive",
            "mains": "auto",
            "body_mass": None,
            "figures": None,
            "open": False,
            "json": False,
        },
        {"baseline": ["passive", "running", "zero"], "mains": ["auto", "50", "60", "none"]},
    ),
    "review": ([], {"folder": None, "port": 8766, "no_browser": False}, {}),
    "scale": (
        ["--csv", "a.csv"],
        {
            "source": None,
            "csv": Path("a.csv"),
            "reading": None,
            "unit": "kg",
            "lever_arm_m": None,
            "channel": None,
            "sensor": "S1",
            "folder": None,
            "check": None,
            "load": None,
        },
        {},
    ),
    "sensors": (["check", "felt:"], {"action": "check", "source": "felt:", "seconds": 10.0, "picture": None}, {}),
    "simulate": (
        ["simulated:", "a.hold"],
        {
            "source": "simulated:",
            "out": Path("a.hold"),
            "plan": [],
            "exercise": "standing hamstring stretch",
            "side": "left",
            "position": "heel on a box, 60 cm",
            "joint": "knee",
            "limit": 10.0,
            "started": "2026-01-05T18:00:00+00:00",
            "fast": False,
            "force": False,
        },
        {"side": ["left", "right", "both"]},
    ),
    "trial": (
        ["A01"],
        {
            "athlete": "A01",
            "folder": None,
            "draw": "",
            "blocks": 6,
            "seed": None,
            "exercise": "",
            "side": "",
            "position": "",
            "out": None,
            "json": False,
        },
        {"side": ["", "left", "right", "both"]},
    ),
}


def make_parser(command: str) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser()
    importlib.import_module(f"biofeedback.commands.{command}").add_arguments(parser)
    return parser


def test_every_command_is_here() -> None:
    assert set(USUAL) == set(COMMANDS)


@pytest.mark.parametrize("command", USUAL)
def test_what_nobody_says_is_usual(command: str) -> None:
    words, meant, listed = USUAL[command]
    parser = make_parser(command)
    assert vars(parser.parse_args(words)) == meant
    choices = {action.dest: list(action.choices) for action in parser._actions if action.choices is not None}
    assert {name: choices[name] for name in listed} == listed


@pytest.mark.parametrize(
    ("command", "words", "name", "value"),
    [
        ("amend", ["--rating", "1=2", "--rating", "3=4"], "rating", ["1=2", "3=4"]),
        ("amend", ["--note", "a", "--note", "b"], "note", ["a", "b"]),
        ("amend", ["--maximum", "a=1", "--maximum", "b=2"], "maximum", ["a=1", "b=2"]),
        ("amend", ["--maximum-from", "1-2", "--maximum-from", "3-4"], "maximum_from", ["1-2", "3-4"]),
        ("check", ["--repair", "--json"], "repair", True),
        ("cohort", ["--shrink", "--explain", "--again", "--json"], "shrink", True),
        ("cohort", ["--workers", "3"], "workers", 3),
        ("convert", ["--channel", "a=b", "--channel", "c=d"], "channel", ["a=b", "c=d"]),
        ("convert", ["--rate", "80"], "rate", 80.0),
        ("demo", ["--athletes", "4"], "athletes", 4),
        ("demo", ["--fast", "--auto"], "auto", True),
        ("export", ["--mains", "60"], "mains", 60.0),
        ("export", ["--force", "--anonymous", "--parquet"], "parquet", True),
        ("live", ["--source", "a", "--source", "b"], "source", ["a", "b"]),
        ("live", ["--carry", "a", "--carry", "b"], "carry", ["a", "b"]),
        ("live", ["--certificate", "a=1", "--certificate", "b=2"], "certificate", ["a=1", "b=2"]),
        ("report", ["--maximum", "a=1", "--maximum", "b=2"], "maximum", ["a=1", "b=2"]),
        ("report", ["--body-mass", "70"], "body_mass", 70.0),
        ("review", ["--port", "0"], "port", 0),
        ("simulate", ["--plan", "a", "--plan", "b"], "plan", ["a", "b"]),
        ("trial", ["--blocks", "4", "--seed", "9"], "seed", 9),
    ],
)
def test_what_is_said_is_taken(command: str, words: list[str], name: str, value: object) -> None:
    assert vars(make_parser(command).parse_args([*USUAL[command][0], *words]))[name] == value


@pytest.mark.parametrize(
    ("command", "words"),
    [
        ("demo", ["--athletes", "5"]),
        ("demo", ["--athletes", "0"]),
        ("live", ["--source", "a", "--exercises"]),
        ("scale", ["--source", "a"]),  # beside --csv
        ("export", ["--mains", "55"]),
    ],
)
def test_what_cannot_be_said_is_wrong_usage(command: str, words: list[str]) -> None:
    with pytest.raises(SystemExit):
        make_parser(command).parse_args([*USUAL[command][0], *words])
