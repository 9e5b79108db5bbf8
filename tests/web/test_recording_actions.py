from __future__ import annotations

import asyncio
import http.client
import io
import json
import re
import threading
import zipfile
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

import numpy as np
import pytest

from biofeedback.model import Channel, Chunk, Note
from biofeedback.storage.check import check_recording
from biofeedback.storage.recorder import Recorder
from biofeedback.storage.recording import open_recording
from biofeedback.web import recording_actions, review
from biofeedback.web.server import open_page

from .axe import axe_script
from .conftest import Page, Served
from .fake_live import FakeLive
from .test_accessibility import violations
from .test_review import make_review
from .test_server import fetch

SETTINGS = {
    "format": 1,
    "started_utc": "2026-01-05T18:00:00.000+00:00",
    "channels": [Channel(name="force", kind="force", unit="N").to_dict()],
    "rate_hz": 100.0,
    "source": "simulated:",
    "simulated": True,
    "athlete": "A01",
}
NAME = "A01-20260105-180000.hold"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in (NAME, "A01.hold"):
        with Recorder.create(tmp_path / name, SETTINGS, threaded=False) as recorder:
            recorder.append(Chunk(0, np.arange(200.0)[:, None]))
            recorder.append(Note(10, "a private note"))
    (tmp_path / "A01-20260105-180000.html").write_text("report of A01")
    return tmp_path


def visit(folder: Path, scenario: Callable[[str], Awaitable[None]], live: FakeLive | None = None) -> None:
    async def run() -> None:
        async with open_page(live, port=0, review=make_review(folder)) as address:
            await asyncio.wait_for(scenario(address), 120)

    asyncio.run(run())


async def post(address: str, path: str, body: Any, origin: str | None = "own") -> tuple[int, bytes]:
    parts = urlsplit(address)

    def request() -> tuple[int, bytes]:
        connection = http.client.HTTPConnection(str(parts.hostname), parts.port, timeout=60)
        headers = {"Origin": f"http://{parts.netloc}" if origin == "own" else origin} if origin else {}
        connection.request("POST", path, body if isinstance(body, bytes) else json.dumps(body), headers)
        response = connection.getresponse()
        result = response.status, response.read()
        connection.close()
        return result

    return await asyncio.to_thread(request)


async def download(address: str, **query: str) -> tuple[int, dict[str, str], bytes]:
    return await fetch(address, f"/review/export?{urlencode(query)}")


def test_csv_comes_as_a_zip_of_its_three_files(folder: Path) -> None:
    async def scenario(address: str) -> None:
        status, headers, body = await download(address, name=NAME, to="csv")
        assert (status, headers["content-disposition"]) == (200, 'attachment; filename="A01-20260105-180000.zip"')
        archive = zipfile.ZipFile(io.BytesIO(body))
        stem = "A01-20260105-180000"
        assert set(archive.namelist()) == {f"{stem}.csv", f"{stem}.json", f"{stem}_events.csv"}
        assert len(archive.read(f"{stem}.csv").splitlines()) == 201

    visit(folder, scenario)


def test_an_anonymous_export_tells_no_day_and_no_note(folder: Path) -> None:
    async def scenario(address: str) -> None:
        _, headers, body = await download(address, name=NAME, to="csv", anonymous="1")
        assert "2026" not in headers["content-disposition"]
        archive = zipfile.ZipFile(io.BytesIO(body))
        text = " ".join(archive.namelist()) + "".join(archive.read(name).decode() for name in archive.namelist())
        assert "2026" not in text
        assert "private" not in text
        _, _, body = await download(address, name=NAME, to="numpy", anonymous="1")
        assert "2026" not in str(np.load(io.BytesIO(body))["about"])

    visit(folder, scenario)


def test_numpy_gives_the_counts_back_and_bdf_begins_as_its_format_says(folder: Path) -> None:
    async def scenario(address: str) -> None:
        _, _, body = await download(address, name=NAME, to="numpy")
        np.testing.assert_array_equal(np.load(io.BytesIO(body))["counts"], np.arange(200.0)[:, None])
        if "bdf" in recording_actions.list_formats():
            _, headers, body = await download(address, name=NAME, to="bdf")
            assert headers["content-disposition"].endswith('.bdf"')
            assert body[:8] == b"\xffBIOSEMI"  # BDF header, first field

    visit(folder, scenario)


