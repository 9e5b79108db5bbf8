"""The start page's form becomes a source and a session, or mistakes at their fields."""

from __future__ import annotations

import argparse
import contextlib
import shlex
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.acquisition.sources import open_source
from biofeedback.commands.live import add_arguments
from biofeedback.session.exercises import load_exercises
from biofeedback.storage.recording import open_recording
from biofeedback.wiring.form_fields import FormError
from biofeedback.wiring.start_columns import read_lines
from biofeedback.wiring.start_form import ChosenSession, keep_fields, read_form, write_source

LIBRARY = load_exercises()
FORCE = {"kind": "force", "side": "", "unit": "N", "factor": "0.0042", "envelope": False}
PORT = {"sensor": "port", "port": "/dev/ttyUSB0", "columns": [FORCE], "baud": "115200", "rate": "80"}
WHO = {"athlete": "A02", "exercise": "hamstring-standing", "side": "left", "position": "60 cm", "limit": "8,5"}


def write(**form: Any) -> str:
    return write_source(PORT | form, open_recording)


def choose(**form: Any) -> ChosenSession:
    return read_form(PORT | WHO | form, LIBRARY, open_recording)


def mistakes(**form: Any) -> dict[str, str]:
    with pytest.raises(FormError) as told:
        choose(**form)
    return {field: str(error) for field, error in told.value.mistakes.items()}


def column(kind: str, **more: Any) -> dict[str, Any]:
    return {"kind": kind, "side": "", "unit": "", "factor": "", "envelope": False} | more


def test_a_plain_board_as_the_readme_writes_it() -> None:
    assert write() == "serial:/dev/ttyUSB0?baud=115200&rate=80&channels=force:N*0.0042"


def test_columns_that_are_no_channels_and_an_envelope() -> None:
    columns = [column("t_ms"), column("force", unit="N"), column("-"), column("emg", unit="uV", envelope=True)]
    url = write(columns=columns, baud="", rate="")
    assert url == "serial:/dev/ttyUSB0?channels=force:N,emg:uV@envelope&columns=t_ms,force,-,emg"
    force, emg = open_source(url).channels
    assert (force.kind, force.envelope, emg.kind, emg.envelope) == ("force", False, "emg", True)


def test_channels_of_one_kind_are_told_apart() -> None:
    sides = [{"side": "left"}, {"side": "right"}, {}, {}]
    columns = [column("force", unit="N", **more) for more in sides]
    assert [channel.name for channel in open_source(write(columns=columns)).channels] == [
        "force_left",
        "force_right",
        "force",
        "force_2",
    ]


@pytest.mark.parametrize(
    ("form", "url"),
    [
        ({"sensor": "felt"}, "felt:"),
        ({"profile": "frame-lines", "rate": ""}, "serial:/dev/ttyUSB0?profile=frame-lines"),
        (
            {"sensor": "radio", "radio": "Board 7", "profile": "frame-radio", "rate": ""},
            "ble:Board 7?profile=frame-radio",
        ),
        (
            {"sensor": "simulated", "simulated": "force", "seed": "3", "athlete": "A02"},
            "simulated:?seed=3&athlete=A02&channels=force",
        ),
        ({"sensor": "url", "url": " simulated:?seed=4 "}, "simulated:?seed=4"),
    ],
)
def test_other_sensors(form: dict[str, Any], url: str) -> None:
    assert write(**form) == url


