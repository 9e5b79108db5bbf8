"""Who responds in a group: against statsmodels on open data, and on groups whose truth is known."""

import numpy as np
import pytest

from biofeedback.analysis.people import Person, compare_people, gather_people, read_sessions
from biofeedback.report.people import describe_people


def make_people(truths, seed, error=0.6):
    rng = np.random.default_rng(seed)
    return gather_people([(f"A{i:02d}", t + rng.normal(0, error), error) for i, t in enumerate(truths)])


def test_spread_and_shrunk_estimates_equal_a_mixed_model_on_open_data(reference):
    """Wines rated by several judges (the data set "icc" that pingouin carries): a random intercept for each wine."""
    data = reference("pingouin").read_dataset("icc")
    smf = reference("statsmodels.formula.api")
    model = smf.mixedlm("Scores ~ 1", data, groups=data["Wine"]).fit(reml=True)
    error = float(np.sqrt(model.scale / 4))  # four judges each
    means = data.groupby("Wine")["Scores"].mean()
    people = compare_people(gather_people([(f"{wine:02d}", mean, error) for wine, mean in means.items()]))
    assert people.mean == pytest.approx(model.fe_params.iloc[0], rel=1e-6)
    assert people.between_sd**2 == pytest.approx(float(model.cov_re.iloc[0, 0]), rel=1e-3)
    for wine, value in zip(means.index, people.shrunk, strict=True):
        theirs = model.fe_params.iloc[0] + model.random_effects[wine].iloc[0]
        assert value == pytest.approx(theirs, abs=2e-3)


def test_the_spread_and_the_next_athlete_are_where_they_are_said_to_be():
    rng = np.random.default_rng(3)
    held_sd, held_next = [], []
    for seed in range(300):
        truths = rng.normal(-1, 1.0, 13)
        people = compare_people(make_people(truths[:-1], seed))
        held_sd.append(people.sd_low <= 1.0 <= people.sd_high)
        held_next.append(people.next_low <= truths[-1] <= people.next_high)
    assert 0.91 < np.mean(held_sd) < 0.99
    assert 0.91 < np.mean(held_next) < 0.99


def test_people_alike_are_not_told_to_differ():
    low = [compare_people(make_people([-1.0] * 10, seed)).sd_low for seed in range(200)]
    assert np.mean(np.array(low) > 0) < 0.05


def test_each_is_told_by_own_ratings_alone():
    people = compare_people(make_people([-3, -3, 0, 3, -3, 0], 5, error=0.3))
    assert [p.word for p in people.persons] == [
        "less", "less", "no change that matters", "more", "less", "no change that matters",
    ]  # fmt: skip
    assert Person("A01", 1, -1.0, 1.2, -3.8, 1.8).word == "not decided"
    text = "\n".join(describe_people("heel slide", people))
    assert "clearly less discomfort: A00, A01, A04" in text
    assert "drawn towards" not in text
    assert "drawn towards the group" in "\n".join(describe_people("heel slide", people, shrink=True))


def test_two_athletes_are_not_compared():
    people = compare_people(make_people([-1, -2], 1))
    assert people.mean is None
    assert "2 athletes with an answer; 3 are needed" in describe_people("x", people)[1]


def test_simulated_rows_stand_by_themselves_and_answers_without_ratings_are_left_out():
    row = {
        "athlete": "A01",
        "exercise": "x",
        "simulated": "",
        "change_mean": "-1.5",
        "change_error": "0.5",
        "answer": "less",
    }
    rows = [row, row | {"simulated": "1"}, row | {"answer": "too few ratings to say"}, row | {"change_error": ""}]
    assert {key: len(own) for key, own in read_sessions(rows).items()} == {
        ("x", False, ""): 1,
        ("x", True, ""): 1,
    }


def test_sessions_after_warmth_stand_by_themselves_and_an_exercise_is_one_thing_however_it_is_written():
    row = {"exercise": "Standing stretch", "change_mean": "-1", "change_error": "0.5", "answer": "less"}
    rows = [row, row | {"exercise": "standing  STRETCH"}, row | {"before": "warmth"}, row | {"before": None}]
    groups = {key: len(own) for key, own in read_sessions(rows).items()}
    assert groups == {("Standing stretch", False, ""): 3, ("Standing stretch", False, "warmth"): 1}
