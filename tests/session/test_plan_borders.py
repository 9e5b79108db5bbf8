"""What a plan file may say, to both sides of every border: what is kept, and which line is refused in which words."""

from __future__ import annotations

from typing import Any

import pytest

from biofeedback.errors import PlanError
from biofeedback.model import Band
from biofeedback.session.plan import Plan, parse_plan

PHASES = {
    "passive": 'kind = "passive"\nduration_s = 10',
    "contract": 'kind = "contract"\nduration_s = 10\nband = [20, 30]',
    "rest": 'kind = "rest"\nduration_s = 10',
    "felt": 'kind = "contract"\nduration_s = 10\nfelt = 2',
    "remote": 'kind = "remote"\nduration_s = 10',
}


def write(*phases: str, head: str = "", block: str = "") -> str:
    """A plan of these phases, by name or in full; lines to add stand behind a plus."""
    written = []
    for phase in phases:
        name, _, more = phase.partition("+")
        written.append(f"[[block.phase]]\n{PHASES.get(name, name)}\n{more}\n")
    return f"{head}\n[[block]]\n{block}\n" + "\n".join(written)


def parse(*phases: str, **more: str) -> Plan:
    return parse_plan(write(*phases, **more), "own.toml")


def read(plan: Plan, path: str) -> Any:
    found: Any = plan
    for part in path.split("."):
        found = found[int(part)] if part.lstrip("-").isdigit() else getattr(found, part)
    return found


@pytest.mark.parametrize(
    ("phase", "path", "value"),
    [
        ('kind = "passive"\nduration_s = 1', "duration_s", 1.0),
        ('kind = "passive"\nduration_s = 3600', "duration_s", 3600.0),
        ('kind = "contract"\nduration_s = 9\nband = [0, 200]', "band", Band(0, 200)),
        ("passive", "title", "Relax, stay in the position"),
        ('passive+title = "' + "x" * 300 + '"', "title", "x" * 300),
        ("passive+ask = true", "ask", True),
        ("passive", "ask", False),
        ('kind = "contract"\nduration_s = 9\nfelt = 0', "felt", 0.0),
        ('kind = "contract"\nduration_s = 9\nfelt = 3', "felt", 3.0),
        ("contract+adapt = [20, 30]", "adapt", Band(20, 30)),
        ("contract+adapt = [10, 90]", "adapt", Band(10, 90)),
        ("contract+ramp = [[1, 100]]", "shape.ramp", (Band(1, 100),)),
        ("contract+steps = " + str([[30, 40]] * 20), "shape.steps", (Band(30, 40),) * 20),
        ("contract+blind = [[0, 10]]", "shape.blind", ((0.0, 10.0),)),
        ("contract+blind = [[2, 3], [3, 4]]", "shape.blind", ((2.0, 3.0), (3.0, 4.0))),
        ('contract+until = "band lost"', "shape.until", "band lost"),
        ('contract+until = "band lost"\nlost_s = 0.5', "shape.lost_s", 0.5),
        ('contract+until = "band lost"\nlost_s = 10', "shape.lost_s", 10.0),
        ('rest+until = "recovered"', "shape.until", "recovered"),
    ],
)
def test_a_phase_may_say(phase: str, path: str, value: Any) -> None:
    assert read(parse(phase, "passive"), f"phases.0.{path}") == value


