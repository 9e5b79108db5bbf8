"""What a phone costs this computer: encryption of the updates, its channels beside a sensor, and the page's weight.

    python tests/benchmarks/bench_phone.py

Processor time, not time by the clock, so that a busy machine changes little.
"""

from __future__ import annotations

import contextlib
import ssl
import tempfile
import time
from html.parser import HTMLParser
from pathlib import Path

import numpy as np

import biofeedback.web
from biofeedback.acquisition.phone import PhoneInbox, WithPhone
from biofeedback.acquisition.source import ItemSource
from biofeedback.model import Channel, Chunk, Item
from biofeedback.signal.levels import LevelStream
from biofeedback.web.certificate import find_certificate

N_PAGES, UPDATES_PER_S, UPDATE_BYTES = 12, 60, 400  # four athletes with three pages each


def encrypt(seconds: int) -> float:
    """Processor seconds per second to encrypt what twelve pages are sent, both ends' handshake done before."""
    with tempfile.TemporaryDirectory() as folder:
        made = find_certificate(Path(folder), ["127.0.0.1"])
        server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        server.load_cert_chain(made.chain, made.key)
    client = ssl.create_default_context()
    client.check_hostname, client.verify_mode = False, ssl.CERT_NONE
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    ours = server.wrap_bio(to_server, to_client, server_side=True)
    theirs = client.wrap_bio(to_client, to_server)
    for _ in range(4):
        for end in (theirs, ours):
            with contextlib.suppress(ssl.SSLWantReadError):
                end.do_handshake()
    update, n = bytes(UPDATE_BYTES), N_PAGES * UPDATES_PER_S * seconds
    start_s = time.process_time()
    for _ in range(n):
        ours.write(update)
        if len(to_client.read()) <= UPDATE_BYTES:
            raise RuntimeError("nothing was encrypted")
    return (time.process_time() - start_s) / seconds


class Quiet(ItemSource):
    """Force at a rate, a batch at a time."""

    url, description = "quiet:", "quiet"
    channels = (Channel(name="force", kind="force", unit="N"),)
    rate_hz = 80.0

    def __init__(self, rate_hz: float) -> None:
        self.rate_hz, self._frame = rate_hz, 0

    def open(self) -> None: ...

    def close(self) -> None: ...

    def read_items(self) -> list[Item]:
        first, self._frame = self._frame, self._frame + max(1, round(self.rate_hz / 30))
        return [Chunk(first, np.zeros((self._frame - first, 1)))]


def widen(rate_hz: float, seconds: int, *, with_phone: bool) -> float:
    """Processor seconds per second of a sensor's frames to levels, with or without a phone that sends."""
    now_s = 0.0
    inbox = PhoneInbox(clock=lambda: now_s)
    source: ItemSource = Quiet(rate_hz)
    if with_phone:
        source = WithPhone(source, inbox, clock=lambda: now_s)
    source.open()
    levels = LevelStream(source.channels, rate_hz)
    inbox.claim("a")
    start_s = time.process_time()
    for batch in range(30 * seconds):
        now_s = batch / 30
        inbox.put("a", [[now_s - k / 60, 0.0, 0.0, 9.8] for k in (1, 0)], [[now_s, 5.0]] if batch % 3 == 0 else [])
        for item in source.read_items():
            if isinstance(item, Chunk):
                levels.push(item)
    return (time.process_time() - start_s) / seconds


class PhoneMarkup(HTMLParser):
    """Bytes of the live page's markup that only a phone, or an evening without a sensor, needs."""

    VOID = ("input", "br", "meta", "link")

    def __init__(self) -> None:
        super().__init__()
        self.n_bytes = self._depth = 0

    def _count(self, text: str) -> None:
        self.n_bytes += len(text.encode()) if self._depth else 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        is_phone = given.get("id") in PHONE_PARTS or "angle-now" in (given.get("class") or "").split()
        if (self._depth or is_phone) and tag not in self.VOID:
            self._depth += 1
        self._count(self.get_starttag_text() or "")

    def handle_endtag(self, tag: str) -> None:
        self._count(f"</{tag}>")
        self._depth -= bool(self._depth) and tag not in self.VOID

    def handle_data(self, data: str) -> None:
        self._count(data)


PHONE_PARTS = ("effort-ask", "slider-panel", "angle-panel", "range-panel", "slider")
LIMIT_KB = 30.0


def weigh() -> tuple[float, float]:
    """Kilobytes of the phone's own files, and of its parts of the live page."""
    static = Path(biofeedback.web.__file__).parent / "static"
    markup = PhoneMarkup()
    markup.feed((static / "live" / "live.html").read_text("utf-8"))
    return sum(path.stat().st_size for path in (static / "phone").iterdir()) / 1000, markup.n_bytes / 1000


if __name__ == "__main__":
    sent = f"{N_PAGES} pages at {UPDATES_PER_S} updates a second of {UPDATE_BYTES} bytes"
    print(f"TLS, {sent}: {100 * encrypt(30):.2f} % of a core (at most 1)")
    for rate_hz in (80.0, 1000.0):
        plain, phone = (100 * widen(rate_hz, 20, with_phone=one) for one in (False, True))
        told = f"{plain:.2f} % of a core, with a phone {phone:.2f} % (x {phone / plain:.1f})"
        print(f"{rate_hz:.0f} readings/s to levels: {told}")
    files_kb, markup_kb = weigh()
    print(
        f"page: {files_kb + markup_kb:.1f} kB more (at most {LIMIT_KB:g}): files {files_kb:.1f}, markup {markup_kb:.1f}"
    )
