"""Bring a file: what comes over the wire is bounded and stays in its place; the page, by hand."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.io import savemat

from biofeedback.errors import RecordingError
from biofeedback.storage.recording import open_recording
from biofeedback.web import bringing
from biofeedback.web.bringing import BringPlace, Brought, clean_name
from biofeedback.web.server import open_page
from biofeedback.wiring.review_page import make_review

from .axe import axe_script
from .conftest import Page, Served
from .test_accessibility import violations
from .test_rights import request


class Heard:
    """Keeps what it was asked about."""

    def __init__(self) -> None:
        self.brought: list[Brought] = []

    def look(self, brought: Brought, order: Any) -> dict[str, Any]:
        self.brought.append(brought)
        return {"said": order.get("decimal"), "text": brought.path.read_text()}

    draw = take = look


def over_server(folder: Path, heard: Heard, scenario: Callable[[Callable[..., Any]], Awaitable[None]]) -> None:
    async def run() -> None:
        review = make_review(folder)
        review.bringing = heard  # type: ignore[assignment]
        async with open_page(None, port=0, review=review) as address:

            async def post(path: str, body: str) -> tuple[int, str]:
                own = {"Origin": address.rstrip("/")}
                status, _, told = await asyncio.to_thread(request, address, path, method="POST", body=body, headers=own)
                return status, told.decode()

            await asyncio.wait_for(scenario(post), 20)

    asyncio.run(run())


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("trial 1.csv", "trial 1.csv"),
        ("../../etc/passwd.csv", "passwd.csv"),
        ("C:\\Users\\x\\a.mat", "a.mat"),
        (".hidden.csv", "hidden.csv"),
        ("a\x00\n<b>.csv", "a___b_.csv"),
        ("..", ""),
        ("x" * 300 + ".edf", "x" * 116 + ".edf"),
    ],
)
def test_a_files_name_leads_nowhere_else(name: str, kept: str) -> None:
    assert clean_name(name) == kept


def test_a_file_and_what_came_with_it_lie_together_and_the_oldest_go(tmp_path: Path) -> None:
    heard = Heard()

    async def scenario(post: Callable[..., Any]) -> None:
        status, told = await post("/review/bring/file?name=a.csv&as=table", "1,2")
        assert status == 200
        number = json.loads(told)["id"]
        await post(f"/review/bring/file?name=a.json&as=beside&id={number}", "{}")
        await post(f"/review/bring/file?name=a.csv&as=events&id={number}", "onset,text")
        status, told = await post("/review/bring/look", json.dumps({"id": number, "decimal": "comma"}))
        assert json.loads(told) == {"said": "comma", "text": "1,2"}
        (brought,) = heard.brought
        assert brought.path.with_suffix(".json").exists()
        assert brought.events is not None
        assert brought.events.read_text() == "onset,text"
        for _ in range(bringing.N_KEPT):
            await post("/review/bring/file?name=b.csv&as=table", "3")
        assert await post("/review/bring/look", json.dumps({"id": number})) == (
            404,
            "the file is not here any more; choose it once more.\n",
        )
        assert not brought.path.exists()
        for query in ("name=&as=table", "name=a.csv&as=other", "name=a.csv&as=table&id=../.."):
            assert (await post(f"/review/bring/file?{query}", "x"))[0] == 404

    over_server(tmp_path, heard, scenario)


def test_a_file_beyond_the_bound_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bringing, "MOST_BYTES", 2**20)

    async def scenario(post: Callable[..., Any]) -> None:
        status, told = await post("/review/bring/file?name=a.csv&as=table", "x" * (2**20 + 1))
        assert (status, told) == (
            404,
            "a.csv has more than 1 MB; make it a recording where it lies: biofeedback convert a.csv.\n",
        )

    over_server(tmp_path, Heard(), scenario)


def test_nothing_is_read_before_a_file_came() -> None:
    place = BringPlace(Heard())
    with pytest.raises(RecordingError, match="not here any more"):
        place._find("0")


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.network
@pytest.mark.parametrize(("scheme", "size"), [("light", (1280, 800)), ("dark", (390, 844))])
def test_a_table_is_brought_put_right_marked_and_opened(
    browser: Any, tmp_path: Path, scheme: str, size: tuple[int, int]
) -> None:
    recordings = tmp_path / "recordings"
    recordings.mkdir()
    pull = 12.0 + 400.0 * ((np.arange(3000) >= 600) & (np.arange(3000) < 1000)) + np.arange(3000) % 3
    rows = "\n".join(f"{k / 100:.2f},{value:.2f}" for k, value in enumerate(pull))
    (tmp_path / "trial.csv").write_text(f"time,load\n{rows}\n")
    served = Served(review=make_review(recordings))
    served.up()
    try:
        viewport = {"width": size[0], "height": size[1]}
        page = Page(browser, served, path="review", script=axe_script(), color_scheme=scheme, viewport=viewport)
        page.wait(lambda: page.tab.is_visible("#to-bring"))
        page.tab.click("#to-bring")
        page.tab.wait_for_selector("#table")
        page.tab.set_input_files("#table", str(tmp_path / "trial.csv"))
        page.wait(lambda: "no column is known" in page.text("problem-what"), within_s=60)  # the first file of all
        assert page.text("problem-cure") == "Say below what each column is."
        assert violations(page) == []
        page.tab.select_option("#columns select", "force")
        page.wait(lambda: page.text("summary") == "3,000 rows, 100 Hz, 30 s, 0 gaps" and page.tab.is_visible("#look"))
        page.tab.fill("#from", "1")
        page.tab.fill("#to", "4")
        page.tab.click("#kinds button >> nth=0")
        box = page.tab.locator("#trace").bounding_box()
        assert box
        page.tab.locator("#trace").scroll_into_view_if_needed()
        box = page.tab.locator("#trace").bounding_box()
        page.tab.mouse.move(box["x"] + box["width"] * 0.19, box["y"] + 80)
        page.tab.mouse.down()
        page.tab.mouse.move(box["x"] + box["width"] * 0.35, box["y"] + 80, steps=4)
        page.tab.mouse.up()
        assert float(page.tab.input_value("#from")) == pytest.approx(5.7, abs=0.2)
        page.tab.click("#kinds button >> nth=1")
        page.wait(lambda: page.tab.locator("#stretches li").count() == 2)
        assert violations(page) == []
        wide = "document.querySelector('main').scrollWidth - document.querySelector('main').clientWidth"
        assert page.tab.evaluate(wide) <= 0
        page.tab.fill("#athlete", "A07")
        page.tab.click("#take")
        page.wait(lambda: page.text("made-title") == "It is a recording now: trial.hold", within_s=60)
        assert violations(page) == []
        page.tab.click("#open-made")
        page.wait(lambda: page.text("title") == "A07")
        assert page.complaints == []
        page.close()
    finally:
        served.end()
    account = open_recording(recordings / "trial.hold").account
    assert account.maxima["load"].strength == pytest.approx(400.0, abs=4.0)


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.network
@pytest.mark.parametrize(("scheme", "size"), [("dark", (844, 390))])
def test_signals_of_another_format_are_chosen_seen_and_taken(
    browser: Any, tmp_path: Path, scheme: str, size: tuple[int, int]
) -> None:
    """A MAT file with EMG at 1000 Hz, force at 100 and an angle whose name tells no kind: one choice takes it, too.

    The file is chosen before the page's script is there, as on a slow computer.
    """
    recordings = tmp_path / "recordings"
    recordings.mkdir()
    pull = 12.0 + 60.0 * ((np.arange(2000) >= 500) & (np.arange(2000) < 1500))
    signals = {"emg": np.random.default_rng(3).normal(0, 50, 20_000), "force": pull, "knee": np.arange(2000) % 40.0}
    savemat(tmp_path / "pull.mat", {**signals, "fs": 1000.0})
    served = Served(review=make_review(recordings))
    served.up()
    try:
        viewport = {"width": size[0], "height": size[1]}
        page = Page(browser, served, path="review", script=axe_script(), color_scheme=scheme, viewport=viewport)
        page.wait(lambda: page.tab.is_visible("#to-bring"))
        late: list[Any] = []
        page.tab.route("**/bring.js*", lambda route: late.append(route))  # noqa: PLW0108  # it wants a function
        page.tab.click("#to-bring", no_wait_after=True)
        page.tab.wait_for_selector("#table")
        page.tab.set_input_files("#table", str(tmp_path / "pull.mat"))
        page.wait(lambda: late)
        late[0].continue_()
        page.wait(lambda: page.text("summary") == "20,000 rows, 1000 Hz, 20 s, 0 gaps", within_s=60)
        kinds = page.tab.locator("#columns select")
        assert [kinds.nth(k).input_value() for k in range(kinds.count())] == ["emg", "force", ""]
        kinds.nth(2).select_option("position")
        page.wait(lambda: "2,000 readings, 0 to 39" in page.text("columns"))
        page.wait(lambda: page.tab.is_visible("#trace"))
        assert violations(page) == []
        wide = "document.querySelector('main').scrollWidth - document.querySelector('main').clientWidth"
        assert page.tab.evaluate(wide) <= 0
        page.tab.fill("#athlete", "A07")
        page.tab.click("#take")
        page.wait(lambda: page.text("made-title") == "It is a recording now: pull.hold", within_s=60)
        assert page.complaints == []
        page.context.close()
    finally:
        served.end()
    channels = open_recording(recordings / "pull.hold").channels
    assert [(channel.name, channel.kind) for channel in channels] == [
        ("emg", "emg"), ("force", "force"), ("knee", "position")
    ]  # fmt: skip
