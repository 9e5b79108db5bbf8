"""Each number that the trade's rules stand on, one by one, beside the value of its source and how that was read.

``tests/published/trade_numbers.json`` has a row for each: value, status ("abstract read", "from memory", "common
practice, no source", "computed") and, where another file holds the source's own number, where.
"""

from __future__ import annotations

import json
import re
from math import radians, sin
from pathlib import Path
from typing import Any

import pytest

from biofeedback.account.records import LIMITING_DISCOMFORT, LIMITING_RISE
from biofeedback.account.values import Attempt
from biofeedback.account.words import BANDS, COUNT, SCALE, SORE
from biofeedback.analysis.care import FALL_PERCENT
from biofeedback.analysis.endurance import predict_endurance
from biofeedback.analysis.words import YARDSTICK_PERCENT, YARDSTICK_POINTS
from biofeedback.calibration.maxima import END_RANGE_CV_PERCENT, REPEATS_PERCENT
from biofeedback.calibration.maximum_rule import IMPROVING_PERCENT, judge_maximum
from biofeedback.calibration.position import FAIL_CM, USUAL_LEVER_M, WARN_CM, limits_for
from biofeedback.joints import REST_FACTORS
from biofeedback.report.methods import METHODS
from biofeedback.session.holding import LONGEST_UNBROKEN_S
from biofeedback.session.plan import MOST_FELT, load_plan
from biofeedback.session.setup import GRADED, PRACTICE_PERCENT, Setup
from biofeedback.wiring.assembly import USUAL_LIMIT

PUBLISHED = Path(__file__).parent / "published"
TABLE = json.loads((PUBLISHED / "trade_numbers.json").read_text("utf-8"))
START_HTML = Path(__file__).parents[1] / "biofeedback" / "web" / "static" / "start" / "start.html"


def told(pattern: str, *texts: str) -> list[float]:
    """The numbers that a sentence tells a person, where ``pattern`` finds it."""
    found = re.search(pattern, " ".join(texts))
    assert found, pattern
    return [float(number) for number in found.groups()]


def methods(pattern: str) -> list[float]:
    return told(pattern, *(text for _, text in METHODS))


def start_page(pattern: str) -> list[float]:
    return told(pattern, START_HTML.read_text("utf-8"))


def of_plan(name: str, kind: str) -> Any:
    return next(phase for phase in load_plan(name).phases if phase.kind == kind)


def band_of(name: str) -> list[float]:
    band = of_plan(name, "contract").band
    return [band.low_percent, band.high_percent]


def most_attempts() -> int:
    """How many a search takes when every attempt is better than the one before by far."""
    made: list[Attempt] = []
    while judge_maximum(made, improving_percent=IMPROVING_PERCENT).state == "more":
        value = 300.0 * 1.04 ** len(made)
        made.append(Attempt("force", "N", value, value, 0.0, 0.1, 3.0, 6.0, accepted=True, reason=""))
    return len(made)


