import pytest

from biofeedback.calibration.joints import JOINT_NAMES
from biofeedback.errors import PlanError
from biofeedback.session.exercises import load_exercises, parse_exercises


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
        ("a = 1", "not a table"),
    ],
)
def test_a_mistake_names_its_line(text, words):
    with pytest.raises(PlanError, match=words):
        parse_exercises(text, "own.toml")
