from __future__ import annotations

import threading
import webbrowser

import pytest

from biofeedback.wiring import browser


@pytest.mark.parametrize(
    ("environment", "platform", "has_windows"),
    [
        ({"DISPLAY": ":0"}, "linux", True),
        ({"WAYLAND_DISPLAY": "wayland-0"}, "linux", True),
        ({"BROWSER": "some-browser"}, "linux", True),
        ({"TERM": "xterm"}, "linux", False),  # Python would start a browser inside the terminal, if there is one
        ({"DISPLAY": ""}, "linux", False),
        ({}, "darwin", True),
        ({}, "win32", True),
    ],
)
def test_a_browser_is_opened_only_where_there_are_windows(
    environment: dict[str, str], platform: str, has_windows: bool
) -> None:
    assert browser.has_windows(environment, platform) is has_windows


def test_a_browser_that_takes_its_time_delays_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    opened, shown = threading.Event(), threading.Event()

    def slow(address: str) -> bool:
        assert opened.wait(5)
        shown.set()
        raise webbrowser.Error("no browser after all")

    monkeypatch.setenv("DISPLAY", ":0")
    monkeypatch.setattr(webbrowser, "open", slow)
    browser.show_page("http://127.0.0.1:1/")
    assert not shown.is_set()
    opened.set()
    assert shown.wait(5)
