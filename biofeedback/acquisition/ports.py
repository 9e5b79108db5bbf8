"""Serial ports: which there are, opening and reading one, and why it cannot be opened, in words."""

from __future__ import annotations

import contextlib
import errno
import os

import serial
from serial.tools import list_ports

from biofeedback.errors import SourceError

LOST: tuple[type[Exception], ...] = (OSError,)
with contextlib.suppress(ImportError):  # Windows has no termios; elsewhere its error is no OSError
    import termios

    LOST = (OSError, termios.error)

MOST_BYTES = 65536


def find_ports() -> list[tuple[str, str]]:
    """Path and description of every port with hardware behind it."""
    return sorted((port.device, port.description) for port in list_ports.comports() if port.hwid != "n/a")


def identify_port(path: str) -> tuple[object, ...] | None:
    """Maker, product and serial number (None where it has none) of the device at a port; None if nobody says."""
    for port in list_ports.comports():
        if path in (port.device, os.path.realpath(port.device)) or os.path.realpath(path) == port.device:
            return None if port.vid is None else (port.vid, port.pid, port.serial_number)
    return None


def find_port(identity: tuple[object, ...] | None) -> str | None:
    """Path of the port with that identity now; None without a serial number, which any twin might answer to."""
    for port in list_ports.comports():
        if identity is not None and identity[2] and (port.vid, port.pid, port.serial_number) == identity:
            return str(port.device)
    return None


def describe_ports() -> str:
    """The ports there are, in words."""
    names = [path for path, _ in find_ports()]
    return f"the ports here are {', '.join(names)}" if names else "no port is here now"


def explain_open_error(target: str, error: Exception) -> SourceError:
    """What stands in the way of opening ``target``, and its cure."""
    number, words = getattr(error, "errno", None), str(error)  # on Windows the library says only in words which it was
    if isinstance(error, ValueError) and "://" in target:
        return SourceError(f"{target} cannot be understood: {error}", "write socket://HOST:PORT or rfc2217://HOST:PORT")
    if "://" in target:
        return SourceError(f"{target} does not answer: {error}", "check address, port number and network")
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV) or "FileNotFoundError" in words:
        return SourceError(f"there is no port {target}", f"{describe_ports()}; check plug and cable")
    if number in (errno.EACCES, errno.EPERM):
        cure = "add yourself to its group: sudo usermod -aG dialout $USER, then log in again"
        return SourceError(f"no permission for {target}", cure)
    if number in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in words or "PermissionError" in words:
        return SourceError(f"{target} is in use by another program", "close that program, for example a serial monitor")
    return SourceError(f"{target} cannot be opened: {error}", describe_ports())


def read_at_once(port: serial.Serial) -> bytes:
    """What has come, in one system call where the port is a file: pyserial first asks whether there is anything."""
    descriptor = getattr(port, "fd", None)
    if descriptor is not None:
        with contextlib.suppress(BlockingIOError):
            if data := os.read(descriptor, MOST_BYTES):
                return data
    return bytes(port.read(MOST_BYTES))  # and it knows a port that has gone from one that is silent


def open_port(path: str, baud: int, *, network_timeout_s: float) -> serial.Serial:
    """A port whose reads do not wait, or one behind a network, whose reads do. SourceError with its cure."""
    try:
        port = serial.serial_for_url(path, do_not_open=True)
        port.baudrate = baud
        port.timeout = network_timeout_s if "://" in path else 0
        if "://" not in path:
            port.write_timeout = 1.0
            port.exclusive = True if os.name == "posix" else None
        port.open()
    except ValueError as error:
        raise explain_open_error(path, error) from None
    except LOST as error:
        raise explain_open_error(path, error) from None
    return port


def is_radio_port(path: str) -> bool:
    """Whether a port is Bluetooth serial, as far as the system says."""
    told = [f"{port.device} {port.description} {port.hwid}" for port in list_ports.comports() if port.device == path]
    return any(mark in " ".join((path, *told)).lower() for mark in ("rfcomm", "bthenum", "bluetooth"))
