"""What a rating is about and what its ends mean stand beside the keys, in the session's own words."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

import pytest

from biofeedback.account import words

from .conftest import Served
from .fake_live import FakeLive
from .scenes import SCENES

pytestmark = [pytest.mark.browser, pytest.mark.slow]
SIZES = [(390, 844), (844, 390), (820, 1180), (1280, 800)]


def is_cut(tab: Any, selector: str) -> bool:
    """Whether some of the text is hidden by its own box or lies outside the window."""
    cut: bool = tab.evaluate(
        """(selector) => {
          const box = document.querySelector(selector), at = box.getBoundingClientRect();
          return box.scrollWidth > box.clientWidth + 1 || !at.width || at.right > innerWidth || at.bottom > innerHeight;
        }""",
        selector,
    )
    return cut


@pytest.mark.parametrize("size", SIZES)
def test_the_ends_of_the_scale_are_read_whole_beside_the_keys(
    served: Served, open_tab: Any, size: tuple[int, int]
) -> None:
    served.do(SCENES["inside"])
    page = open_tab(path="?view=athlete", viewport={"width": size[0], "height": size[1]})
    page.wait(lambda: words.SCALE.ends in page.text("ends"))
    assert not is_cut(page.tab, "#ends")
    assert page.tab.get_attribute("#pad", "aria-describedby") == "ends"  # a screen reader says it with the keys
    if size[1] > 400:  # a phone lying down has room for the ends alone
        assert words.SCALE.asks_about in page.text("ends").lower()


def test_another_label_of_an_end_needs_one_line_only(served: Served, open_tab: Any) -> None:
    other = replace(words.SCALE, high_label="as much as I can bear")

    def relabel(live: FakeLive) -> None:
        SCENES["inside"](live)
        live.change(words=words.to_dict() | {"scale": {**asdict(other), "ends": other.ends}})

    served.do(relabel)
    page = open_tab(path="?view=athlete")
    page.wait(lambda: "10 as much as I can bear" in page.text("ends"))
    assert words.SCALE.high_label not in page.tab.inner_text("body")
