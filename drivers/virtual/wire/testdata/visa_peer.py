"""Talks to the virtual SCPI instruments through an independent VISA library.

Usage: visa_peer.py SUPPLY_PORT LOAD_PORT METER_PORT ARTICLE_VOLTS

The bench's contactors are closed on an article of ARTICLE_VOLTS. Every figure
that is asserted here is one that the caller knows; a mistake ends the script
with a traceback. The library is python3-pyvisa with python3-pyvisa-py.
"""

import sys
import time

import pyvisa

supply_port, load_port, meter_port = sys.argv[1:4]
article = float(sys.argv[4])
manager = pyvisa.ResourceManager("@py")


def instrument(port, ending):
    """A raw socket; it has no end of message but the one we name."""
    i = manager.open_resource(f"TCPIP::127.0.0.1::{port}::SOCKET")
    i.timeout = 5000
    i.read_termination = "\n"
    i.write_termination = ending
    return i


def good(i):
    """Demands an empty error queue."""
    code, text = i.query("SYST:ERR?").split(",", 1)
    assert int(code) == 0 and text == '"No error"', (code, text)


def refused(i, message, number):
    """Demands one error of a number."""
    i.write(message)
    code, _ = i.query("SYST:ERR?").split(",", 1)
    assert int(code) == number, (message, code)
    good(i)


def near(got, want, within, what):
    assert abs(got - want) <= within, (what, got, want)


def measured(i, query, want, within):
    """Waits, at most five seconds, until a reading has come to a figure."""
    end = time.monotonic() + 5
    while time.monotonic() < end:
        got = i.query_ascii_values(query)[0]
        if abs(got - want) <= within:
            return
    raise AssertionError((query, got, want))


for ending in ("\n", "\r\n"):
    supply = instrument(supply_port, ending)
    load = instrument(load_port, ending)
    meter = instrument(meter_port, ending)
    for i, model in ((supply, "virtual supply"), (load, "virtual load"), (meter, "virtual meter")):
        i.write("*RST")
        i.write("*CLS")
        fields = i.query("*IDN?").split(",")
        assert len(fields) == 4 and fields[1] == model, fields
        assert i.query("*OPC?") == "1"
        assert int(i.query("*ESR?")) & 0x3C == 0
        refused(i, "VOLT:NONSENSE 1", -113)
        good(i)

    near(meter.query_ascii_values("MEAS:VOLT:DC?")[0], article, 0.02, "article")

    # Charge at 4 A, bound above the article; then hold the voltage.
    supply.write(f"SOURce:VOLTage {article + 4:.3f} V;CURRent 4000 MA")
    supply.write("CURR:PROT 8;:OUTP ON")
    measured(supply, "MEAS:CURR?", 4.0, 0.02)
    assert supply.query("OUTP?;:STAT:QUES:COND?") == "1;1"
    assert int(supply.query("*STB?")) == 0
    near(supply.query_ascii_values("VOLT?")[0], article + 4, 0.01, "setpoint")
    refused(supply, "CURR 61", -222)
    refused(supply, "VOLT 1 A", -131)
    refused(supply, "OUTP", -109)
    measured(supply, "MEAS:CURR?", 4.0, 0.02)
    supply.write("OUTP OFF")
    measured(supply, "MEAS:CURR?", 0.0, 0.01)

    # Trip over the own limit, and clear.
    supply.write("CURR 6;CURR:PROT 5;:OUTP ON")
    end = time.monotonic() + 5
    while supply.query("CURR:PROT:TRIP?") != "1":
        assert time.monotonic() < end, "no trip"
    assert supply.query("OUTP?") == "0"
    refused(supply, "OUTP ON", -221)
    supply.write("CURR:PROT:CLE;:CURR 4")
    good(supply)

    # Discharge, and let the load's own silence limit end it.
    load.write("FUNC:MODE CURR;:CURR 5;:VOLT:LIM:LOW 10;:SYST:COMM:TIM 0.25;:INP ON")
    measured(load, "MEAS:CURR?", 5.0, 0.02)
    good(load)
    time.sleep(0.5)
    assert load.query("INP?;:SYST:COMM:TIM:TRIP?") == "0;1"
    near(load.query_ascii_values("MEAS:CURR?")[0], 0.0, 0.01, "after silence")
    refused(load, "INP ON", -221)
    load.write("SYST:COMM:TIM:CLE;:SYST:COMM:TIM 0")
    good(load)
    for i in (supply, load, meter):
        i.close()

begin = time.monotonic()
meter = instrument(meter_port, "\n")
for _ in range(200):
    meter.query("MEAS:VOLT?")
print(f"ok: query {(time.monotonic() - begin) / 200 * 1e6:.0f} us")
