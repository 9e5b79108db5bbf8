import pytest

from biofeedback.calibration.position import PositionLimits
from biofeedback.errors import PlanError
from biofeedback.joints import JOINT_NAMES
from biofeedback.session.exercises import load_exercises, parse_exercises
from biofeedback.wiring.assembly import find_exercise


def test_the_library_covers_the_regions_and_every_entry_is_complete():
    exercises = load_exercises()
    muscles = " ".join(exercise.muscle for exercise in exercises.values())
    for region in ("hamstrings", "adductors", "hip", "calf", "shoulder"):
        assert region in muscles
    for exercise in exercises.values():
        assert exercise.joint in JOINT_NAMES
        assert all((exercise.position, exercise.contraction, exercise.force, exercise.emg))


def test_own_exercises_are_added(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text('[wrist]\ntitle = "Wrist"\nmuscle = "forearm"\njoint = "hand"\n', "utf-8")
    assert load_exercises(own)["wrist"].joint == "hand"
    assert "hamstring-standing" in load_exercises(own)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[a]\ntitle = "A"', "line 1: an exercise without muscle"),
        ('[a]\ntitle = "A"\nmuscle = "m"\njoint = "chest"', "line 4"),
        ('[a]\ntitle = 3\nmuscle = "m"', "line 2"),
        ('[a]\ntitel = "A"', "line 2"),
        ('[a]\ntitle = "A"\nmuscle = "m"\nlever_m = 9', "line 4.*metres from joint to strap"),
        ('[a]\ntitle = "A"\nmuscle = "m"\nlever_m = true', "line 4.*metres from joint to strap"),
        ('[a]\ntitle = "A"\nmuscle = "m"\nlever_m = "0.4"', "line 4.*metres from joint to strap, 0.06 to 1.5"),
        ('[a]\ntitle = "A"\nmuscle = "m"\nlever_m = 0.059', "line 4.*metres from joint to strap"),
        ('[a]\ntitle = "A"\nmuscle = "m"\nlever_m = 1.51', "line 4.*metres from joint to strap"),
        ('[a]\ntitle = "A"\nmuscle = "m"\nphone_sees = 1', "line 4.*use true or false"),
        ('[a]\ntitle = "A"\nmuscle = "m"\nsides = "left"', "line 4.*use one or both"),
        ('[a]\ntitle = "A"\nmuscle = "m"\ndrift = 3', "line 4.*two numbers and cm or deg"),
        ('[a]\ntitle = "A"\nmuscle = "m"\ndrift = "6 and 3 deg"', "line 4.*below the second"),
        ('[a]\ntitle = "A"\nmuscle = "m"\ncautions = 3', "line 4.*list of texts"),
        ('[a]\ntitle = "A"\nmuscle = "m"\ncautions = ["a", 3]', "line 4.*list of texts"),
        ('[a]\ntitle = "A"\nmuscle = "m"\nposition = 3', "line 4.*text in quotes"),
        ('[a]\ntitle = ""\nmuscle = "m"', "line 1: an exercise without title"),
        ("a = 1", "not a table"),
    ],
)
def test_a_mistake_names_its_line(text, words):
    with pytest.raises(PlanError, match=words):
        parse_exercises(text, "own.toml")


@pytest.mark.parametrize(
    ("line", "field", "value"),
    [
        ("lever_m = 0.06", "lever_m", 0.06),
        ("lever_m = 1.5", "lever_m", 1.5),
        ("lever_m = 1", "lever_m", 1.0),
        ("phone_sees = false", "phone_sees", False),
        ('sides = "both"', "sides", "both"),
        ('drift = "3 and 6 deg"', "drift", PositionLimits(3.0, 6.0, "deg")),
        ('cautions = " stop at once "', "cautions", ("stop at once",)),
        ('cautions = ["one", " ", "two "]', "cautions", ("one", "two")),
        ('joint = "knee"', "joint", "knee"),
    ],
)
def test_what_an_exercise_says_is_kept(line, field, value):
    read = parse_exercises(f'[a]\ntitle = "A"\nmuscle = "m"\n{line}', "own.toml")["a"]
    assert getattr(read, field) == value
    assert read.name == "a"


def test_only_what_is_said_is_shown_in_the_order_of_setting_up():
    said = 'force = "plate"\nposition = "seated"\ndrift = "3 and 6 deg"\nsides = "one"\ncautions = ["no", "go"]'
    notes = parse_exercises(f'[a]\ntitle = "A"\nmuscle = "m"\n{said}', "own.toml")["a"].to_notes()
    assert notes == {
        "Muscle": "m",
        "Position": "seated",
        "Force sensor": "plate",
        "Position held": "drifted over 3, lost over 6 deg",
        "Sides": "one side at a time",
        "Careful": "no go",
    }
    assert list(notes) == ["Muscle", "Position", "Force sensor", "Position held", "Sides", "Careful"]


def test_the_joint_that_moves_is_named_and_what_stands_in_for_it():
    notes = load_exercises()["hamstring-standing"].to_notes()
    assert notes["Joint"] == "hip; no model for the hip: knee used"
    assert load_exercises()["quadriceps-prone"].to_notes()["Joint"] == "knee"
    assert "sit bone" in notes["Careful"]


def test_an_own_exercise_without_rig_or_cautions_is_asked_for_them():
    bare = parse_exercises('[a]\ntitle = "A"\nmuscle = "m"', "own.toml")["a"]
    assert bare.unanswered == ("force", "cautions")
    assert "Where does the push act" in bare.to_notes()["Not said"]
    assert "What should make this athlete stop" in bare.to_notes()["Not said"]
    told = parse_exercises('[a]\ntitle = "A"\nmuscle = "m"\nforce = "plate"\ncautions = "none known"', "own.toml")["a"]
    assert (told.unanswered, told.cautions) == ((), ("none known",))


def test_an_exercise_of_earlier_days_is_refused_with_the_reason_and_what_to_use():
    with pytest.raises(PlanError, match="body weight") as refused:
        find_exercise("calf-wall", load_exercises())
    assert "calf-seated" in refused.value.cure
