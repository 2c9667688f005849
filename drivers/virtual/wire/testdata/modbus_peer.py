"""Drives the virtual contactor box with an independent Modbus client.

Usage: modbus_peer.py PORT

Every figure comes from the register map of our common contactor box; a mistake
ends the script with a traceback. The library is python3-pymodbus.
"""

import sys
import time

from pymodbus.client import ModbusTcpClient

NEGATIVE, PRECHARGE, POSITIVE = 1, 2, 4

box = ModbusTcpClient("127.0.0.1", port=int(sys.argv[1]), timeout=5)
assert box.connect()
beat = 0


def inputs(at, count):
    r = box.read_input_registers(at, count, slave=1)
    assert not r.isError(), r
    assert len(r.registers) == count
    return r.registers


def feed():
    global beat
    beat = (beat + 1) & 0xFFFF
    r = box.write_register(1, beat, slave=1)
    assert not r.isError(), r


def until(want):
    """Feeds the box until its contacts are as wanted, a second at most."""
    end = time.monotonic() + 1
    while inputs(4, 1)[0] != want:
        assert time.monotonic() < end, (inputs(4, 1), want)
        feed()


def signed(high, low):
    v = high << 16 | low
    return v - (1 << 32) if v >> 31 else v


def exception(reply, code):
    assert reply.isError() and reply.exception_code == code, (reply, code)


text = b"".join(w.to_bytes(2, "big") for w in inputs(100, 28))
assert text[:16].rstrip(b"\0") == b"rigwarden", text
assert text[16:32].rstrip(b"\0") == b"virtual box", text

# Precharge and close.
assert not box.write_registers(0, [NEGATIVE | PRECHARGE, 1], slave=1).isError()
beat = 1
until(NEGATIVE | PRECHARGE)
end = time.monotonic() + 5
while signed(*inputs(0, 2)) < 70000:
    assert time.monotonic() < end, "the link does not charge"
    feed()
assert not box.write_register(0, NEGATIVE | PRECHARGE | POSITIVE, slave=1).isError()
until(NEGATIVE | PRECHARGE | POSITIVE)
assert not box.write_register(0, NEGATIVE | POSITIVE, slave=1).isError()
until(NEGATIVE | POSITIVE)
assert box.read_holding_registers(0, 2, slave=1).registers == [NEGATIVE | POSITIVE, beat]
link, amps = signed(*inputs(0, 2)), signed(*inputs(2, 2))
assert 70000 < link < 90000, link
assert abs(amps) < 500, amps

# The standard's exceptions.
exception(box.read_input_registers(8, 1, slave=1), 2)
exception(box.read_holding_registers(1, 2, slave=1), 2)
exception(box.read_coils(0, 1, slave=1), 1)
exception(box.write_register(0, 8, slave=1), 3)
exception(box.write_register(7, 1, slave=1), 2)
assert inputs(4, 1)[0] == NEGATIVE | POSITIVE, "they changed nothing"

# It counts its measurements; without a heartbeat it opens.
first = inputs(5, 1)[0]
assert inputs(5, 1)[0] != first
limit = inputs(7, 1)[0] / 1000
feed()
time.sleep(limit + 0.3)
assert inputs(4, 1)[0] == 0
assert box.read_holding_registers(0, 1, slave=1).registers == [0]
box.close()
print("ok")
