"""A session whose rests are shortened for trying the tool out: its simulated athlete rests as in the whole one."""

import pytest

from biofeedback.acquisition.sources import open_source
from biofeedback.commands.simulate import simulate_session
from biofeedback.session.setup import GRADED, Setup
from biofeedback.storage.recording import open_recording


@pytest.mark.parametrize("seed", [1, 4])  # with rests of 6 s for a muscle's own pace these two never agreed
def test_attempts_agree_although_rests_are_shortened(seed, tmp_path):
    setup = Setup(
        athlete="A01", joint="hip", fast=True, simulated=True, started_utc="2026-01-05T18:00:00+00:00", **GRADED
    )
    source = open_source(f"simulated:?seed={seed}&athlete=A01&channels=force&rate=100")
    simulate_session(source, tmp_path / "fast.hold", setup, ["light-hold"])
    assert source.simulator.athlete.rest_speed == setup.rest_s / setup.fast_rest_s
    account = open_recording(tmp_path / "fast.hold").account
    values = [one.channels["force"].value for one in account.search]
    assert account.maximum_history[-1].settled
    assert min(values) > 0.9 * max(values)


def test_whole_rests_are_rested_at_a_muscles_own_pace(tmp_path):
    setup = Setup(athlete="A01", simulated=True, started_utc="2026-01-05T18:00:00+00:00")
    source = open_source("simulated:?seed=1&athlete=A01&channels=force&rate=100")
    simulate_session(source, tmp_path / "whole.hold", setup, ["light-hold"])
    assert source.simulator.athlete.rest_speed == 1.0