@pytest.mark.parametrize(
    ("phase", "said"),
    [
        ('kind = "passive"\nduration_s = 0.9', "line 6: duration_s = 0.9"),
        ('kind = "passive"\nduration_s = 3601', "line 6: duration_s = 3601; use a number from 1 to 3600"),
        ('kind = "passive"\nduration_s = true', "line 6: duration_s = True"),
        ('kind = "passive"\nduration_s = "9"', "line 6: duration_s = '9'"),
        ('kind = "passive"', "a phase without duration_s; say how many seconds it lasts"),
        ('kind = "contract"\nuntil = "band lost"\nband = [1, 2]', "line 6: until without a longest duration; add"),
        ('kind = "dance"\nduration_s = 9', "line 5: kind = 'dance'; use passive, contract, remote, rest"),
        ("duration_s = 9", "kind = None"),
        ('kind = "contract"\nduration_s = 9', "a contract phase without a band; add band = [low, high]"),
        ("passive+band = [20, 30]", "line 7: a passive phase with a band; remove the band"),
        ("passive+felt = 2", "line 7: felt effort in a passive phase"),
        ("contract+felt = 2", "line 8: felt effort in a contract phase; use it in a contract phase, in place of"),
        ('kind = "contract"\nduration_s = 9\nfelt = 3.1', "line 7: felt = 3.1; use a number from 0 to 3"),
        ('kind = "contract"\nduration_s = 9\nband = [20, 201]', "line 7: band = 201; use a number from 0 to 200"),
        ('kind = "contract"\nduration_s = 9\nband = [-1, 20]', "line 7: band = -1"),
        ('kind = "contract"\nduration_s = 9\nband = [30, 30]', "line 7: band = [30, 30]; use two numbers, low below"),
        ('kind = "contract"\nduration_s = 9\nband = [30]', "line 7: band = [30]"),
        ('kind = "contract"\nduration_s = 9\nband = 30', "line 7: band = 30"),
        ("contract+adapt = [21, 40]", "line 8: adapt = [21, 40]; give the band to start with inside it"),
        ("contract+adapt = [10, 29]", "line 8: adapt = [10, 29]"),
        ("felt+adapt = [10, 90]", "line 8: adapt = [10, 90]"),
        ("passive+ask = 1", "line 7: ask = 1; use true or false"),
        ("passive+title = 3", "line 7: title = 3; use a text of at most 300"),
        ('passive+title = "' + "x" * 301 + '"', "line 7: title ="),
        ("passive+colour = 3", "line 7: 'colour' is not known here; use adapt, ask, band,"),
        ("passive+ramp = [[20, 30]]", "line 7: ramp in a phase without a band"),
        ("passive+blind = [[1, 2]]", "line 7: blind in a phase without a band"),
        ("felt+steps = [[20, 30]]", "line 8: steps in a phase without a band"),
        ("contract+ramp = [[20, 30]]\nsteps = [[20, 30]]", "line 9: a ramp and steps in one phase"),
        ("contract+adapt = [10, 90]\nramp = [[20, 30]]", "line 9: ramp in a band that adapts"),
        ("contract+ramp = []", "line 8: ramp = []; give the bands that it goes on to, 1 to 20"),
        ("contract+steps = " + str([[30, 40]] * 21), "line 8: steps ="),
        ("contract+ramp = [20, 30]", "line 8: ramp = [20, 30]"),
        ("contract+ramp = 20", "line 8: ramp = 20"),
        ("contract+ramp = [[0.9, 30]]", "line 8: ramp to 0.9-30 %; stay between 1 and 100 % with every edge"),
        ("contract+ramp = [[20, 100.1]]", "line 8: ramp to 20-100.1 %"),
        ('kind = "contract"\nduration_s = 9\nband = [0, 30]\nsteps = [[20, 30]]', "line 8: steps to 0-30 %"),
        ("contract+blind = [[0, 0.9]]", "line 8: blind = [[0, 0.9]]; give seconds from the start, within the 10 s"),
        ("contract+blind = [[2, 4], [3.9, 6]]", "each 1 s or longer, in order"),
        ("contract+blind = [[2, 10.1]]", "line 8: blind = 10.1; use a number from 0 to 10"),
        ("contract+blind = [[2, 4, 6]]", "line 8: blind = [[2, 4, 6]]"),
        ("contract+blind = [2, 4]", "line 8: blind = [2, 4]"),
        ("contract+blind = 2", "line 8: blind = 2"),
        ('passive+until = "recovered"', "line 7: until in a passive phase; use it in a contract or a rest phase"),
        ('rest+until = "band lost"', "line 7: until = 'band lost'; use until = \"recovered\" in a rest phase"),
        ('contract+until = "recovered"', "line 8: until = 'recovered'; use until = \"band lost\" in a contract"),
        ('felt+until = "band lost"', "line 8: until band lost without a band"),
        ("contract+lost_s = 2", "line 8: lost_s without until"),
        ('rest+until = "recovered"\nlost_s = 2', "line 8: lost_s without until"),
        ('contract+until = "band lost"\nlost_s = 0.4', "line 9: lost_s = 0.4; use a number from 0.5 to 10"),
        ('contract+until = "band lost"\nlost_s = 10.1', "line 9: lost_s = 10.1"),
    ],
)
def test_a_phase_may_not_say(phase: str, said: str) -> None:
    with pytest.raises(PlanError) as refused:
        parse(phase, "passive")
    assert said in f"{refused.value.what}; {refused.value.cure}"


