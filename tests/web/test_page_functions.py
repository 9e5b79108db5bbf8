from __future__ import annotations

from pathlib import Path

from biofeedback.account import words
from biofeedback.session import plan as plans

from .node import run_module, run_tests


def test_pure_functions_of_the_page() -> None:
    done = run_tests(Path(__file__).parent / "page")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "# pass 0" not in done.stdout


def test_the_first_question_is_said_whole_before_any_plan_goes_on() -> None:
    """The next instruction cuts off whatever is still being said."""
    source = """
    import { wordsOfCue } from "$STATIC/shared/cues.js";
    import { lengthMs } from "$STATIC/shared/voice.js";
    console.log(JSON.stringify(lengthMs(wordsOfCue("ask", { ask: { id: 1 }, words: input }).text)));
    """
    length_s = run_module(source, words.to_dict()) / 1000
    names = [path.stem for path in (Path(plans.__file__).parent / "plans").glob("*.toml")]
    least_s = min(plans.load_plan(name).ask_before_end_s for name in names)
    assert length_s < least_s
    assert words.SCALE.high_label.startswith(words.SCALE.aloud.rpartition("10 ")[2])  # the words on the page
