from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.errors import AnalysisError
from biofeedback.model import Band, Channel
from biofeedback.storage.recorder import Recorder
from biofeedback.web.review import Review, find_columns
from biofeedback.web.server import open_page

from .axe import axe_script
from .conftest import Page, Served
from .test_accessibility import violations
from .test_server import fetch


@dataclass(frozen=True)
class FakePhase:
    number: int
    kind: str
    title: str
    start_s: float
    end_s: float
    band: Band | None


@dataclass(frozen=True)
class FakeRating:
    time_s: float
    value: float | None
    phase_number: int | None = None


@dataclass(frozen=True)
class FakeTrace:
    percent: Any
    channels: tuple[Channel, ...] = (Channel(name="force", kind="force", unit="N"),)
    guide: int = 0
    level_rate_hz: float = 100.0
    phases: tuple[FakePhase, ...] = (
        FakePhase(1, "passive", "Let go", 0.0, 10.0, None),
        FakePhase(2, "contract", "Contract", 10.0, 20.0, Band(60, 80)),
    )
    ratings: tuple[FakeRating, ...] = field(default=(FakeRating(9.0, 7.0), FakeRating(19.0, None)))


LEVELS = np.sin(np.arange(2000) / 30)[:, None] * 50 + 40


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    settings = {
        "format": 1,
        "software": "0.1.0",
        "started_utc": "2026-01-05T18:00:00.000+00:00",
        "channels": [Channel(name="force", kind="force", unit="N").to_dict()],
        "rate_hz": 100.0,
        "source": "simulated:",
        "simulated": True,
        "athlete": "A01",
        "exercise": "standing hamstring stretch",
    }
    Recorder.create(tmp_path / "A01.hold", settings).close()
    (tmp_path / "broken.hold").write_text("no recording")
    return tmp_path


class NoBringing:
    """Of which only the routes count."""

    def __getattr__(self, name: str) -> Callable[..., Any]:
        return lambda *_: {}


def make_review(folder: Path, **options: Any) -> Review:
    made = {
        "load_trace": lambda path: FakeTrace(LEVELS),
        "render_report": lambda path: f"<p>{path.name}</p>",
        "find_answer": lambda path: {"word": "helped", "text": "Less discomfort.", "details": [["contrasts", "6"]]},
        "render_history": lambda athlete: f"<p>history of {athlete}</p>",
    }
    return Review(folder, **({"bringing": NoBringing()} | made | options))


def visit(folder: Path, scenario: Callable[[str], Awaitable[None]], **options: Any) -> None:
    async def run() -> None:
        async with open_page(None, port=0, review=make_review(folder, **options)) as address:
            await asyncio.wait_for(scenario(address), 120)

    asyncio.run(run())


def brute(percent: Any, first: float, end: float, n: int) -> tuple[list[float], list[float]]:
    low, high = [], []
    edges = np.linspace(first, end, n + 1)
    for k in range(n):
        a, b = int(np.floor(edges[k])), int(np.floor(edges[k + 1]))
        part = [percent[j] for j in range(a, max(b, a + 1)) if 0 <= j < len(percent) and not np.isnan(percent[j])]
        low.append(min(part, default=np.nan))
        high.append(max(part, default=np.nan))
    return low, high


@given(
    st.lists(st.floats(-10, 200) | st.just(np.nan), min_size=0, max_size=60),
    st.floats(-20, 70),
    st.floats(0.1, 90),
    st.integers(1, 40),
)
def test_columns_are_the_smallest_and_largest_of_their_levels(
    values: list[float], first: float, span: float, n: int
) -> None:
    low, high = find_columns(np.array(values, float), first, first + span, n)
    expected_low, expected_high = brute(values, first, first + span, n)
    np.testing.assert_array_equal(low, expected_low)
    np.testing.assert_array_equal(high, expected_high)


def test_no_peak_is_lost_when_an_hour_is_on_screen_and_it_is_quick() -> None:
    percent = np.random.default_rng(3).normal(50, 1, 360_000)
    percent[123_456], percent[222_222] = 190.0, -40.0
    start = time.perf_counter()
    low, high = find_columns(percent, 0, len(percent), 1920)
    assert time.perf_counter() - start < 0.5  # smooth needs far less; this only guards against a blunder
    assert high.max() == 190.0
    assert low.min() == -40.0