@pytest.mark.parametrize(
    ("head", "path", "value"),
    [
        ("grace_s = 0", "grace_s", 0.0),
        ("grace_s = 30", "grace_s", 30.0),
        ("hysteresis_percent = 20", "hysteresis_percent", 20.0),
        ("dwell_s = 2", "dwell_s", 2.0),
        ("ask_before_end_s = 60", "ask_before_end_s", 60.0),
        ("", "ask_before_end_s", 5.0),
        ("read_range = true", "read_range", True),
        ('lesson = ""', "lesson", ""),
        ('lesson = "light"', "lesson", "light"),
        ("", "name", "own"),
        ("", "title", "own.toml"),
        ('name = "n"', "name", "n"),
        ('title = "t"', "title", "t"),
        ('description = "d"', "description", "d"),
        ('randomise = ""', "randomise", ""),
        ('randomise = "pairs"', "randomise", "pairs"),
        ('draw = "shuffle"', "randomise", "shuffle"),
        ("randomise_bands = [[20, 30], [70, 80]]", "randomise_bands", (Band(20, 30), Band(70, 80))),
        ("draw_bands = []", "randomise_bands", ()),
    ],
)
def test_a_plan_may_say(head: str, path: str, value: Any) -> None:
    assert read(parse("passive", "contract", head=head), path) == value


@pytest.mark.parametrize(
    ("head", "phases", "said"),
    [
        ("grace_s = -0.1", ["passive"], "line 1: grace_s = -0.1; use a number from 0 to 30"),
        ("grace_s = 30.1", ["passive"], "line 1: grace_s = 30.1"),
        ("hysteresis_percent = 20.1", ["passive"], "line 1: hysteresis_percent = 20.1"),
        ("dwell_s = 2.1", ["passive"], "line 1: dwell_s = 2.1"),
        ("ask_before_end_s = 61", ["passive"], "line 1: ask_before_end_s = 61"),
        ("read_range = 1", ["passive"], "line 1: read_range = 1; use true or false"),
        ("colour = 1", ["passive"], "line 1: 'colour' is not known here"),
        ('randomise = "dice"', ["passive", "contract"], "line 1: randomise = 'dice'; use pairs, shuffle, control"),
        ('randomise = "pairs"', ["passive"], "line 1: nothing to randomise"),
        ('randomise = "pairs"', ["contract"], "line 1: nothing to randomise"),
        ('randomise = "pairs"', ["passive", "contract", "rest"], "line 1: a randomised order has no place for rests"),
        (
            'randomise = "pairs"',
            ["passive", "contract", "passive+ask = true"],
            "line 1: phases to randomise that differ",
        ),
        ('randomise = "pairs"', ["passive", "contract+adapt = [10, 90]"], "adapt in a randomised plan"),
        ('draw = "pairs"', ["passive", "contract+adapt = [10, 90]"], "adapt in a randomised plan"),
        ('randomise = "pairs"', ["passive", "contract+blind = [[1, 2]]"], "blind in a randomised plan"),
        ('randomise = "pairs"', ["passive", 'contract+until = "band lost"'], "until in a randomised plan"),
        (
            "randomise_bands = [[20, 30], [70, 80]]",
            ["passive", "contract+ramp = [[40, 50]]"],
            "ramp in a randomised plan",
        ),
        ('randomise = "control"', ["contract", "contract"], "line 1: a control without contract and remote in pairs"),
        ('randomise = "control"', ["contract"], "line 1: a control without contract and remote in pairs"),
        ('randomise = "control"', ["passive"], "line 1: a control without contract and remote in pairs"),
        ("randomise_bands = [[20, 30]]", ["passive", "contract"], "use two to ten bands"),
        ("randomise_bands = 3", ["passive", "contract"], "use two to ten bands"),
        ("randomise_bands = [[20, 30], [22, 28]]", ["passive", "contract"], "two bands with the same middle"),
        ("randomise_bands = [[20, 30], [70, 80]]", ["passive"], "bands for 0 contractions; give 1 to 120 of them"),
        ('lesson = "light"', ["passive"], "line 1: the lesson light without a band"),
        (
            'lesson = "light"',
            ["contract", "felt"],
            "line 1: the lesson light without a band; give every contract phase",
        ),
        ('lesson = "find"', ["contract"], "line 1: the lesson find without felt effort in place of a band"),
    ],
)
def test_a_plan_may_not_say(head: str, phases: list[str], said: str) -> None:
    with pytest.raises(PlanError) as refused:
        parse(*phases, head=head)
    assert said in f"{refused.value.what}; {refused.value.cure}"


@pytest.mark.parametrize(("block", "n"), [("", 1), ("repeat = 1", 1), ("repeat = 3", 3), ("repeat = 100", 100)])
def test_a_block_is_repeated_as_often_as_it_says(block: str, n: int) -> None:
    plan = parse("passive", "contract", block=block)
    assert [(phase.kind, phase.cycle) for phase in plan.phases] == [
        (kind, cycle) for cycle in range(1, n + 1) for kind in ("passive", "contract")
    ]


