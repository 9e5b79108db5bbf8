"""A board and a scale on air inside the emulated machine, by bumble: firmware, radio and the computer's controller.

Runs in a process of its own, as a radio does. Orders come as lines on standard input, each answered by one line:
``send packets|lines|nothing``, ``lose REASON AWAY_S`` (an HCI error code), ``weigh HEX ...``, ``tell``.
"""

import asyncio
import sys
import time

from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData
from bumble.device import Device
from bumble.gatt import Characteristic, CharacteristicValue, Service
from bumble.hci import Address, LeFeatureMask
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport import open_transport
from listening import radio_packet

from biofeedback.acquisition.profiles import load_profile

BOARD, SCALE = load_profile("frame-radio").radio, load_profile("weight-scale").radio
NAME = "pull"  # all the room there is beside the services: bumble 0.0.236 answers no scan request
N_FRAMES = 6  # of a packet
PACKETS_HZ = 80
PIECE_BYTES = 20  # of text in a notification: what fits without any negotiation


class RadioBoard:
    def __init__(self, link):
        controller = Controller("board", link=link)
        host = Host(controller, controller)
        self.device = Device(name=NAME, address=Address("F0:F1:F2:F3:F4:F5"), host=host)
        self.device.advertising_interval_min = self.device.advertising_interval_max = 100
        flags = Characteristic.Properties
        self.data = Characteristic(BOARD.data, flags.NOTIFY, 0, b"")
        on_command = CharacteristicValue(write=lambda _, value: self.hear(bytes(value)))
        command = Characteristic(BOARD.command, flags.WRITE, Characteristic.Permissions.WRITEABLE, on_command)
        self.weight = Characteristic(SCALE.data, flags.INDICATE, 0, b"")
        self.device.add_service(Service(BOARD.service, [self.data, command]))
        self.device.add_service(Service(UUID.from_16_bits(0x181D), [self.weight]))
        kinds = AdvertisingData
        advertised = [
            (kinds.FLAGS, b"\6"),
            (kinds.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS, bytes(UUID(BOARD.service))),
            (kinds.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS, bytes(UUID.from_16_bits(0x181D))),
            (kinds.COMPLETE_LOCAL_NAME, NAME.encode()),
        ]
        self.device.advertising_data = bytes(AdvertisingData(advertised))
        self.device.on("connection", self.count_connection)
        self.what, self.is_started, self.away_s = "packets", False, 0.0
        self.n_connections, self.n_starts = 0, 0
        self.tasks = set()

    def hear(self, command):
        if command == b"start binary\n":
            self.is_started = True
            self.n_starts += 1

    def count_connection(self, connection):
        self.n_connections += 1
        connection.on("disconnection", lambda _: self.keep(self.come_back()))

    def keep(self, coroutine):
        task = asyncio.ensure_future(coroutine)
        self.tasks.add(task)
        task.add_done_callback(self.tasks.discard)

    async def come_back(self):
        self.is_started = False
        await asyncio.sleep(self.away_s)
        self.away_s = 0.0
        await self.device.start_advertising()

    async def send_for_ever(self):
        """Frame k is sampled at k / (80 x 6) s and holds k, whether anybody listens or not."""
        start_s, k, line = time.monotonic(), 0, b""
        while True:
            if self.what == "packets" and self.is_started:
                rows = [(i & 0xFFFF, i) for i in range(k, k + N_FRAMES)]
                time_us = round(k * 1e6 / (PACKETS_HZ * N_FRAMES)) & 0xFFFFFFFF
                await self.device.notify_subscribers(self.data, radio_packet(k & 0xFFFF, *rows, time_us=time_us))
            elif self.what == "lines":
                line += b"%d\n" % (k // N_FRAMES)
                while len(line) >= PIECE_BYTES:
                    await self.device.notify_subscribers(self.data, line[:PIECE_BYTES])
                    line = line[PIECE_BYTES:]
            k += N_FRAMES
            await asyncio.sleep(max(0.0, start_s + k / (PACKETS_HZ * N_FRAMES) - time.monotonic()))

    async def obey(self, order, *words):
        if order == "send":
            [self.what] = words
        elif order == "lose":
            self.away_s = float(words[1])
            for connection in list(self.device.connections.values()):
                await connection.disconnect(int(words[0]))
        elif order == "weigh":
            for value in words:
                await self.device.indicate_subscribers(self.weight, bytes.fromhex(value))
        return f"{self.n_connections} {self.n_starts} {len(self.device.connections)}"


async def main():
    link = LocalLink()
    async with await open_transport("vhci") as wire:
        # Without a public address, privacy and extended advertising: the link of bumble 0.0.236 knows none of them.
        computer = Controller("computer", host_source=wire.source, host_sink=wire.sink, link=link)
        computer.le_features &= ~(LeFeatureMask.LL_PRIVACY | LeFeatureMask.LE_EXTENDED_ADVERTISING)
        board = RadioBoard(link)
        await board.device.power_on()
        await board.device.start_advertising()
        board.keep(board.send_for_ever())
        orders = asyncio.StreamReader()
        await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(orders), sys.stdin)
        print("on air", flush=True)
        while order := await orders.readline():
            print(await board.obey(*order.decode().split()), flush=True)


asyncio.run(main())
