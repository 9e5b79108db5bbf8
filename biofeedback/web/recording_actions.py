"""What can be done with a recording on the page: take it along, give it another code, delete it for good."""

from __future__ import annotations

import asyncio
import logging
import re
import tempfile
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.types import Message, Receive, Scope, Send

from biofeedback.errors import RecordingError
from biofeedback.storage import database
from biofeedback.storage.edf import export_edf
from biofeedback.storage.extras import tell_install
from biofeedback.storage.forget import delete_files, find_companions
from biofeedback.storage.recording import open_recording
from biofeedback.storage.rename import rename_athlete
from biofeedback.storage.schema import read_json
from biofeedback.storage.tables import export_csv, export_numpy

MAX_SENT_BYTES = 128 * 2**20  # of a recording that is exported to another device: two hours of 4 channels at 1 kHz
SENT_S = 600.0  # another device has so long to fetch an export
MAX_ORDER_BYTES = 65536  # a list of file names and a code
LOG = logging.getLogger("biofeedback.web")
BITS = {"edf": 16, "bdf": 24}
IN_USE = "the recording is being written"


def list_formats() -> list[str]:
    """What can be exported to; EDF+ and BDF+ only where edfio is installed."""
    return ["csv", "numpy", *(BITS if find_spec("edfio") else ())]


def send_export(path: Path, to: str, *, anonymous: bool, headers: Mapping[str, str]) -> Response:
    """The recording in another format as a download: one file, or a zip of several; no copy is left behind."""
    if to not in list_formats():
        cure = tell_install("export") if to in BITS else "reload the page"
        raise RecordingError(f"no export to {to[:20]!r} here", cure)
    recording = open_recording(path)
    code = re.sub(r"[^\w-]+", "_", str(recording.settings.get("athlete") or "recording"))  # of anywhere: no path
    stem = f"{code}-anonymous" if anonymous else path.stem  # the usual names tell the day
    folder = tempfile.TemporaryDirectory(prefix="biofeedback-export-")
    try:
        made = Path(folder.name) / stem
        if to in BITS:
            target = made.with_name(f"{stem}.{to}")
            export_edf(recording, target, n_bits=BITS[to], anonymous=anonymous)
        elif to == "numpy":
            target = export_numpy(recording, made.with_name(f"{stem}.npz"), anonymous=anonymous)[0]
        else:
            target = made.with_name(f"{stem}.zip")
            with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
                for part in export_csv(recording, made.with_name(f"{stem}.csv"), anonymous=anonymous):
                    archive.write(part, part.name)
    except BaseException:
        folder.cleanup()
        raise
    return FileResponse(target, filename=target.name, headers=dict(headers), background=BackgroundTask(folder.cleanup))


class SentExports:
    """What goes out to other devices: one export at a time for each, none too large, none for ever."""

    def __init__(self) -> None:
        self._sending: set[int] = set()

    def check(self, path: Path) -> None:
        """Raise RecordingError when ``path`` is too large for another device."""
        n_bytes = path.stat().st_size
        if n_bytes > MAX_SENT_BYTES:
            what = f"{path.name} has {n_bytes / 2**20:.0f} MB; {MAX_SENT_BYTES / 2**20:.0f} are sent to another device"
            raise RecordingError(what, f"export it at the computer that records: biofeedback export {path.name}")

    @contextmanager
    def hold(self, device: int) -> Iterator[None]:
        """While an export is made for a device and sent. RecordingError: one is under way."""
        if device in self._sending:
            raise RecordingError("an export to this device is under way", "wait until it has come, then ask again")
        self._sending.add(device)
        try:
            yield
        finally:
            self._sending.discard(device)


class SentExport(Response):
    """An export on its way to another device; the connection is cut when it is not fetched in time."""

    def __init__(self, made: Response, held: ExitStack) -> None:
        super().__init__()
        self._made, self._held = made, held
        self._clean, made.background = made.background, None  # once the next export may begin

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """ASGI entry."""

        async def send_on(message: Message) -> None:
            if message["type"] == "http.response.body" and not message.get("more_body"):
                self._held.close()  # whoever has the last byte may ask for the next export
            await send(message)

        try:
            with self._held:
                async with asyncio.timeout(SENT_S):
                    await self._made(scope, receive, send_on)
        except TimeoutError:
            LOG.warning("an export was not fetched in %.0f s: ended", SENT_S)
        finally:
            if self._clean:
                await self._clean()


def list_files_to_delete(path: Path) -> list[Path]:
    """Everything that goes with a recording: its file, and reports and exports beside it that share its name."""
    return [path, *find_companions(path)]


def delete_recording(path: Path, told: object) -> int:
    """Delete for good exactly the files whose names the person was ``told``; how many."""
    to_delete = list_files_to_delete(path)
    _compare(to_delete, told)
    delete_files(to_delete)
    return len(to_delete)


def rename_recording(path: Path, code: str, told: object) -> Path:
    """Give a recording another code; its new path. ``told``: reports and exports beside it, to be deleted for good,
    because they say the old code; none are when nothing was told."""
    beside = find_companions(path)
    if told:
        _compare(beside, told)
    renamed = rename_athlete(path, code)
    delete_files(beside if told else [])
    return renamed


def _compare(files: list[Path], told: object) -> None:
    if [one.name for one in files] != told:
        raise RecordingError("other files lie beside the recording now", "look at the list again; nothing was deleted")


def has_log(path: Path) -> bool:
    """Whether a recording is being written or was interrupted; looking changes nothing."""
    return Path(f"{path}-wal").exists()


def is_written(path: Path) -> bool:
    """Whether a writer, in this program or another, holds the file; the sound log of an interrupted one is taken in."""
    return has_log(path) and database.is_written(path)


async def read_order(request: Request) -> Mapping[str, Any]:
    """The JSON object that a page posted; RecordingError for anything else."""
    refusal = RecordingError("the page's request is not understood", "reload the page")
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > MAX_ORDER_BYTES:
            raise refusal
    try:
        order = read_json(body.decode())
    except (ValueError, RecursionError):
        raise refusal from None
    if not isinstance(order, dict):
        raise refusal
    return order
