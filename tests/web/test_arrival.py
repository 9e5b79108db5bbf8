"""A page whose scripts or styles do not come, as the program ended meanwhile, says so and loads again by itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from .conftest import Page, Served

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture
def half_a_page(browser: Any) -> Iterator[Callable[..., Any]]:
    """Open an address while what ``stops`` matches does not come."""
    contexts = []

    def open_one(address: str, stops: str) -> Any:
        context = browser.new_context(viewport={"width": 390, "height": 844})
        contexts.append(context)
        context.set_default_timeout(90_000)
        tab = context.new_page()
        tab.route(stops, lambda route: route.abort())
        tab.goto(address)
        return tab

    yield open_one
    for context in contexts:
        context.close()


@pytest.mark.parametrize("stops", ["**/live/live.js", "**/shared/dom.js", "**/shared/style.css"])
@pytest.mark.parametrize("path", ["", "athlete", "coach"])
def test_what_is_missing_is_said_and_loaded_again(
    served: Served, half_a_page: Callable[..., Any], path: str, stops: str
) -> None:
    tab = half_a_page(served.address + path, stops)
    tab.wait_for_selector("#not-arrived")
    tab.unroute(stops)
    tab.wait_for_selector("#not-arrived", state="detached")
    tab.wait_for_selector('body[data-stage="cautions"]')
    assert tab.evaluate("sessionStorage.getItem('arrival-tries')") is None


def test_a_program_that_has_ended_meanwhile_is_said_and_found_when_it_is_back(
    served: Served, half_a_page: Callable[..., Any]
) -> None:
    tab = half_a_page(served.address, "**/shared/dom.js")
    tab.wait_for_selector("#not-arrived")
    served.down()
    tab.wait_for_selector("#not-arrived >> text=Is it still running on its computer?")
    assert tab.inner_text("[data-arriving]") == "The program does not answer"
    tab.unroute("**/shared/dom.js")
    served.up()
    tab.wait_for_selector('body[data-stage="cautions"]')
    assert tab.locator("#not-arrived").count() == 0


def test_a_page_that_is_whole_and_finds_nobody_says_so(browser: Any, served: Served) -> None:
    """The scripts came, the connection never did."""
    page = Page.__new__(Page)
    page.context = browser.new_context(viewport={"width": 390, "height": 844})
    page.context.set_default_timeout(90_000)
    page.tab = page.context.new_page()
    page.tab.route_web_socket("**/ws*", lambda socket: socket.close())
    page.tab.goto(served.address)
    page.tab.wait_for_selector("#banner-what >> text=The program does not answer")
    assert "tries again by itself" in page.text("banner-cure")
    page.context.close()


@pytest.mark.parametrize("name", ["group", "start", "review", "bring", "pair", "live"])
def test_every_page_has_it(name: str) -> None:
    from biofeedback.web.page_files import read_static

    files = read_static()
    page = files[f"{name}/{name}.html"][0].decode()
    tag = '<script src="/static/shared/arrival.js"></script>'
    assert tag in page
    assert page.index(tag) < page.index("stylesheet")
    assert 'dataset.arrived = "yes"' in files[f"{name}/{name}.js"][0].decode()
