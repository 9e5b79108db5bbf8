"""Where a converter or an amplifier ends: signals that are cut off by a known amount, and ones that just miss it."""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.model import Channel
from biofeedback.signal.rails import RailCheck, find_rail

RATE_HZ = 100.0


def spread(n_steps: int, *, each: int = 1, step: float = 1.0, top: float = 500.0) -> np.ndarray:
    """Values in equal steps up to ``top``, each as often."""
    return np.repeat(top - step * np.arange(n_steps + 1), each)


def with_heap(values: np.ndarray, n: int) -> np.ndarray:
    """Its largest value ``n`` times in all."""
    return np.concatenate((values[values < values.max()], np.full(n, values.max())))


@pytest.mark.parametrize(("n_steps", "is_told"), [(19, False), (20, True), (200, True)])
def test_a_range_of_few_steps_says_nothing_about_its_ends(n_steps: int, is_told: bool) -> None:
    values = with_heap(spread(n_steps), 40)
    assert find_rail(values, RATE_HZ, side=1, is_emg=True) == (500.0 if is_told else None)
    assert find_rail(-values, RATE_HZ, side=-1, is_emg=True) == (-500.0 if is_told else None)


def test_a_few_values_are_no_range() -> None:
    """However far apart they are: a signal that only switches ends nowhere."""
    assert find_rail(np.repeat([0.0, 1.0, 400.0], 50), RATE_HZ, side=1, is_emg=True) is None
    assert find_rail(np.repeat([0.0, 1.0, 2.0, 400.0], 50), RATE_HZ, side=1, is_emg=True) == 400.0


@pytest.mark.parametrize(("is_emg", "n_least"), [(True, 17), (False, 17)])
def test_a_heap_holds_more_than_eight_times_what_lies_before_it(is_emg: bool, n_least: int) -> None:
    """One value just before it: more than 8 x (1 + 1)."""
    values = spread(300)
    assert find_rail(with_heap(values, n_least), RATE_HZ, side=1, is_emg=is_emg) == 500.0
    assert find_rail(with_heap(values, n_least - 1), RATE_HZ, side=1, is_emg=is_emg) is None


@pytest.mark.parametrize(("rate_hz", "n_least"), [(20.0, 9), (300.0, 30), (1000.0, 100)])
def test_a_force_is_cut_off_where_it_stays_for_a_tenth_of_a_second(rate_hz: float, n_least: int) -> None:
    """Nothing just before it, so that 9 are a heap; muscle activity turns within a sample, and 9 are enough."""
    values = spread(300)
    values = values[values != 499.0]
    assert find_rail(with_heap(values, n_least), rate_hz, side=1, is_emg=False) == 500.0
    assert find_rail(with_heap(values, n_least - 1), rate_hz, side=1, is_emg=False) is None
    assert find_rail(with_heap(values, 9), rate_hz, side=1, is_emg=True) == 500.0


@pytest.mark.parametrize(("code", "side"), [(1023.0, 1), (2.0**23 - 1, 1), (0.0, -1), (-(2.0**15), -1)])
@pytest.mark.parametrize(("is_emg", "n_least"), [(True, 4), (False, 3)])
def test_the_last_code_of_a_converter_needs_few(code: float, side: int, is_emg: bool, n_least: int) -> None:
    """More than twice the code before it, and of muscle activity four."""
    values = side * spread(300, top=side * code)
    heap, less = (side * with_heap(side * values, n) for n in (n_least, n_least - 1))
    assert find_rail(heap, RATE_HZ, side=side, is_emg=is_emg) == code
    assert find_rail(less, RATE_HZ, side=side, is_emg=is_emg) is None
    assert find_rail(heap - 2 * side, RATE_HZ, side=side, is_emg=is_emg) is None, "no converter's last code"
    assert find_rail(heap / 3, RATE_HZ, side=side, is_emg=is_emg) is None


@pytest.mark.parametrize(("is_emg", "n_least"), [(True, 4), (False, 2)])
def test_with_nothing_on_the_code_before_it_two_readings_of_a_force_are_an_end(is_emg: bool, n_least: int) -> None:
    values = spread(300, top=1023.0)
    values = values[values != 1022.0]
    assert find_rail(with_heap(values, n_least), RATE_HZ, side=1, is_emg=is_emg) == 1023.0
    assert find_rail(with_heap(values, n_least - 1), RATE_HZ, side=1, is_emg=is_emg) is None


@pytest.mark.parametrize(("n_steps", "n_wide"), [(499, 0), (500, 1), (1500, 3), (3000, 3)])
def test_an_amplifier_at_its_end_is_not_quite_still(n_steps: int, n_wide: int) -> None:
    """Of a range of 500 steps and more the last ones, three at most, are its end."""
    values = spread(n_steps, top=5000.5)
    values = values[values < 4990]
    end = np.concatenate([np.full(40, 5000.5 - k) for k in range(n_wide + 1)])
    assert find_rail(np.concatenate((values, end)), RATE_HZ, side=1, is_emg=True) == 5000.5 - n_wide
    wider = np.concatenate((end, np.full(40, 5000.5 - n_wide - 1)))
    assert find_rail(np.concatenate((values, wider)), RATE_HZ, side=1, is_emg=True) is None


EMG = Channel(name="emg", kind="emg", unit="uV")
FORCE = Channel(name="force", kind="force", unit="N")


