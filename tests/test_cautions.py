"""What is said of danger, and that it is said wherever a person reads before or after a session."""

from biofeedback.cautions import CAUTIONS, INSTEAD_OF_MAXIMUM, NO_MAXIMUM
from biofeedback.report.methods import LITERATURE, METHODS


def test_minors_and_hypermobile_people_are_named():
    text = " ".join(CAUTIONS).lower()
    assert "growing athletes" in text
    assert "hypermobile" in text
    assert "count aloud" in text


def test_everybody_who_does_not_test_a_maximum_is_on_the_list(published):
    assert published("who_does_not_test")["n_ischial"] == 109
    text = " ".join(NO_MAXIMUM).lower()
    for who in ("growing", "strain", "tendon", "hypermobility", "connective", "nerve", "osteoporosis", "hernia",
                "blood thinners", "aneurysm", "pain relief"):  # fmt: skip
        assert who in text
    assert "1 to 3 of 10" in INSTEAD_OF_MAXIMUM
    assert "no percentage" in INSTEAD_OF_MAXIMUM


def test_the_literature_is_told_both_ways_and_with_dates(published):
    text = " ".join(f"{title} {what}" for title, what in LITERATURE)
    for side in ("eases", "worsens_or_nothing"):
        for source in published("pain_and_contraction")[side]:
            assert source in text, source
    feland = published("feland_marin_2004")
    assert "{}, {} and {} % gained the same range".format(*feland["efforts_percent"]) in text
    assert f"n = {feland['n']}" in text


def test_the_methods_give_the_numbers_of_their_sources(published):
    methods = dict(METHODS)
    pain, fall = published("pain_and_contraction")["maximum_under_pain"], published("end_range_contraction")
    assert f"by {pain['lower_percent']} % (SD {pain['sd_percent']}," in methods["Maximum"]
    assert f"{published('end_range_maximum')['change_percent']['end_range']} %" in methods["Maximum"]
    low, high = fall["tendon_stiffness_fall_percent"]
    assert f"{low} to {high} %" in methods["Baseline while contracting"]
