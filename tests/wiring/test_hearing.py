"""What a board prints is shown as understood, put right by hand, and kept as a profile."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from biofeedback.acquisition.profiles import load_profile
from biofeedback.acquisition.reader import make_reader
from biofeedback.acquisition.understand import understand
from biofeedback.errors import SourceError
from biofeedback.storage.recording import open_recording
from biofeedback.wiring.form_fields import FormError
from biofeedback.wiring.hearing import describe_understanding, hear_board, keep_profile
from biofeedback.wiring.start_form import write_source

from ..acquisition.listening import opened, read_until, rows
from ..pty_device import PtyDevice


def told_of(text: str) -> dict[str, Any]:
    received = text.encode()
    return describe_understanding(understand(received), received)


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Callable[..., PtyDevice]]:
    if sys.platform == "win32":
        pytest.skip("pseudo-terminals are a Unix thing")
    boards: list[PtyDevice] = []

    def plug_one(**about: Any) -> PtyDevice:
        boards.append(PtyDevice(tmp_path / f"board-{len(boards)}", **about))
        return boards[-1]

    yield plug_one
    for board in boards:
        board.unplug()


@pytest.fixture(autouse=True)
def own_profiles(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BIOFEEDBACK_PROFILES", str(tmp_path / "profiles"))
    return tmp_path / "profiles"


def test_the_last_line_is_shown_in_pieces_with_the_column_of_each() -> None:
    told = told_of("".join(f"No {k}; Kraft: {k},25 kg\n" for k in range(30)))
    (line,) = told["lines"]
    assert "".join(piece["text"] for piece in line) == "No 29; Kraft: 29,25 kg"
    assert [(piece["text"], piece["column"]) for piece in line if piece["column"]] == [("29", 1), ("29,25", 2)]
    found = [(column["kind"], column["unit"], column["value"]) for column in told["columns"]]
    assert found == [("seq", "", "29"), ("force", "kg", "29.25")]
    assert told["layout"]["decimal"] == "comma"
    assert told["raw"][-1] == "No 29; Kraft: 29,25 kg"


def test_a_comma_that_can_be_read_in_two_ways_is_asked_with_both_readings() -> None:
    told = told_of("".join(f"{10 + k},{(37 * k) % 90 + 10}\n" for k in range(30)))
    assert told["layout"] is None
    assert [(r["decimal"], len(r["values"])) for r in told["readings"]] == [("comma", 1), ("point", 2)]


def test_a_prompt_is_told_as_waiting_and_bytes_that_are_no_text_are_shown_as_bytes() -> None:
    told = told_of("HX711 ready\nPress any key")
    assert (told["waits"], told["prompt"]) == (True, "Press any key")
    received = bytes(range(128, 250)) + b"\n"
    told = describe_understanding(understand(received), received)
    assert "check the baud rate" in told["problem"]
    assert told["raw"][0].startswith("bytes 80 81")


def test_a_time_column_is_used_only_where_its_unit_is_said() -> None:
    told = told_of("".join(f"ms: {100 * k} w: {k % 7}.5\n" for k in range(1, 30)))
    assert told["columns"][0]["kind"] == "t_ms"
    told = told_of("".join(f"{100 * k} {k % 7}.5\n" for k in range(1, 30)))
    assert [c["kind"] for c in told["columns"]] == ["-", ""]


def test_from_a_board_nobody_described_to_a_profile_that_reads_it(
    plug: Callable[..., PtyDevice], own_profiles: Path
) -> None:
    board = plug(rate_hz=80.0, line="Gewicht: {k},5 kg | Akku 87 %\r\n", greeting=b"Press c to continue ")
    board.talking = False
    hears = board.hear

    def hear(data: bytes) -> None:
        board.talking = board.talking or b"c" in data
        hears(data)

    board.hear = hear  # type: ignore[method-assign]
    form: dict[str, Any] = {"sensor": "port", "port": board.path, "baud": "", "rate": "80", "key": ""}
    assert hear_board(form, open_recording)["waits"]
    form["key"] = "c"
    told = hear_board(form, open_recording)
    assert [column["unit"] for column in told["columns"]] == ["kg", "%"]
    form["lines"] = told["layout"]
    form["columns"] = [{"kind": "force", "unit": "kg"}, {"kind": "-"}]
    with pytest.raises(FormError, match="is no name"):
        keep_profile(form | {"keep": "../board"}, open_recording)
    with pytest.raises(FormError, match="there is a profile frame-lines already"):
        keep_profile(form | {"keep": "frame-lines"}, open_recording)
    kept = keep_profile(form | {"keep": "my-board"}, open_recording)
    assert Path(kept["file"]).parent == own_profiles
    profile = load_profile("my-board")
    assert (profile.key, profile.rate_hz, profile.channels[0].factor) == (b"c", 80.0, 9.80665)
    board.talking = False
    source = opened(write_source({"sensor": "port", "port": board.path, "profile": "my-board"}, open_recording))
    found = rows(read_until(make_reader(source), lambda items: len(rows(items)) > 20))
    source.close()
    assert all(value % 1 == 0.5 for (value,) in found)


def test_a_board_that_says_nothing_is_told_with_what_to_look_at(plug: Callable[..., PtyDevice]) -> None:
    board = plug()
    board.talking = False
    with pytest.raises(SourceError, match=r"nothing came .* check that the board is on"):
        hear_board({"sensor": "port", "port": board.path}, open_recording)


def test_a_sensor_without_lines_is_told() -> None:
    with pytest.raises(FormError, match="choose a port"):
        hear_board({"sensor": "simulated"}, open_recording)


def test_a_single_number_is_a_reading_even_if_it_rises_by_one_and_pounds_are_spelled_as_the_form_does() -> None:
    assert told_of("".join(f"{k}\n" for k in range(30)))["columns"][0]["kind"] == ""
    assert told_of("".join(f"Reading: {k % 7}.5 lbs\n" for k in range(30)))["columns"][0]["unit"] == "lb"