def test_the_list_shows_every_file_and_why_one_cannot_be_read(folder: Path) -> None:
    async def scenario(address: str) -> None:
        status, headers, body = await fetch(address, "/review/list")
        told = json.loads(body)
        assert (status, headers["cache-control"], told["live"]) == (200, "no-store", False)
        by_name = {entry["name"]: entry for entry in told["entries"]}
        assert set(by_name) == {"A01.hold", "broken.hold"}
        assert by_name["A01.hold"]["athlete"] == "A01"
        assert by_name["broken.hold"]["problem"]
        status, headers, _ = await fetch(address, "/")
        assert (status, headers["location"]) == (303, "/review")
        assert (await fetch(address, "/review"))[0] == 200

    visit(folder, scenario)


def test_a_recording_is_described_and_its_trace_drawn(folder: Path) -> None:
    async def scenario(address: str) -> None:
        _, _, body = await fetch(address, "/review/about?name=A01.hold")
        about = json.loads(body)
        assert about["duration_s"] == 20.0
        assert about["phases"][1] == {
            "number": 2,
            "kind": "contract",
            "title": "Contract",
            "from_s": 10.0,
            "to_s": 20.0,
            "band": [60, 80],
        }
        assert about["ratings"] == [
            {"time_s": 9.0, "value": 7.0, "phase": None},
            {"time_s": 19.0, "value": None, "phase": None},
        ]
        query = urlencode({"name": "A01.hold", "from": 5, "to": 6, "columns": 10})
        _, _, body = await fetch(address, f"/review/trace?{query}")
        low = json.loads(body)["channels"][0]["low"]
        assert low == [round(float(LEVELS[500 + 10 * k : 510 + 10 * k].min()), 2) for k in range(10)]
        status, headers, body = await fetch(address, "/review/report?name=A01.hold")
        assert (status, body) == (200, b"<p>A01.hold</p>")
        assert "default-src 'none'" in headers["content-security-policy"]

    visit(folder, scenario)


@pytest.mark.parametrize(
    "query",
    [
        {"name": "../A01.hold"},
        {"name": "/etc/passwd"},
        {"name": "A01.hold/../A01.hold"},
        {"name": ""},
        {"name": "A01.hold", "from": "x", "to": "1", "columns": "5"},
        {"name": "A01.hold", "from": "1", "to": "0", "columns": "5"},
        {"name": "A01.hold", "from": "0", "to": "1", "columns": "1000000"},
        {"name": "A01.hold", "from": "nan", "to": "1", "columns": "5"},
    ],
    ids=str,
)
def test_what_does_not_exist_is_refused_in_one_line(folder: Path, query: dict[str, str]) -> None:
    async def scenario(address: str) -> None:
        status, _, body = await fetch(address, f"/review/trace?{urlencode(query)}")
        assert status == 404
        assert body.count(b"\n") == 1
        assert b"Traceback" not in body

    visit(folder, scenario)


def test_a_recording_that_cannot_be_analysed_says_why(folder: Path) -> None:
    def load(path: Path) -> FakeTrace:
        raise AnalysisError("no maximum was found", "find one first")

    async def scenario(address: str) -> None:
        status, _, body = await fetch(address, "/review/about?name=A01.hold")
        assert (status, body) == (404, b"no maximum was found; find one first.\n")

    visit(folder, scenario, load_trace=load)


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.network
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_reviewer_finds_opens_and_zooms(browser: Any, folder: Path, scheme: str) -> None:
    served = Served(review=make_review(folder, beside_live=True))
    served.up()
    try:
        page = Page(browser, served, path="review", script=axe_script(), color_scheme=scheme)
        page.wait(lambda: page.tab.locator(".entries button").count() == 2)
        assert violations(page) == []
        page.tab.fill("#search", "nobody")
        page.wait(lambda: page.text("empty") == "Nothing fits. Use fewer words.")
        page.tab.fill("#search", "a01 hamstring")
        page.tab.click(".entries button")
        page.wait(lambda: page.tab.is_visible("#trace") and "0:20" in page.text("where"))
        assert violations(page) == []
        page.tab.focus("#trace")
        before = page.text("where")
        page.tab.keyboard.press("+")
        page.wait(lambda: page.text("where") != before)
        page.tab.click("[aria-label='Show part 2']")
        page.wait(lambda: page.text("where").startswith("0:06.0 to 0:20.0"))
        assert page.complaints == []
        page.close()
    finally:
        served.end()


@pytest.mark.browser
def test_a_page_of_a_session_that_is_over_is_led_to_the_recordings(browser: Any, folder: Path) -> None:
    """The program was ended and started again at the same address, only to look at recordings."""
    session = Served()
    session.up()
    page = Page(browser, session)
    page.wait(lambda: page.text("athlete") == "A01")
    session.down()
    session.live, session._review = None, make_review(folder)  # type: ignore[assignment]
    session.up()
    page.tab.wait_for_url("**/review", timeout=90_000)
    page.close()
    session.end()