def test_no_copy_of_an_export_is_left(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    spare = tmp_path / "spare"
    spare.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(spare))

    async def scenario(address: str) -> None:
        assert (await download(address, name=NAME, to="csv"))[0] == 200

    visit(folder, scenario)
    assert list(spare.iterdir()) == []


def test_edf_without_its_library_says_how_to_get_it(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording_actions, "find_spec", lambda name: None)

    async def scenario(address: str) -> None:
        assert json.loads((await fetch(address, "/review/list"))[2])["formats"] == ["csv", "numpy"]
        status, _, body = await download(address, name=NAME, to="edf")
        assert status == 404
        assert b"pip install" in body

    visit(folder, scenario)


def test_a_recording_gets_another_code_and_stays_sound(folder: Path) -> None:
    async def scenario(address: str) -> None:
        await fetch(address, f"/review/about?name={NAME}")
        status, body = await post(address, "/review/rename", {"name": NAME, "code": "B7"})
        assert (status, json.loads(body)) == (200, {"name": "B7-20260105-180000.hold"})
        path = folder / "B7-20260105-180000.hold"
        assert check_recording(path).problems == ()
        assert open_recording(path).settings["athlete"] == "B7"
        status, _, body = await fetch(address, f"/review/about?name={NAME}")
        assert status == 404  # also when its trace was still in memory
        assert b"renamed, moved or deleted meanwhile" in body

    visit(folder, scenario)


def test_after_another_code_no_byte_says_the_old_one(folder: Path) -> None:
    """The recording, what was made of it, and the index; another recording of the same athlete is not touched."""
    (folder / "A01.hold").unlink()

    async def scenario(address: str) -> None:
        await fetch(address, "/review/list")
        report = folder / "A01-20260105-180000.html"
        order = {"name": NAME, "code": "B7"}
        assert (await post(address, "/review/rename", order | {"files": ["other.html"]}))[0] == 404
        assert report.exists()
        assert (await post(address, "/review/rename", order | {"files": [report.name]}))[0] == 200
        assert not report.exists()
        left = {path.name: path.read_bytes() for path in folder.iterdir()}
        assert ".recordings-index" in left
        assert [name for name, content in left.items() if b"A01" in content or "A01" in name] == []

    visit(folder, scenario)


def test_after_deleting_no_byte_tells_of_the_recording(folder: Path) -> None:
    (folder / "A01.hold").unlink()

    async def scenario(address: str) -> None:
        told = json.loads((await fetch(address, f"/review/files-to-delete?name={NAME}"))[2])
        order = {"name": NAME, "code": "A01", "files": [file["name"] for file in told["files"]]}
        assert (await post(address, "/review/delete", order))[0] == 200
        left = {path.name: path.read_bytes() for path in folder.iterdir()}
        assert [name for name, content in left.items() if b"A01" in content or "A01" in name] == []

    visit(folder, scenario)


def test_deleting_takes_exactly_the_files_that_were_told(folder: Path) -> None:
    async def scenario(address: str) -> None:
        told = json.loads((await fetch(address, f"/review/files-to-delete?name={NAME}"))[2])
        names = [file["name"] for file in told["files"]]
        assert names == [NAME, "A01-20260105-180000.html"]
        assert told["code"] == "A01"
        order = {"name": NAME, "files": names}
        for wrong in (
            {},
            {"code": ""},
            {"code": "a01"},
            {"code": "A01", "files": [NAME]},
            {"code": "A01", "files": None},
        ):
            assert (await post(address, "/review/delete", order | wrong))[0] == 404
        assert len(list(folder.glob("A01*"))) == 3
        status, body = await post(address, "/review/delete", order | {"code": "A01"})
        assert (status, json.loads(body)) == (200, {"n_files": 2})
        assert [path.name for path in folder.glob("A01*")] == ["A01.hold"]

    visit(folder, scenario)


