#!/usr/bin/python3
"""A simulated controller that speaks Modbus TCP, by pymodbus (not Bayward's code).

It listens on 127.0.0.1, says "port N", then takes commands from standard input, one a line, and answers
each with "ok" (and what was asked) or "error" and why. It ends with standard input.

  set UNIT TABLE ADDRESS VALUE...   values from ADDRESS on; TABLE: coil, discrete_input, input_register,
                                    holding_register
  bit UNIT REGISTER_TABLE ADDRESS BIT 0|1
  hole UNIT TABLE FROM TO           the addresses FROM to TO do not exist
  silent UNIT                       the unit answers nothing
  answer UNIT                       ... and answers again
  drop                              closes every connection
  stop | start                      closes the listening port too | opens the same port again
  requests                          how many requests were answered so far
  until COUNT                       answers only when so many requests have been answered
Several commands on a line, parted by ";", take effect together.

Options: --units 1,2,3 (default 1), --port N (default: any free one).
"""

import argparse
import asyncio
import logging
import sys

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.exceptions import NoSuchSlaveException
from pymodbus.server.async_io import ModbusTcpServer

FUNCTIONS = {"coil": 1, "discrete_input": 2, "holding_register": 3, "input_register": 4}


class Unit(ModbusSlaveContext):
    def __init__(self):
        block = lambda: ModbusSequentialDataBlock(0, [0] * 65536)  # noqa: E731
        super().__init__(co=block(), di=block(), ir=block(), hr=block(), zero_mode=True)
        self.holes = []

    def validate(self, fc_as_hex, address, count=1):
        for function, first, last in self.holes:
            if function == fc_as_hex and address <= last and address + count > first:
                return False
        return address + count <= 65536


class Units(ModbusServerContext):
    def __init__(self, units):
        super().__init__(slaves=units, single=False)
        self.silent = set()
        self.requests = 0

    def __getitem__(self, slave):
        if slave in self.silent:
            raise NoSuchSlaveException(f"unit {slave} is silent")
        self.requests += 1
        return super().__getitem__(slave)


class Controller:
    def __init__(self, units, port):
        self.units = {unit: Unit() for unit in units}
        self.context = Units(self.units)
        self.port = port
        self.server = None
        self.serving = None

    async def start(self):
        self.server = ModbusTcpServer(
            self.context,
            address=("127.0.0.1", self.port),
            allow_reuse_address=True,
            ignore_missing_slaves=True,
        )
        self.serving = asyncio.ensure_future(self.server.serve_forever())
        await self.server.serving
        self.port = self.server.server.sockets[0].getsockname()[1]

    def drop(self):
        for connection in list(self.server.active_connections.values()):
            connection.transport.abort()

    async def stop(self):
        self.drop()
        self.server.server.close()
        self.serving.cancel()

    def place(self, arguments):
        return self.units[int(arguments[0])], FUNCTIONS[arguments[1]], int(arguments[2])

    async def obey(self, words):
        name, arguments = words[0], words[1:]
        if name == "set":
            unit, function, address = self.place(arguments)
            unit.setValues(function, address, [int(value, 0) for value in arguments[3:]])
        elif name == "bit":
            unit, function, address = self.place(arguments)
            value = unit.getValues(function, address, 1)[0]
            mask = 1 << int(arguments[3])
            unit.setValues(function, address, [value | mask if arguments[4] == "1" else value & ~mask])
        elif name == "hole":
            hole = (FUNCTIONS[arguments[1]], int(arguments[2]), int(arguments[3]))
            self.units[int(arguments[0])].holes.append(hole)
        elif name == "silent":
            self.context.silent.add(int(arguments[0]))
        elif name == "answer":
            self.context.silent.discard(int(arguments[0]))
        elif name == "drop":
            self.drop()
        elif name == "stop":
            await self.stop()
        elif name == "start":
            await self.start()
        elif name == "requests":
            return f" {self.context.requests}"
        elif name == "until":
            while self.context.requests < int(arguments[0]):
                await asyncio.sleep(0.01)
        else:
            raise ValueError(f"unknown command {name}")
        return ""


async def main():
    options = argparse.ArgumentParser()
    options.add_argument("--units", default="1")
    options.add_argument("--port", type=int, default=0)
    given = options.parse_args()
    logging.disable(logging.CRITICAL)

    controller = Controller([int(unit) for unit in given.units.split(",")], given.port)
    await controller.start()
    print(f"port {controller.port}", flush=True)

    lines = asyncio.StreamReader()
    loop = asyncio.get_running_loop()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    while line := (await lines.readline()).decode():
        said = ""
        try:
            for command in line.split(";"):
                if command.strip():
                    said += await controller.obey(command.split())
            print(f"ok{said}", flush=True)
        except Exception as error:  # the one who commands must hear of it, whatever it is
            print(f"error {error!r}", flush=True)


asyncio.run(main())