RAMP_S = 1.0 + next(k for k, word in enumerate(COUNT) if "hold" in word)  # one word a second
IN_CODE: dict[str, Any] = {
    "ramp of a maximum, s": lambda: RAMP_S,
    "hold of a maximum, s": lambda: GRADED["push_s"] - RAMP_S,
    "practice pushes, felt %": lambda: list(PRACTICE_PERCENT),
    "rest between attempts, out of the stretch, s": lambda: GRADED["rest_s"],
    "rest before a check, s": lambda: GRADED["check_rest_s"],
    "one more when the last is best by over, %": lambda: GRADED["improving_percent"],
    "attempts at most": most_attempts,
    "two best agree within, %": lambda: Setup().tolerance_percent,
    "limited by discomfort from, of 10": lambda: LIMITING_DISCOMFORT,
    "limited by discomfort that rose by, points": lambda: LIMITING_RISE,
    "pain lowers a maximum by, %": lambda: methods(r"pain lowers it by (\d+) %")[0],
    "starting discomfort, of 10": lambda: start_page(r"start where the stretch is (\d) to (\d)"),
    "limit by default, of 10": lambda: USUAL_LIMIT,
    "unbroken in the stretch at most, s": lambda: LONGEST_UNBROKEN_S,
    "check offered first, %": lambda: band_of("half-check"),
    "hard check, %": lambda: band_of("short-check"),
    "hard check, contracting and relaxing, s": lambda: [
        of_plan("short-check", "contract").duration_s,
        of_plan("short-check", "passive").duration_s,
    ],
    "light band ends at, %": lambda: BANDS["light"].high_percent,
    "effort that falls over a check by more than, points": lambda: FALL_PERCENT,
    "yardstick, points": lambda: YARDSTICK_POINTS,
    "yardstick, %": lambda: YARDSTICK_PERCENT,
    "end-range maximum repeats to a CV of, %": lambda: END_RANGE_CV_PERCENT,
    "change of a maximum that counts, %": lambda: round(REPEATS_PERCENT),
    "limb from joint to heel, m": lambda: USUAL_LEVER_M,
    "position drifted beyond, cm": lambda: WARN_CM,
    "position lost beyond, cm": lambda: FAIL_CM,
    "5 degrees at a limb of 0.9 m, cm": lambda: 5 * FAIL_CM / limits_for("deg", 0.9).fail,
    "rest factor of the hand": lambda: REST_FACTORS["hand"],
    "rest factor of the shoulder": lambda: REST_FACTORS["shoulder"],
    "rest factor of knee, ankle and elbow": lambda: max(REST_FACTORS[each] for each in ("knee", "ankle", "elbow")),
    "90 % of a knee by the compartments, s": lambda: predict_endurance(90, joint_name="knee").expected_s,
    "90 % of a knee by the power law, s": lambda: predict_endurance(90, joint_name="knee").power_law_s,
    "tendon stiffness falls while contracting by, %": lambda: methods(r"\((\d+) to (\d+) %, Kay 2015"),
    "contract-relax, repetitions": lambda: sum(p.kind == "contract" for p in load_plan("contract-relax").phases),
    "contract-relax, contraction, s": lambda: of_plan("contract-relax", "contract").duration_s,
    "contract-relax, relaxing, s": lambda: load_plan("contract-relax").phases[2].duration_s,
    "contract-relax, band, %": lambda: band_of("contract-relax"),
    "felt effort without a maximum at most, of 10": lambda: MOST_FELT,
    "soreness over which nothing harder is offered, of 10": lambda: SORE,
    "worded ends of the scale: bearable preferred by, %": lambda: methods(r"of 100 people (\d+) preferred “bearable”")[
        0
    ],
    "avulsions at the sit bone": lambda: methods(r"growing athletes (\d+) were at the sit bone")[0],
    "blood pressure with the breath held, mmHg": lambda: methods(r"lowered (\d+)/(\d+) to"),
    "blood pressure with trained breathing, mmHg": lambda: methods(r"to (\d+)/(\d+) mmHg"),
}


def look_up(place: str) -> Any:
    name, *path = place.split(".")
    found = json.loads((PUBLISHED / f"{name}.json").read_text("utf-8"))
    for key in path:
        found = found[key]
    return found


def test_every_number_of_the_table_is_looked_at() -> None:
    assert set(IN_CODE) == set(TABLE["numbers"])


@pytest.mark.parametrize("name", TABLE["numbers"])
def test_the_program_has_the_number_of_its_source(name: str) -> None:
    row = TABLE["numbers"][name]
    rounding = 0.05 if row["status"] == "computed" else 1e-9
    assert IN_CODE[name]() == pytest.approx(row["value"], abs=rounding)
    if "see" in row:
        assert look_up(row["see"]) == row["value"]
    if "see_low" in row:
        assert row["value"][0] == min(look_up(row["see_low"]))


@pytest.mark.parametrize("name", TABLE["numbers"])
def test_every_number_says_how_its_source_was_read(name: str) -> None:
    row = TABLE["numbers"][name]
    assert row["status"] in TABLE["statuses"]
    if row["status"] in ("abstract read", "from memory"):
        assert re.search(r"\d{4}|et al\.|Apostolopoulos|pain|angles", row["source"]), "names a source"
    if row["status"] == "from memory":
        assert row["source"], "says whose"
    if "see" in row and row["status"] == "abstract read":
        assert "read" in look_up(row["see"].split(".")[0])["status"]


def test_what_is_computed_comes_out_when_it_is_computed_here() -> None:
    """Worked by hand beside the table, from the published parameters alone."""
    numbers = {name: row["value"] for name, row in TABLE["numbers"].items()}
    assert 180 * sin(radians(2.5)) == pytest.approx(numbers["5 degrees at a limb of 0.9 m, cm"], abs=0.05)
    change = 1.96 * 2**0.5 * look_up("end_range_maximum.cv_percent.end_range")
    assert change == pytest.approx(numbers["change of a maximum that counts, %"], abs=0.2)
    law = look_up("frey_law_avin_2010.joints.knee")
    assert law["b0_s"] * 0.9 ** law["b1"] == pytest.approx(numbers["90 % of a knee by the power law, s"], abs=0.05)


def test_the_scale_ends_at_what_is_bearable_and_not_at_what_is_imaginable() -> None:
    prefer = look_up("rating_scale_ends.prefer_percent")
    assert prefer["bearable"] > prefer["imaginable"]
    assert "put up with" in SCALE.high_label
    assert "imagin" not in SCALE.high_label
    assert SCALE.asks_about == "rate the stretch, not the effort"
