"""The unmodified source on the real Bluetooth stack, in a machine in software emulation."""

import importlib.util
import sys
from pathlib import Path

import pytest

from ..requirements import need
from .emulated_machine import run_in_machine, what_is_missing

CHECKS = Path(__file__).with_name("checks_on_real_bluez.py")
SCRIPT = """mount -t tmpfs t /var/lib/bluetooth; mkdir -p /run/dbus; dbus-daemon --system --fork
cd {repository}
{python} -m pytest -rA -p no:cacheprovider -o faulthandler_timeout=0 --color=no --durations=0 {checks}
code=$?; tail -n 20 /tmp/bluetoothd.log; exit $code"""


@pytest.mark.long
def test_source_on_the_real_bluetooth_stack(tmp_path):
    need(sys.platform == "linux", "needs Linux")
    need(not what_is_missing(), what_is_missing())
    need(importlib.util.find_spec("bumble"), "needs the dependency group emulation")
    script = SCRIPT.format(repository=CHECKS.parents[2], python=sys.executable, checks=CHECKS)
    code, said = run_in_machine(tmp_path, script, timeout_s=600)
    print(said)
    assert code == 0
