"""The table of stages is the documentation, and nothing leads past what an effort stands on."""

from __future__ import annotations

import re
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from biofeedback.account.stages import HAPPENINGS, STAGE_TABLE, STAGES, find_ground, find_stage

ROOT = Path(__file__).resolve().parents[2]


def test_developers_read_the_same_table() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    table = text[text.index("| what happened |") :].split("\n\n")[0].splitlines()
    stages = [cell.strip() for cell in table[0].strip("|").split("|")][1:]
    assert stages == list(STAGES)
    told = {}
    for line in table[2:]:
        happening, *cells = (cell.strip() for cell in line.strip("|").split("|"))
        told |= {(stage, happening): cell for stage, cell in zip(stages, cells, strict=True) if cell != "–"}
    ours = {(stage, happening): to for stage, row in STAGE_TABLE.items() for happening, to in row.items()}
    assert told == ours
    assert {happening for _, happening in told} == set(HAPPENINGS)


@given(st.lists(st.sampled_from(HAPPENINGS)), st.booleans(), st.booleans())
def test_ready_is_only_reached_on_the_ground_of_zero_and_maximum(happenings, has_zero, has_maximum) -> None:
    stage = "cautions"
    for happening in happenings:
        ground = find_ground(has_read_cautions=True, has_zero=has_zero, has_maximum=has_maximum)
        stage = find_stage(stage, happening, ground)
        assert stage != "ready" or (has_zero and has_maximum)


def test_resuming_after_the_end_leads_to_what_is_missing() -> None:
    ground = find_ground(has_read_cautions=True, has_zero=True, has_maximum=False)
    assert find_stage(find_stage("zero", "finished", ground), "resumed", ground) == "maximum"


def test_words() -> None:
    assert not re.search(r"\bready\b", " ".join(HAPPENINGS))
