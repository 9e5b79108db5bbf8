"""A kind of phase that nobody knew is one entry of one table: sessions, counting and the answer follow from it."""

from __future__ import annotations

from pathlib import Path

import pytest

from biofeedback.account.words import PHASES, PhaseMeaning, describe_phase
from biofeedback.cli import main
from biofeedback.wiring.answers import analyse_file

PHASE = '[[block.phase]]\nkind = "{}"\nduration_s = 5\nask = true\n'
PLAN = (
    'title = "Build up"\n[[block]]\nrepeat = 3\n'
    + PHASE.format("passive")
    + PHASE.format("ramp")
    + "band = [20, 30]\n[[block]]\n"
    + PHASE.format("passive")
)


MEANING = PhaseMeaning("Build up slowly", "build up", contracts=True, compares_as="contract")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("ramp")
    (folder / "ramp.toml").write_text(PLAN, encoding="utf-8")
    source = "simulated:?seed=1&athlete=A01&channels=force"
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(PHASES, "ramp", MEANING)  # type: ignore[arg-type]
        assert main(["simulate", "--plan", str(folder / "ramp.toml"), source, str(folder / "made.hold")]) == 0
    return folder / "made.hold"


@pytest.fixture
def recorded(made: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setitem(PHASES, "ramp", MEANING)  # type: ignore[arg-type]
    return made


def test_a_new_kind_is_held_counted_and_compared_by_its_entry_alone(recorded: Path) -> None:
    analysis = analyse_file(recorded)
    ramps = [row for row in analysis.phases if row.phase.kind == "ramp"]
    assert len(ramps) == 3
    assert all(row.summary.mean_percent == pytest.approx(25, abs=2) for row in ramps)
    assert all(row.summary.in_band_percent == pytest.approx(100, abs=5) for row in ramps)
    assert analysis.response.n_contrasts == 3


def test_a_kind_that_this_version_does_not_know_is_told_and_never_dropped(
    recorded: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delitem(PHASES, "ramp")  # type: ignore[arg-type]
    analysis = analyse_file(recorded)
    assert [row.phase.kind for row in analysis.phases] == ["passive", "ramp"] * 3 + ["passive"]
    assert describe_phase("ramp") == "ramp"
    assert all(row.rating is not None for row in analysis.phases)  # what was said in it is kept
    assert analysis.response.n_contrasts == 0  # but what it means for the comparison, nobody knows
