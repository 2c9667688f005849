"""A Modbus server that knows nothing of rigwarden: pymodbus, from Debian.

usage: pymodbus_server.py tcp PORT | rtu DEVICE

Each write that it takes is printed as a line: table, address, values.
"""
import sys

from pymodbus.constants import Endian
from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.payload import BinaryPayloadBuilder
from pymodbus.server import StartSerialServer, StartTcpServer
from pymodbus.transaction import ModbusRtuFramer


class Block(ModbusSparseDataBlock):
    """Prints its writes, and lets contacts follow coils."""

    def __init__(self, name, values, follower=None):
        self.name, self.follower = name, None
        super().__init__(values)
        self.follower = follower

    def setValues(self, address, values, use_as_default=False):
        super().setValues(address, values, use_as_default)
        if not isinstance(values, list):
            values = [values]
        print(self.name, address, *[int(v) for v in values], flush=True)
        if self.follower:
            self.follower(address, values)


def words(add, value, byte=Endian.Big, word=Endian.Big):
    """What pymodbus itself makes of a value, as registers."""
    builder = BinaryPayloadBuilder(byteorder=byte, wordorder=word)
    getattr(builder, add)(value)
    return [int.from_bytes(r, "big") for r in builder.build()]


def place(registers, at, values):
    for i, v in enumerate(values):
        registers[at + i] = v


inputs = {}
place(inputs, 0, words("add_32bit_int", 78080))  # link, mV
place(inputs, 2, words("add_32bit_int", -1500))  # current, mA
place(inputs, 4, [0, 41, 2, 1000])  # contacts, beat, faults, silence limit
for at, text in (100, "harbour works"), (108, "box-9"), (116, "KB-0042"), (124, "2.0"):
    place(inputs, at, words("add_string", text.ljust(8 if at == 124 else 16, "\0")))
place(inputs, 200, words("add_16bit_int", -123))
place(inputs, 201, words("add_16bit_uint", 54321))
place(inputs, 202, words("add_32bit_float", 36.625))
place(inputs, 204, words("add_32bit_float", -0.5, word=Endian.Little))
place(inputs, 206, words("add_32bit_uint", 3000000000))
place(inputs, 208, words("add_32bit_int", -2000000000, word=Endian.Little))
place(inputs, 210, [0x8000])

input_block = ModbusSparseDataBlock(inputs)
discrete_block = ModbusSparseDataBlock({**{i: 0 for i in range(3)}, **{i: (i % 3 == 0) for i in range(50, 70)}})


def contacts(address, values):
    if address == 0:
        input_block.setValues(4, [values[0]])


holding_block = Block("holding", {0: 0, 1: 0, 2: 0x1234}, contacts)
coil_block = Block("coil", {i: 0 for i in range(16)}, lambda at, v: discrete_block.setValues(at % 10, [int(x) for x in v]))

store = ModbusSlaveContext(di=discrete_block, co=coil_block, hr=holding_block, ir=input_block, zero_mode=True)
context = ModbusServerContext(slaves={1: store}, single=False)
if sys.argv[1] == "tcp":
    StartTcpServer(context=context, address=("127.0.0.1", int(sys.argv[2])))
else:
    StartSerialServer(context=context, framer=ModbusRtuFramer, port=sys.argv[2], baudrate=115200, timeout=1)
