"""A real voice instead of a captured one: Debian's speech-dispatcher and espeak-ng, heard on a sink of pulseaudio.

``apt-get install speech-dispatcher speech-dispatcher-espeak-ng espeak-ng pulseaudio pulseaudio-utils``, then
``pytest -m long -rP tests/web/test_real_voice.py``.
"""

from __future__ import annotations

import itertools
import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ..requirements import CHROMIUM, CHROMIUM_ARGUMENTS, need
from .conftest import Page, Served
from .scenes import SCENES

pytestmark = [pytest.mark.browser, pytest.mark.long]

RATE_HZ = 8000
# What the page hands to the real speech, and what comes back.
NOTING = """window.said = [];
const { speak } = SpeechSynthesis.prototype;
SpeechSynthesis.prototype.speak = function (utterance) {
  const row = { text: utterance.text, start: null, end: null, how: "" };
  window.said.push(row);
  utterance.addEventListener("start", () => { row.start = Date.now() / 1000; });
  for (const kind of ["end", "error"]) utterance.addEventListener(kind, (event) => {
    row.end = Date.now() / 1000;
    row.how = event.error ?? kind;
  });
  return speak.call(this, utterance);
};
"""


class Voice:
    """Sound and speech of their own, in a folder of their own; what is played is recorded."""

    def __init__(self, folder: Path) -> None:
        for name in ("speech-dispatcher", "espeak-ng", "pulseaudio", "parec"):
            need(shutil.which(name), f"{name} is not installed")
        socket, pulse = folder / "speechd.sock", folder / "pulse.sock"
        home = {"HOME": str(folder), "XDG_RUNTIME_DIR": str(folder), "XDG_CONFIG_HOME": str(folder / "config")}
        self.env = {**os.environ, **home, "PULSE_SERVER": f"unix:{pulse}", "SPEECHD_ADDRESS": f"unix_socket:{socket}"}
        self.processes: list[subprocess.Popen[bytes]] = []
        self.heard = folder / "heard.raw"
        self._start(
            "pulseaudio", "--daemonize=no", "--exit-idle-time=-1", "-n", "--use-pid-file=no",
            "--load=module-null-sink sink_name=void",
            f"--load=module-native-protocol-unix auth-anonymous=1 socket={pulse}", until=pulse,
        )  # fmt: skip
        self._start("speech-dispatcher", "-s", "-t", "0", "-c", "unix_socket", "-S", str(socket), until=socket)
        recording = ["parec", "--device=void.monitor", f"--rate={RATE_HZ}", "--channels=1", "--format=s16le"]
        self._start(*recording, str(self.heard), until=self.heard)
        self.begun_s = time.time()

    def _start(self, *command: str, until: Path) -> None:
        quiet = subprocess.DEVNULL
        self.processes.append(subprocess.Popen(command, env=self.env, stdout=quiet, stderr=quiet))
        until_s = time.monotonic() + 20
        while not until.exists():
            assert time.monotonic() < until_s, command[0]
            time.sleep(0.1)

    def loudness(self) -> np.ndarray:
        """Root mean square of each tenth of a second so far."""
        samples = np.frombuffer(self.heard.read_bytes()[: 2 * (self.heard.stat().st_size // 2)], "<i2").astype(float)
        n = RATE_HZ // 10
        return np.asarray(np.sqrt((samples[: samples.size // n * n].reshape(-1, n) ** 2).mean(axis=1)))

    def end(self) -> None:
        for process in reversed(self.processes):
            process.terminate()
            process.wait(10)


@pytest.fixture
def voice(tmp_path: Path) -> Iterator[Voice]:
    voice = Voice(tmp_path)
    yield voice
    voice.end()


def said(page: Page) -> list[dict[str, Any]]:
    return list(page.tab.evaluate("() => window.said"))


def begun(page: Page, text: str) -> list[dict[str, Any]]:
    return [one for one in said(page) if one["text"] == text and one["start"]]


def test_a_real_voice_says_it_one_at_a_time_and_let_go_cuts_off(served: Served, voice: Voice, tmp_path: Path) -> None:
    need(CHROMIUM, "chromium is not installed")
    from playwright.sync_api import sync_playwright

    script = tmp_path / "noting.js"
    script.write_text(NOTING)
    with sync_playwright() as driver:
        arguments = [*CHROMIUM_ARGUMENTS, "--enable-speech-dispatcher"]
        browser: Any = driver.chromium.launch(executable_path=CHROMIUM, args=arguments, env=voice.env)
        served.do(SCENES["passive"])
        page = Page(browser, served, path="athlete", script=script)
        page.wait(lambda: page.text("now") == "Relax, stay in the position")
        page.tab.click("#now")  # a browser gives no sound before a press
        page.tab.evaluate(
            "() => { AudioNode.prototype.connect = (other) => other; }"
        )  # no tones: only the voice is heard
        page.tab.evaluate(
            "() => speechSynthesis.speak(new SpeechSynthesisUtterance('ready'))"
        )  # its first word is late
        page.wait(lambda: said(page)[-1]["how"] == "end", within_s=30)
        page.tab.evaluate("() => { window.said.length = 0; }")
        served.do(lambda live: live.enter_phase(1))
        page.wait(lambda: begun(page, "Contract, 60 to 80 percent"), within_s=15)
        served.do(SCENES["lost"])
        page.wait(
            lambda: len([one for one in begun(page, "Let go: no signal") if one["how"] == "end"]) >= 2, within_s=30
        )
        rows = said(page)
        page.context.close()
        browser.close()
    for one in rows:
        print({key: round(value, 2) if isinstance(value, float) else value for key, value in one.items()})
    heard = [one for one in rows if one["start"]]
    for one, following in itertools.pairwise(heard):
        assert one["end"] is None or one["end"] <= following["start"] + 0.05, "never two at once"
    assert heard[0]["how"] in ("interrupted", "canceled"), "an urgent word cuts off the one that is being said"
    loud = voice.loudness()
    whole = next(one for one in heard if one["how"] == "end" and one["text"] == "Let go: no signal")
    first, last = (round(10 * (one - voice.begun_s)) for one in (whole["start"], whole["end"]))
    assert loud[max(0, first - 3) : last + 8].max() > 500, "it is heard while the page says that it speaks"
