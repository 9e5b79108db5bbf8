"""``biofeedback live`` with simulated sensors, started as a person would, for tests of the whole."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from ..requirements import need

# Asks five seconds into the contraction, for long enough that four phones answer one after the other on a busy machine.
PLAN = """
name = "short"
title = "Short"
description = "One contraction."
grace_s = 1.0
ask_before_end_s = 60.0

[[block]]
repeat = 1

[[block.phase]]
kind = "passive"
duration_s = 3
ask = false

[[block.phase]]
kind = "contract"
duration_s = 65
band = [20, 30]
ask = true

[[block.phase]]
kind = "passive"
duration_s = 60
ask = false
"""


@dataclass
class Program:
    """The running program, what it is reached by, and the codes it printed."""

    process: subprocess.Popen[str]
    address: str
    invitations: list[str]

    @property
    def port(self) -> int:
        return int(self.address.rstrip("/").rpartition(":")[2])

    def end(self) -> None:
        """Ctrl-C, as a person would."""
        self.process.terminate()
        self.process.communicate(timeout=90)

    def kill(self) -> None:
        """Whatever state it is in; nothing is left of it."""
        self.process.kill()
        self.process.wait()
        if self.process.stdout:
            self.process.stdout.close()


def start_live(folder: Path, strengths: dict[str, int], *options: str, port: int = 0) -> Program:
    """One athlete for each of ``strengths`` (code to newton, typed as the maximum), and a plan named ``short``."""
    (folder / "short.toml").write_text(PLAN)
    command = [sys.executable, "-m", "biofeedback", "live", "--port", str(port), "--no-browser", *options]
    command += ["--folder", str(folder), "--plan", str(folder / "short.toml")]
    for seed, (code, strength) in enumerate(strengths.items(), 1):
        command += ["--source", f"simulated:?seed={seed}&athlete={code}&channels=force", "--athlete", code]
        command += ["--maximum", f"{code}:force={strength}"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert process.stdout
    said, found = "", None
    while not found:
        line = process.stdout.readline()
        need("on no network" not in line, "this machine is on no network to share on")
        assert line, said
        said += line
        found = re.search(r"Page: (http://[^/]+/)", line)
    return Program(process, found.group(1), re.findall(r"http://\S+/pair#\S+", said))
