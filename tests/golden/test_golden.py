"""What the report, the exports and the notebook say of recordings from before is what they said then.

The numbers were made by the program of the day on which the recordings were; ``differences.py`` names what may differ.
"""

from __future__ import annotations

import functools
import gzip
import importlib.util
import json
import re
from fnmatch import fnmatch

import pytest

from biofeedback.notebook import open_recording

from ..requirements import need
from .differences import RULES, Allowed, Difference, Rules, compare
from .make_recordings import RECORDINGS
from .numbers import NUMBERS, Numbers, compute_numbers, flatten, list_names, read_report, unpack

SHOWN = 40


@functools.cache
def read_kept() -> dict[str, Numbers]:
    kept: dict[str, Numbers] = json.loads(gzip.decompress(NUMBERS.read_bytes()))
    return kept


@pytest.fixture(scope="module")
def differences(tmp_path_factory):
    need(importlib.util.find_spec("edfio") and importlib.util.find_spec("pandas"), "edfio or pandas is not installed")
    found = {}
    for name in list_names():
        now = compute_numbers(unpack(name, tmp_path_factory.mktemp("golden")))
        found[name] = compare(read_kept()[name], now, RULES)
    return found


pytestmark = pytest.mark.xdist_group("golden")  # one worker computes them once


def test_every_recording_has_its_numbers():
    assert sorted(read_kept()) == sorted(list_names())
    assert all(len(numbers) > 500 for numbers in read_kept().values())


@pytest.mark.parametrize("name", list_names())
def test_every_number_is_as_it_was(name, differences):
    unexplained = [d for d in differences[name] if not any(row.fits(name, d) for row in RULES.allowed)]
    shown = [*map(str, unexplained[:SHOWN]), *([f"and {len(unexplained) - SHOWN} more"] * (len(unexplained) > SHOWN))]
    if unexplained:
        pytest.fail(f"{name} is told otherwise than before:\n" + "\n".join(shown), pytrace=False)


@pytest.mark.parametrize("name", [name for name in RECORDINGS if name != "amended"])  # its stamps are of now
def test_the_same_evening_today_is_reported_as_it_was(name, tmp_path):
    """Live and afterwards together: the recording is made again by the same hands, then reported."""
    path = tmp_path / f"{name}.hold"
    RECORDINGS[name](path)
    now = dict(flatten(read_report(open_recording(path).analysis), "report"))
    then = {key: value for key, value in read_kept()[path.name].items() if key.startswith("report.")}
    allowed = [*RULES.allowed, *RULES.made_today]
    found = compare(then, now, RULES)
    told = [one for one in found if not any(row.fits(path.name, one) for row in allowed)]
    assert list(map(str, told)) == []
    meant = [row for row in RULES.made_today if fnmatch(path.name, row.recording)]
    assert [row for row in meant if not any(row.fits(path.name, one) for one in found)] == []


def test_nothing_is_allowed_that_does_not_differ(differences):
    told = [(name, one) for name, found in differences.items() for one in found]
    assert [row for row in RULES.allowed if not any(row.fits(name, one) for name, one in told)] == []


def test_nothing_is_moved_or_reworded_that_is_not_there():
    keys = {key for numbers in read_kept().values() for key in numbers}
    texts = keys | {value for numbers in read_kept().values() for value in numbers.values() if isinstance(value, str)}
    assert [old for old in RULES.moved if not any(re.search(old, key) for key in keys)] == []
    assert [old for old in RULES.words if not any(old in text for text in texts)] == []


@pytest.mark.parametrize(
    ("then", "now", "told"),
    [
        ({"a": 1.0}, {"a": 1.0 + 1e-12}, []),
        ({"a": 1.0}, {"a": 1.0 + 1e-6}, ["changed"]),
        ({"a": 3}, {"a": 4}, ["changed"]),
        ({"a": True}, {"a": 1}, ["changed"]),
        ({"a": None}, {"a": 0.0}, ["changed"]),
        ({"a": "nan"}, {"a": 0.0}, ["changed"]),
        ({"a": "relaxed"}, {"a": "resting"}, ["changed"]),
        ({"a": 1}, {}, ["gone"]),
        ({}, {"a": 1}, ["added"]),
    ],
)
def test_a_difference_is_told(then, now, told):
    assert [one.how for one in compare(then, now, Rules())] == told


def test_keys_move_and_words_change_only_as_said():
    rules = Rules(moved={r"^old\.(\d)": r"new.\1"}, words={"letting go": "Relax"})
    assert compare({"old.1": "letting go, 3"}, {"new.1": "Relax, 3"}, rules) == []
    assert compare({"old.1": "letting go, 3"}, {"new.1": "Relax, 4"}, rules) != []


def test_an_allowance_holds_for_its_recordings_and_its_way_only():
    row = Allowed(r"frame\..*", "because", recording="fast*")
    assert row.fits("fast.hold", Difference("frame.discomfort", 1, 2))
    assert not row.fits("A01.hold", Difference("frame.discomfort", 1, 2))
    assert not row.fits("fast.hold", Difference("numpy.ratings", 1, 2))
    assert not row.fits("fast.hold", Difference("frame.discomfort", 1, "(absent)"))


def test_an_allowance_holds_up_to_its_size_and_for_its_values_only():
    row = Allowed(r"change", "because", within=0.2)
    assert row.fits("A01.hold", Difference("change", -1.5, -1.6))
    assert not row.fits("A01.hold", Difference("change", -1.5, -1.8))
    assert not row.fits("A01.hold", Difference("change", -1.5, None))
    row = Allowed(r"advice", "because", to=("not decided",))
    assert row.fits("A01.hold", Difference("advice", "not known yet", "not decided"))
    assert not row.fits("A01.hold", Difference("advice", "not known yet", "neither"))
