# ruff: noqa: F722, F821, N802 - signatures are D-Bus types and names are those of the BlueZ interfaces
"""The part of BlueZ's D-Bus interface that a client uses, on a private bus: bleak runs on it unmodified.

Written from BlueZ's documentation of Adapter1, Device1, GattService1 and GattCharacteristic1. Radios, pairing and
descriptors are not modelled, nor the 2 s that the real service takes to let go of a link. Compared, signal by signal,
with what bluetoothd 5.66 says to the same source (``checks_on_real_bluez.py``).
"""

import asyncio
import contextlib
import os
import select
import subprocess
import threading
from dataclasses import dataclass, field

from dbus_fast import BusType, DBusError, PropertyAccess
from dbus_fast.aio import MessageBus
from dbus_fast.service import ServiceInterface, dbus_method, dbus_property

BUS_CONFIGURATION = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><listen>unix:dir={folder}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow user="*"/><allow own="*"/><allow send_destination="*" eavesdrop="true"/>
<allow receive_sender="*"/></policy></busconfig>
"""
ADAPTER = "/org/bluez/hci0"
FAILED = "org.bluez.Error.Failed"


@contextlib.contextmanager
def private_system_bus(folder):
    """A dbus-daemon of our own that the libraries take for the system bus."""
    configuration = folder / "bus.conf"
    configuration.write_text(BUS_CONFIGURATION.format(folder=folder))
    command = ["dbus-daemon", f"--config-file={configuration}", "--print-address", "--nofork", "--nopidfile"]
    daemon = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
    try:
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = daemon.stdout.readline().strip()
        yield
    finally:
        os.environ.pop("DBUS_SYSTEM_BUS_ADDRESS")
        if before is not None:
            os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = before
        daemon.terminate()
        daemon.wait(5)
        daemon.stdout.close()


@dataclass
class Peripheral:
    """One service with a characteristic that notifies or indicates, and perhaps one for commands."""

    service: str
    data: str
    command: str | None = None
    name: str = "board"  # "": it does not advertise one
    address: str = "AA:BB:CC:DD:EE:01"
    data_flag: str = "notify"
    is_near: bool = True
    connect_errors: list = field(default_factory=list)
    commands: list = field(default_factory=list)
    on_command: object = None
    n_connections: int = 0
    bluez: object = None

    def notify(self, value):
        """From any thread. Nobody may be listening: then it is lost, as on air."""
        self.bluez.call(self.bluez.device.push, value)

    def drop_link(self):
        self.bluez.call(self.bluez.device.lose)


class Adapter(ServiceInterface):
    def __init__(self, bluez):
        super().__init__("org.bluez.Adapter1")
        self.bluez, self.powered, self.discovering = bluez, True, False

    @dbus_property(access=PropertyAccess.READ)
    def Address(self) -> "s":
        return "00:00:00:00:00:01"

    @dbus_property(access=PropertyAccess.READ)
    def Roles(self) -> "as":
        return ["central"]

    @dbus_property(access=PropertyAccess.READ)
    def Powered(self) -> "b":
        return self.powered

    @dbus_property(access=PropertyAccess.READ)
    def Discovering(self) -> "b":
        return self.discovering

    @dbus_method()
    def SetDiscoveryFilter(self, properties: "a{sv}"):
        pass

    @dbus_method()
    def StartDiscovery(self):
        if not self.powered:
            raise DBusError("org.bluez.Error.NotReady", "Resource Not Ready")
        self.discovering = True
        self.emit_properties_changed({"Discovering": True})
        self.bluez.scan_task = asyncio.ensure_future(self.bluez.advertise())

    @dbus_method()
    def StopDiscovery(self):
        self.bluez.scan_task.cancel()
        if self.bluez.is_known:
            self.bluez.device.emit_properties_changed({}, ["RSSI"])
        self.discovering = False
        self.emit_properties_changed({"Discovering": False})


class Device(ServiceInterface):
    def __init__(self, bluez, peripheral):
        super().__init__("org.bluez.Device1")
        self.bluez, self.peripheral = bluez, peripheral
        self.path = f"{ADAPTER}/dev_{peripheral.address.replace(':', '_')}"
        self.connected = self.resolved = self.is_connecting = False
        self.characteristic = None

    @dbus_property(access=PropertyAccess.READ)
    def Address(self) -> "s":
        return self.peripheral.address

    @dbus_property(access=PropertyAccess.READ)
    def Name(self) -> "s":
        return self.peripheral.name

    @dbus_property(access=PropertyAccess.READ)
    def Alias(self) -> "s":
        return self.peripheral.name or self.peripheral.address.replace(":", "-")

    @dbus_property(access=PropertyAccess.READ)
    def Adapter(self) -> "o":
        return ADAPTER

    @dbus_property(access=PropertyAccess.READ)
    def UUIDs(self) -> "as":
        return [self.peripheral.service]

    @dbus_property(access=PropertyAccess.READ)
    def RSSI(self) -> "n":
        return -50

    @dbus_property(access=PropertyAccess.READ)
    def Paired(self) -> "b":
        return False

    @dbus_property(access=PropertyAccess.READ)
    def Connected(self) -> "b":
        return self.connected

    @dbus_property(access=PropertyAccess.READ)
    def ServicesResolved(self) -> "b":
        return self.resolved

    @dbus_method()
    async def Connect(self):
        self.is_connecting = True
        while self.is_connecting and not self.peripheral.is_near:  # as the real service: until somebody gives up
            await asyncio.sleep(0.005)
        if not self.is_connecting:
            raise DBusError(FAILED, "le-connection-abort-by-local")
        if self.peripheral.connect_errors:
            raise DBusError(FAILED, self.peripheral.connect_errors.pop(0))
        self.connected = True
        self.peripheral.n_connections += 1
        self.emit_properties_changed({"Connected": True})
        self.bluez.export_services(self)
        self.resolved = True
        self.emit_properties_changed({"ServicesResolved": True})

    @dbus_method()
    async def Disconnect(self):
        self.is_connecting = False
        self.lose()

    def lose(self):
        if self.connected:
            self.connected = self.resolved = False
            self.emit_properties_changed({"ServicesResolved": False, "Connected": False})
        if self.characteristic is not None and self.characteristic.notifying:
            self.characteristic.StopNotify()

    def push(self, value):
        if self.characteristic is not None and self.characteristic.notifying:
            select.select([], [self.bluez.bus._fd], [], 5.0)  # dbus-fast gives up the bus when its socket is full
            self.characteristic.emit_properties_changed({"Value": value})


class Service(ServiceInterface):
    def __init__(self, device):
        super().__init__("org.bluez.GattService1")
        self.device = device

    @dbus_property(access=PropertyAccess.READ)
    def UUID(self) -> "s":
        return self.device.peripheral.service

    @dbus_property(access=PropertyAccess.READ)
    def Primary(self) -> "b":
        return True

    @dbus_property(access=PropertyAccess.READ)
    def Device(self) -> "o":
        return self.device.path


class Characteristic(ServiceInterface):
    def __init__(self, device, service_path, uuid, flags):
        super().__init__("org.bluez.GattCharacteristic1")
        self.device, self.service_path, self.uuid, self.flags = device, service_path, uuid, flags
        self.notifying = False

    @dbus_property(access=PropertyAccess.READ)
    def UUID(self) -> "s":
        return self.uuid

    @dbus_property(access=PropertyAccess.READ)
    def Service(self) -> "o":
        return self.service_path

    @dbus_property(access=PropertyAccess.READ)
    def Value(self) -> "ay":
        return b""

    @dbus_property(access=PropertyAccess.READ)
    def Flags(self) -> "as":
        return self.flags

    @dbus_property(access=PropertyAccess.READ)
    def MTU(self) -> "q":
        return 517

    @dbus_property(access=PropertyAccess.READ)
    def Notifying(self) -> "b":
        return self.notifying

    @dbus_method()
    def StartNotify(self):
        self.notifying = True
        self.emit_properties_changed({"Notifying": True})

    @dbus_method()
    def StopNotify(self):
        self.notifying = False
        self.emit_properties_changed({"Notifying": False})

    @dbus_method()
    def WriteValue(self, value: "ay", options: "a{sv}"):
        peripheral = self.device.peripheral
        peripheral.commands.append(bytes(value))
        if peripheral.on_command is not None:
            peripheral.on_command(bytes(value))


class FakeBluez:
    """``with FakeBluez(peripheral):`` in a thread and event loop of its own."""

    def __init__(self, peripheral):
        self.peripheral = peripheral
        peripheral.bluez = self
        self.device = Device(self, peripheral)
        self.is_known = self.has_services = False
        self.scan_task = None

    def __enter__(self):
        ready = threading.Event()
        self.thread = threading.Thread(target=lambda: asyncio.run(self.run(ready)), daemon=True)
        self.thread.start()
        assert ready.wait(5)
        return self

    def __exit__(self, *exc):
        self.call(self.done.set)
        self.thread.join(5)

    def call(self, function, *arguments):
        self.loop.call_soon_threadsafe(function, *arguments)

    async def run(self, ready):
        self.loop, self.done = asyncio.get_running_loop(), asyncio.Event()
        self.bus = await MessageBus(bus_type=BusType.SYSTEM, negotiate_unix_fd=True).connect()
        self.adapter = Adapter(self)
        self.bus.export(ADAPTER, self.adapter)
        await self.bus.request_name("org.bluez")
        ready.set()
        await self.done.wait()
        self.device.is_connecting = False
        self.device.lose()
        if self.scan_task is not None:
            self.scan_task.cancel()
        await asyncio.sleep(0.03)  # every call must have been answered before the bus goes
        self.bus.disconnect()
        await self.bus.wait_for_disconnect()

    def switch_power(self, on):
        self.adapter.powered = on
        if not on:
            self.device.lose()
        self.adapter.emit_properties_changed({"Powered": on})

    async def advertise(self):
        while True:
            if self.peripheral.is_near and not self.device.connected:
                if not self.is_known:
                    self.is_known = True
                    self.bus.export(self.device.path, self.device)
                else:
                    self.device.emit_properties_changed({"RSSI": -50})
            await asyncio.sleep(0.02)

    def export_services(self, device):
        if self.has_services:  # known from the last connection
            return
        self.has_services = True
        peripheral = device.peripheral
        path = f"{device.path}/service0001"
        self.bus.export(path, Service(device))
        device.characteristic = Characteristic(device, path, peripheral.data, [peripheral.data_flag])
        self.bus.export(f"{path}/char0002", device.characteristic)
        if peripheral.command is not None:
            self.bus.export(f"{path}/char0004", Characteristic(device, path, peripheral.command, ["write"]))