def watch(
    channel: Channel, tops: list[float], *, n_stretch: int = 10, n_together: int = 1, side: int = 1
) -> list[bool]:
    """Which hops of a swinging signal with these highest values are cut off; no two of its lowest are alike.

    With side -1 it is turned over.
    """
    check = RailCheck([channel], n_stretch)
    high = np.array(tops)[None]
    low = -0.8 * np.abs(high) - 0.01 * np.arange(high.shape[1])
    high, low = (high, low) if side > 0 else (-low, -high)
    found: list[bool] = []
    for at in range(0, high.shape[1], n_together * n_stretch):
        part = slice(at, at + n_together * n_stretch)
        beyond = check.push(low[:, part], high[:, part], None)
        found += [False] * high[:, part].shape[1] if beyond is None else beyond[0].tolist()
    return found


def swing(n_heaps: int, end: float = 401.0, first: float = 100.0) -> list[float]:
    """One stretch: hops that are at the end, among others that go up and down."""
    others = [first, 220.0, 180.0, 300.0, 150.0, 250.0, 130.0, 200.0, 280.0, 170.0]
    return [end if k % 2 and k // 2 < n_heaps else other for k, other in enumerate(others)]


@pytest.mark.parametrize(("n_at", "is_learnt"), [(7, False), (8, True)])
def test_an_end_of_muscle_activity_is_learnt_from_eight_hops(n_at: int, is_learnt: bool) -> None:
    stretches = [swing(5), swing(n_at - 5), swing(1)]
    found = watch(EMG, [top for stretch in stretches for top in stretch])
    assert not any(found[:20]), "it holds from the next stretch on"
    assert any(found[20:]) == is_learnt


@pytest.mark.parametrize("n_together", [1, 3, 6])
def test_one_stay_at_an_end_is_an_effort_and_a_second_one_is_the_end(n_together: int) -> None:
    """However long it lasts, it is one visit; the end is learnt when the signal has been away and comes back."""
    stretches = [swing(0), [401.0] * 10, [401.0] * 10, swing(1), swing(1), swing(1)]
    found = watch(EMG, [top for stretch in stretches for top in stretch], n_together=n_together)
    assert [sum(found[at : at + 10]) for at in range(0, 60, 10)] == [0, 0, 0, 0, 0, 1]


@pytest.mark.parametrize(("n_at", "is_learnt"), [(2, False), (3, True)])
def test_the_last_code_is_learnt_from_three(n_at: int, is_learnt: bool) -> None:
    for channel in (EMG, FORCE):
        stretches = [swing(0), swing(n_at, end=1023.0), swing(1, end=1023.0)]
        found = watch(channel, [top for stretch in stretches for top in stretch])
        assert any(found) == is_learnt


@pytest.mark.parametrize(("n_at", "is_learnt"), [(2, False), (3, True)])
@pytest.mark.parametrize("code", [512.0, 32768.0, 2.0**23])
def test_the_first_code_of_a_signed_converter_is_learnt_from_three(code: float, n_at: int, is_learnt: bool) -> None:
    """-2^9, -2^15, -2^23; a force is looked at on the side to which it is pulled."""
    pressed = Channel(name="force", kind="force", unit="N", factor=-1.0)
    for channel in (EMG, pressed):
        stretches = [swing(0), swing(n_at, end=code), swing(1, end=code)]
        found = watch(channel, [top for stretch in stretches for top in stretch], side=-1)
        assert any(found) == is_learnt
        assert not any(watch(channel, [top for stretch in stretches for top in stretch])), "on top it is no code"


@pytest.mark.parametrize(
    ("n_at", "beside", "is_learnt"), [(8, 396.0, False), (9, 396.0, True), (8, 394.0, True), (8, 401.0, True)]
)
def test_a_heap_has_hardly_anything_just_before_it(n_at: int, beside: float, is_learnt: bool) -> None:
    """One hop within a fiftieth of the range below it: more than four times as many, and one more, at the end."""
    stretches = [swing(5), swing(n_at - 5 - (beside == 401), first=beside), swing(1)]
    assert any(watch(EMG, [top for stretch in stretches for top in stretch])[20:]) == is_learnt


@pytest.mark.parametrize(("n_near", "is_learnt"), [(2, True), (3, False)])
def test_the_last_code_holds_more_than_what_is_just_before_it(n_near: int, is_learnt: bool) -> None:
    near = [swing(0, first=1010.0) for _ in range(n_near)]
    stretches = [swing(0), swing(3, end=1023.0), *near, swing(1, end=1023.0)]
    found = watch(FORCE, [top for stretch in stretches for top in stretch])
    assert any(found[-10:]) == is_learnt


def test_a_force_that_returns_to_one_value_is_at_no_end() -> None:
    found = watch(FORCE, [top for _ in range(5) for top in swing(5)])
    assert not any(found)


def test_what_was_learnt_is_forgotten_where_something_goes_beyond_it() -> None:
    tops = [top for stretch in (swing(5), swing(4), swing(2), swing(1, end=500.0), swing(2)) for top in stretch]
    found = watch(EMG, tops)
    assert [sum(found[at : at + 10]) for at in range(0, 50, 10)] == [0, 0, 2, 1, 0]


@pytest.mark.parametrize(("n_between", "is_learnt"), [(4, False), (5, True)])
def test_a_signal_that_only_switches_ends_nowhere_until_it_was_seen_in_between(n_between: int, is_learnt: bool) -> None:
    """Between is neither within a tenth of the range of the one end nor within a fiftieth of the other."""
    tops = [5.0, 401.0] * 20
    at = [2 * k for k in range(n_between)]
    for k in at:
        tops[k + 10] = 200.0 + k
    found = watch(EMG, [*tops, *([5.0, 401.0] * 5)])
    assert any(found) == is_learnt