@pytest.mark.parametrize(
    ("form", "field", "words"),
    [
        ({"sensor": ""}, "sensor", "no sensor is chosen"),
        ({"port": ""}, "port", "no port is named"),
        ({"baud": "fast"}, "baud", "baud=fast is not a number above 0"),
        ({"rate": "0"}, "rate", "rate=0 is not a number above 0"),
        ({"columns": []}, "columns", "no column is measured"),
        ({"columns": [column("-")]}, "columns", "no column is measured"),
        ({"columns": [FORCE, column("seq"), column("seq")]}, "columns", "a name comes twice"),
        ({"columns": [column("force", unit="N", factor="0")]}, "column-0", "give a number other than 0"),
        ({"columns": [column("force", unit="kg", factor="x")]}, "column-0", "factor 'x' cannot be used"),
        ({"columns": [column("force")]}, "column-0", "its unit is not said"),
        ({"columns": [FORCE | {"rails": "12 bit"}]}, "column-0", "write the first and the last"),
        ({"columns": [FORCE | {"rails": "9 to 0"}]}, "column-0", "first code, then last"),
        ({"key": "ä"}, "key", "cannot be sent"),
        (
            {"columns": [FORCE] * 2, "lines": {"templates": ["W {a}"], "decimal": "comma"}},
            "columns",
            "hold 1 numbers, 2",
        ),
        ({"columns": [FORCE, column("emg", unit="a*b")]}, "column-1", "cannot be"),
        ({"columns": [FORCE, column("gill")]}, "column-1", "does not say what it is"),
        ({"columns": [FORCE] * 17}, "columns", "at most 16"),
        ({"profile": "unheard-of"}, "profile", "there is no profile 'unheard-of'"),
        ({"sensor": "radio", "profile": "frame-radio"}, "radio", "no Bluetooth device is chosen"),
        ({"sensor": "url", "url": "simulted:"}, "url", "did you mean simulated:"),
        ({"sensor": "url", "url": ""}, "url", "no source is typed"),
        ({"sensor": "simulated", "seed": "x"}, "seed", "seed=x"),
        ({"athlete": "Some Name"}, "athlete", "is not a code"),
        ({"athlete": ""}, "athlete", "no code is given"),
        ({"exercise": "hamstring-standig"}, "exercise", "did you mean hamstring-standing"),
        ({"side": "upper"}, "side", "no such side"),
        ({"limit": "11"}, "limit", "from 0 to 10"),
        ({"limit": "high"}, "limit", "not a number"),
        ({"limit": "nan"}, "limit", "from 0 to 10"),
    ],
)
def test_a_mistake_stands_at_its_field(form: dict[str, Any], field: str, words: str) -> None:
    told = mistakes(**form)
    assert list(told) == [field]
    assert words in told[field]
    assert ";" in told[field]  # what; cure


def test_all_mistakes_are_told_at_once() -> None:
    assert set(mistakes(port="", rate="-", athlete="x", limit="")) == {"port", "rate", "athlete", "limit"}


def test_the_command_line_shown_starts_the_same() -> None:
    choice = choose(before=["heat", "long walk", "heat", ""], position="heel on a box, 60 cm")
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    args = parser.parse_args(shlex.split(choice.to_command())[2:])
    assert {name: getattr(args, name) for name in choice.to_options()} == choice.to_options()
    assert choice.before == ("heat", "long walk")
    assert choice.limit == 8.5


def test_who_coaches_themselves_goes_to_the_page_with_both() -> None:
    assert choose(alone=True).place == "/"
    assert choose(alone="yes").place == "/coach"


@given(st.text(min_size=1, max_size=30).map(str.strip).filter(bool))
def test_any_name_of_a_port_survives_the_way_through_the_url(name: str) -> None:
    assert open_source(write(port=name)).target == name  # type: ignore[attr-defined]


@given(
    st.dictionaries(
        st.sampled_from([*PORT, *WHO, "profile", "url", "seed", "simulated", "radio", "before", "alone"]),
        st.one_of(st.none(), st.booleans(), st.integers(), st.text(max_size=9), st.lists(st.text(max_size=4))),
    )
)
def test_whatever_a_page_sends_is_a_choice_or_a_mistake(form: dict[str, Any]) -> None:
    with contextlib.suppress(FormError):  # anything else is a fault of ours
        choose(**form)
    assert set(keep_fields(form)) <= set(form)


@pytest.mark.parametrize(
    ("form", "url"),
    [
        (
            {"sensor": "port", "port": "X", "profile": "frame-lines", "rate": "10"},
            "serial:X?profile=frame-lines&rate=10",
        ),
        (
            {"sensor": "radio", "radio": "B", "profile": "frame-radio", "rate": "9,5"},
            "ble:B?profile=frame-radio&rate=9.5",
        ),
    ],
)
def test_a_rate_goes_with_a_profile_too(form: dict[str, Any], url: str) -> None:
    assert write_source(form, open_recording) == url


def test_a_rate_that_is_none_stands_at_its_field() -> None:
    with pytest.raises(FormError) as told:
        write_source({"sensor": "port", "port": "/dev/ttyX", "profile": "frame-lines", "rate": "fast"}, open_recording)
    assert list(told.value.mistakes) == ["rate"]


