"""Which sessions have a place for a phone's channels."""

from __future__ import annotations

import argparse

import pytest

from biofeedback.acquisition.phone import WithPhone
from biofeedback.acquisition.sources import open_source
from biofeedback.model import goes_by_feel
from biofeedback.wiring.assembly import add_session_arguments
from biofeedback.wiring.live_sessions import _add_phone


@pytest.mark.parametrize(("url", "phone", "has_phone"), [
    ("felt:", False, True), ("felt:", True, True),
    ("simulated:?seed=1", False, False), ("simulated:?seed=1", True, True),
])  # fmt: skip
def test_a_phone_has_a_place_where_it_is_wanted_or_nothing_else_measures(url, phone, has_phone):
    source, inbox = _add_phone(open_source(url), argparse.Namespace(phone=phone))
    assert isinstance(source, WithPhone) == has_phone
    assert (inbox is not None) == has_phone
    assert goes_by_feel(source.channels) == (url == "felt:")


def test_names_of_channels_stay_apart():
    source, _ = _add_phone(open_source("simulated:?seed=1"), argparse.Namespace(phone=True))
    names = [channel.name for channel in source.channels]
    assert len(set(names)) == len(names)


def test_a_phone_that_measures_may_join():
    parser = argparse.ArgumentParser()
    add_session_arguments(parser)
    assert parser.parse_args(["--phone"]).share
    plain = parser.parse_args(["--share"])  # a screen costs the recording nothing
    assert not plain.phone
