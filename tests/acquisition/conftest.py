"""Boards to listen to."""

import os
import sys
from pathlib import Path

import pytest

from ..pty_device import PtyDevice

# Read once, when the library is loaded: discovery of streams does not leave this computer.
os.environ["LSLAPICFG"] = str(Path(__file__).with_name("lsl_on_this_machine.cfg"))


@pytest.fixture
def pty_device(tmp_path):
    if sys.platform == "win32":
        pytest.skip("pseudo-terminals are a Unix thing")
    devices = []

    def make(**options):
        devices.append(PtyDevice(tmp_path / f"tty{len(devices)}", **options))
        return devices[-1]

    yield make
    for device in devices:
        if os.path.lexists(device.path):
            device.unplug()