def test_another_recording_whose_name_goes_on_is_never_among_the_files(folder: Path) -> None:
    async def scenario(address: str) -> None:
        told = json.loads((await fetch(address, "/review/files-to-delete?name=A01.hold"))[2])
        assert [file["name"] for file in told["files"]] == ["A01.hold"]

    visit(folder, scenario)


@pytest.mark.parametrize("where", ["this session", "another program"])
def test_what_is_being_written_is_neither_deleted_nor_renamed(folder: Path, where: str) -> None:
    live = FakeLive()
    name = "A02.hold"
    if where == "this session":
        name = str(live.state()["recording"]["file"])
        Recorder.create(folder / name, SETTINGS, threaded=False).close()
        recorder = None
    else:
        recorder = Recorder.create(folder / name, SETTINGS)

    async def scenario(address: str) -> None:
        assert json.loads((await fetch(address, f"/review/about?name={name}"))[2])["written"] is True
        assert json.loads((await fetch(address, "/review/list"))[2])["written"] == [name]
        answers = [
            await post(address, "/review/rename", {"name": name, "code": "B7"}),
            await post(address, "/review/delete", {"name": name, "code": "A01", "files": [name]}),
            (await fetch(address, f"/review/files-to-delete?name={name}"))[::2],
        ]
        assert answers == [(404, b"the recording is being written; end its session first.\n")] * 3
        assert (folder / name).exists()

    visit(folder, scenario, live)
    if recorder:
        recorder.close()


@pytest.mark.parametrize("path", ["/review/rename", "/review/delete"])
def test_strangers_and_nonsense_change_nothing(folder: Path, path: str) -> None:
    order = {"name": NAME, "code": "A01" if path.endswith("delete") else "B7", "files": [NAME]}

    async def scenario(address: str) -> None:
        for origin in (None, "null", "http://example.org"):
            assert (await post(address, path, order, origin))[0] == 403
        assert (await fetch(address, f"{path}?{urlencode({'name': NAME})}"))[0] == 405
        for name in ("../A01.hold", "/etc/passwd", "", None, ["A01.hold"], "A01-20260105-180000.html"):
            assert (await post(address, path, order | {"name": name}))[0] == 404
        for body in (
            b"",
            b"[]",
            b"{",
            b"[" * 60_000,
            b'{"name": ' + b"[" * 900 + b"]" * 900 + b"}",
            b'{"name": "' + b"x" * 200_000 + b'"}',
            b"\xff",
        ):
            status, said = await post(address, path, body)
            assert (status, said) == (404, b"the page's request is not understood; reload the page.\n")
        assert (folder / NAME).exists()

    visit(folder, scenario)


def test_history_is_given_for_codes_that_are_there(folder: Path) -> None:
    async def scenario(address: str) -> None:
        status, headers, body = await fetch(address, "/review/history?athlete=A01")
        assert (status, body) == (200, b"<p>history of A01</p>")
        assert "default-src 'none'" in headers["content-security-policy"]
        for code in ("", "C9", "../A01"):
            assert (await fetch(address, f"/review/history?{urlencode({'athlete': code})}"))[0] == 404

    visit(folder, scenario)


def test_an_athletes_device_may_do_none_of_it() -> None:
    from biofeedback.web.access import may_visit
    from biofeedback.web.pairing import Right

    places = ["list", "about", "answer", "trace", "files-to-delete", "report", "history", "export", "rename", "delete"]
    assert not any(may_visit(f"/review/{place}", right) for place in places for right in (Right("athlete", 1), None))


@pytest.mark.browser
@pytest.mark.parametrize("code", ["../A01", "ward 3/7", "A\\B", ".."])
def test_a_code_from_elsewhere_leads_to_no_other_folder(tmp_path: Path, code: str) -> None:
    Recorder.create(tmp_path / "other.hold", SETTINGS | {"athlete": code}, threaded=False).close()

    async def scenario(address: str) -> None:
        for to in ("csv", "numpy"):
            status, headers, body = await download(address, name="other.hold", to=to, anonymous="1")
            assert status == 200
            assert not re.search(r"[/\\]|\.\.", headers["content-disposition"])
            assert body[:2] == b"PK"

    visit(tmp_path, scenario)