@pytest.mark.parametrize("repeat", ["0", "101", "1.5", "true"])
def test_no_other_number_of_times(repeat: str) -> None:
    with pytest.raises(PlanError, match="repeat = "):
        parse("passive", block=f"repeat = {repeat}")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "a plan without phases"),
        ("block = 3", "a plan without phases"),
        ("block = []", "a plan without phases"),
        ("[[block]]", "line 1: a block without phases"),
        ("[[block]]\nphase = []", "line 1: a block without phases"),
        ("[[block]]\nphase = 3", "line 1: a block without phases"),
        ("block = [3]", "0 is not a table"),
        ("[[block]]\nphase = [3]", "0 is not a table"),
    ],
)
def test_what_is_no_plan_at_all_says_so(text: str, said: str) -> None:
    with pytest.raises(PlanError) as refused:
        parse_plan(text, "own.toml")
    assert said in refused.value.what


def test_pairs_of_contract_and_remote_are_a_control_in_either_order() -> None:
    for phases in (
        ["passive", "contract", "remote"],
        ["remote", "contract"] * 2,
        ["contract", "remote", "remote", "contract"],
    ):
        assert parse(*phases, head='randomise = "control"').randomise == "control"
    assert parse("contract", "remote", head='randomise = "control"', block="repeat = 60").randomise == "control"
    with pytest.raises(PlanError, match="in pairs"):
        parse("contract", "remote", head='randomise = "control"', block="repeat = 61")


@pytest.mark.parametrize(
    ("phases", "begins"),
    [
        (["contract", "passive"], True),
        (["passive", "contract"], False),
        (["rest", "contract"], True),
        (["felt", "passive"], False),
        (["remote", "contract"], False),
        (["rest"], False),
        (["felt"], False),
    ],
)
def test_a_plan_begins_contracting_where_a_band_comes_before_any_relaxed_stretch(
    phases: list[str], begins: bool
) -> None:
    assert parse(*phases).begins_contracting is begins


@pytest.mark.parametrize(
    ("phases", "head", "felt"),
    [
        (["contract"], "", [2.0]),  # (20 + 30) // 20
        (["kind = 'contract'\nduration_s = 9\nband = [30, 40]"], "", [3.0]),
        (["kind = 'contract'\nduration_s = 9\nband = [50, 60]"], "", [3.0]),
        (["kind = 'contract'\nduration_s = 9\nband = [50, 60.1]"], "", None),
        (["kind = 'contract'\nduration_s = 9\nband = [5, 14]"], "", [0.0]),
        (["contract+adapt = [10, 90]"], "", None),
        (["contract+blind = [[1, 2]]"], "", None),
        (["contract"], "randomise_bands = [[20, 30], [40, 50]]", None),
        (["contract"], 'lesson = "light"', None),
        (["felt"], 'lesson = "find"', None),
        (["felt"], "", [2.0]),
        (["passive"], "", [None]),
    ],
)
def test_a_plan_by_feel_says_felt_efforts_in_place_of_bands(
    phases: list[str], head: str, felt: list[float | None] | None
) -> None:
    plan = parse(*phases, head=head).by_feel()
    assert (plan and [phase.felt for phase in plan.phases]) == felt
    assert plan is None or all(phase.band is None for phase in plan.phases)


def test_a_plan_by_feel_says_so_in_its_title_and_where_it_named_percentages() -> None:
    head = 'title = "T"\ndescription = "At 20-30 %, then 50 to 60%, then 7 %."'
    plan = parse("contract", "kind = 'contract'\nduration_s = 9\nband = [50, 60]", head=head).by_feel()
    assert plan is not None
    assert plan.title == "T, by feel"
    assert plan.description == "By feel, 2 and 3 of 10. At 2 and 3 of 10, then 2 and 3 of 10, then 2 and 3 of 10."


def test_a_shortened_plan_takes_less_time_and_the_same_efforts() -> None:
    head = "grace_s = 2\nask_before_end_s = 4"
    plan = parse("passive", 'contract+blind = [[2, 4]]\nuntil = "band lost"\nlost_s = 3', head=head).shortened(0.5)
    assert (plan.duration_s, plan.grace_s, plan.ask_before_end_s) == (10.0, 1.0, 2.0)
    assert plan.title == "own.toml (shortened)"
    shape = plan.phases[1].shape
    assert (shape.blind, shape.until, shape.lost_s) == (((1.0, 2.0),), "band lost", 3.0)
    for factor in (0.0, 1.1):
        with pytest.raises(ValueError, match="not above 0 and at most 1"):
            plan.shortened(factor)
    assert parse("passive").shortened(1.0).duration_s == 10.0


def test_the_highest_edge_is_that_of_all_bands_a_phase_moves_through() -> None:
    plan = parse("passive", "contract", "contract+ramp = [[60, 90], [40, 50]]")
    assert [phase.highest_percent for phase in plan.phases] == [None, 30.0, 90.0]