def test_a_board_on_the_network_is_described_like_one_at_a_port() -> None:
    form = PORT | {"sensor": "udp", "udp": "4210", "rate": ""}
    assert write_source(form, open_recording).startswith("udp:4210?channels=force")
    assert write_source(form | {"profile": "wifi-lines"}, open_recording) == "udp:4210?profile=wifi-lines"
    with pytest.raises(FormError) as told:
        write_source(form | {"udp": "board"}, open_recording)
    assert list(told.value.mistakes) == ["udp"]


@pytest.mark.parametrize(
    ("more", "channel"),
    [
        ({"unit": "kg"}, "force:N*9.80665"),
        ({"unit": "g", "factor": "2"}, "force:N*0.0196133"),
        ({"unit": "lb"}, "force:N*4.44822161526"),  # NIST SP 811 (2008), app. B.8: 4.448222 N
        ({"unit": "N"}, "force:N"),
        ({"unit": "N·m"}, "force:N·m"),
        ({"unit": "count"}, "force"),
        ({"unit": "count", "rails": "0 to 4095"}, "force@0..4095"),
        ({"unit": "N", "factor": "0,01", "rails": "−8388608..8388607"}, "force:N*0.01@-8388608..8388607"),
    ],
)
def test_what_a_board_prints_becomes_newtons_and_its_range_is_said(more: dict[str, Any], channel: str) -> None:
    url = write(columns=[column("force", **more)], baud="", rate="")
    (read,) = open_source(url).channels
    (same,) = open_source(f"serial:X?channels={channel}").channels
    assert read == same


LINES = {"templates": ["No {column_1}; Kraft: {kraft} kg"], "decimal": "comma"}


def test_lines_that_were_read_are_read_so_in_the_session() -> None:
    columns = [column("-"), column("force", unit="kg")]
    url = write(columns=columns, lines=LINES, baud="", rate="", key="enter")
    source: Any = open_source(url)
    assert source.profile.layout.templates == ("No {-}; Kraft: {force} kg",)
    assert source.profile.layout.decimal == ","
    assert source.profile.key == b"\r\n"
    plain = {"templates": ["{a},{b}"], "decimal": "point"}
    url = write(columns=[column("seq"), column("force", unit="N")], lines=plain, baud="", rate="")
    assert url == "serial:/dev/ttyUSB0?channels=force:N&columns=seq,force"


def test_a_comma_that_was_asked_about_is_said_in_the_source() -> None:
    assert write(decimal="comma", baud="", rate="").endswith("channels=force:N*0.0042&decimal=comma")


@pytest.mark.parametrize(
    ("templates", "decimal", "is_plain"),
    [
        (["{a}, {b}"], "point", True),
        (["{a} {b}"], "point", True),
        (["{a}; {b}"], "comma", False),  # a fraction begins with a comma: no plain reader knows
        (["F {a}, {b}"], "point", False),
        (["{a}", "{b}"], "point", False),
        (["{a:hex} {b}"], "point", False),
    ],
)
def test_numbers_and_nothing_else_are_said_in_fewer_words(templates: list[str], decimal: str, is_plain: bool) -> None:
    form = {"lines": {"templates": templates, "decimal": decimal}, "columns": [column("force"), column("t_ms")]}
    lines = read_lines(form)
    assert lines is not None
    assert lines.is_plain is is_plain
    assert lines.named.decimal == {"point": ".", "comma": ","}[decimal]


def test_lines_that_cannot_be_kept_are_none_and_another_number_of_columns_is_told() -> None:
    rows = [column("force")]
    for lines in (None, {}, {"templates": "x"}, {"templates": [], "decimal": "point"}, {"templates": ["{a}"]}):
        assert read_lines({"lines": lines, "columns": rows}) is None
    for n, is_kept in ((16, True), (17, False)):
        lines = {"templates": [f"L{k} {{a{k}}}" for k in range(n)], "decimal": "point"}
        assert (read_lines({"lines": lines, "columns": rows * n}) is not None) is is_kept
    for length, is_kept in ((1000, True), (1001, False)):
        lines = {"templates": ["{a}".ljust(length, "x")], "decimal": "point"}
        assert (read_lines({"lines": lines, "columns": rows}) is not None) is is_kept
    with pytest.raises(FormError, match="its lines hold 2 numbers, 1 columns are described; press Read its lines"):
        read_lines({"lines": {"templates": ["{a} {b}"], "decimal": "point"}, "columns": rows})