def test_nothing_of_the_review_lists_the_folder_on_the_loop(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same loop tells the pages of a hold their numbers; listing many recordings takes long."""
    listed = []
    listing = review.list_recordings

    def watch(where: Path) -> Any:
        listed.append(threading.current_thread())
        return listing(where)

    monkeypatch.setattr(review, "list_recordings", watch)

    async def scenario(address: str) -> None:
        for path in ("list", f"report?name={NAME}", "history?athlete=A01", f"export?name={NAME}&to=csv"):
            assert (await fetch(address, f"/review/{path}"))[0] == 200
        assert len(listed) >= 4
        assert threading.current_thread() not in listed

    visit(folder, scenario)


@pytest.mark.browser
def test_a_download_keeps_its_name(browser: Any, folder: Path) -> None:
    (folder / NAME).rename(folder / "Übung am Abend.hold")
    served = Served(review=make_review(folder))
    served.up()
    try:
        page = Page(browser, served, path="review")
        page.tab.fill("#search", "Übung")
        page.tab.click(".entries button")
        page.wait(lambda: page.tab.is_visible("#download"))
        with page.tab.expect_download() as taken:
            page.tab.click("#download")
        assert taken.value.suggested_filename == "Übung am Abend.zip"
        page.close()
    finally:
        served.end()


@pytest.mark.slow
@pytest.mark.network
@pytest.mark.parametrize("size", [(390, 844), (1280, 800)], ids=str)
def test_a_reviewer_compares_takes_along_renames_and_deletes(browser: Any, folder: Path, size: tuple[int, int]) -> None:
    served = Served(review=make_review(folder))
    served.up()
    view = {"width": size[0], "height": size[1]}
    try:
        page = Page(browser, served, path="review", script=axe_script(), viewport=view)
        page.wait(lambda: page.tab.locator(".entries button").count() == 2)
        page.tab.click(f".entries button >> nth={0 if NAME > 'A01.hold' else 1}")
        page.wait(lambda: page.tab.is_visible(".verdict-word"))
        page.tab.select_option("#beside", index=1)
        page.wait(lambda: page.tab.locator(".verdict-word").count() == 2 and "0:20" in page.text("where-2"))
        assert violations(page) == []
        page.tab.click("[aria-label='Show part 2'] >> nth=1")
        page.wait(lambda: page.text("where").startswith("0:06.0 to 0:20.0"))
        assert page.text("where-2") == page.text("where")
        page.tab.select_option("#beside", "")
        page.wait(lambda: page.tab.is_visible("#download"))
        with page.tab.expect_download() as taken:
            page.tab.click("#download")
        assert taken.value.suggested_filename.endswith(".zip")
        page.tab.click("#open-rename")
        assert violations(page) == []
        page.tab.fill("#new-code", "B7")
        page.tab.keyboard.press("Enter")
        page.wait(lambda: page.text("title") == "B7 (simulated)" and page.tab.is_visible("#open-delete"))
        before = {path.name for path in folder.glob("*.h*")}
        page.tab.click("#open-delete")
        page.wait(lambda: page.tab.locator("#files-to-delete li").count())
        told = {
            text.split("\n")[0] for text in page.tab.locator("#files-to-delete li > span:first-child").all_inner_texts()
        }
        page.tab.click("#delete-sure")
        page.tab.fill("#typed-code", "B8")
        assert page.tab.is_disabled("#delete-go")
        assert violations(page) == []
        page.tab.fill("#typed-code", "B7")
        page.tab.keyboard.press("Enter")
        page.wait(lambda: page.text("title") == "Deleted")
        assert violations(page) == []
        assert before - {path.name for path in folder.glob("*.h*")} == told
        assert page.tab.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
        assert page.complaints == []
        page.close()
    finally:
        served.end()
