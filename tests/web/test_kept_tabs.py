"""A tab that has shown a page shows the next one as a new tab would; what is saved by it hides nothing."""

from __future__ import annotations

from typing import Any

import pytest

from .conftest import Page, Served
from .scenes import SCENES

pytestmark = [pytest.mark.browser]

TRACES = """() => ({
  stored: localStorage.length + sessionStorage.length, cookies: document.cookie, left: window.left,
  sound: document.getElementById("sound-name").textContent,
  focus: document.activeElement.tagName, from: document.referrer,
  size: [innerWidth, innerHeight, screen.width, screen.height], hidden: document.hidden,
  dark: matchMedia("(prefers-color-scheme: dark)").matches, printed: matchMedia("print").matches,
  still: matchMedia("(prefers-reduced-motion: reduce)").matches,
})"""


def test_a_tab_used_again_shows_a_page_as_a_new_one_does(browser: Any, served: Served) -> None:
    page = Page(browser, served)
    page.wait(lambda: page.text("sound-name") == "Tap for sound")
    new = page.tab.evaluate(TRACES)
    page.close()
    served.do(SCENES["inside"])
    first = Page(browser, served, path="coach", viewport={"width": 390, "height": 844}, color_scheme="dark")
    assert first.tab is page.tab
    first.wait(lambda: first.text("number") == "71")
    first.tab.route("**/report", lambda route: route.abort())
    first.tab.emulate_media(media="print", reduced_motion="reduce")
    first.tab.click("#options summary")
    first.wait(lambda: first.text("sound-name") == "Sound on")
    first.tab.select_option("#pedals", "pages")
    first.tab.evaluate("() => { document.cookie = 'a=1'; sessionStorage.setItem('b', '2'); window.left = 1; }")
    used = first.tab.evaluate(TRACES)
    differing = {"stored", "cookies", "sound", "size", "dark", "still", "printed", "left", "focus"}
    assert {name for name in new if used.get(name) != new[name]} | {"left"} == differing
    first.close()
    served.renew()
    second = Page(browser, served)
    assert second.tab is page.tab
    second.wait(lambda: second.tab.get_attribute("body", "data-stage") == "cautions")
    second.wait(lambda: second.text("sound-name") == "Tap for sound")
    assert second.tab.evaluate(TRACES) == new
    assert served.live.commands == []
    assert second.complaints == []
    second.close()


def test_what_a_tab_left_behind_is_not_heard(browser: Any, served: Served) -> None:
    """A page that was left sends nothing, and what it complains about is nobody else's."""
    page = Page(browser, served, path="coach")
    page.wait(lambda: page.text("athlete") == "A01")
    page.tab.evaluate(
        "() => { setInterval(() => { console.error('left'); document.getElementById('zero').click(); }, 5); }"
    )
    page.close()
    served.renew()
    other = Page(browser, served)
    assert other.tab is page.tab
    page.close()  # once more, and it is the other's now
    assert other.tab.url == served.address
    other.tab.wait_for_timeout(200)
    assert other.complaints == []
    assert served.live.commands == []
    other.close()


def test_one_alone_and_one_of_another_kind_have_tabs_of_their_own(browser: Any, served: Served) -> None:
    page = Page(browser, served)
    page.close()
    others = [
        Page(browser, served, **options) for options in ({"alone": True}, {"pressed": False}, {"has_touch": True})
    ]
    assert page.tab not in [other.tab for other in others]
    for other in others:
        other.close()
    assert [other.tab.is_closed() for other in others] == [True, True, False]


def test_a_session_as_new_has_nothing_of_the_one_before(served: Served) -> None:
    served.live._do_zero = lambda message: 1 / 0  # type: ignore[method-assign]
    served.do(SCENES["inside"])
    address, revision = served.address, served.live.revision
    served.renew()
    assert served.address == address
    assert served.live.revision > revision  # else a page would take what it hears for old
    assert served.live.commands == []
    assert "_do_zero" not in vars(served.live)
    served.down()
    served.renew()
    assert served.address != address
