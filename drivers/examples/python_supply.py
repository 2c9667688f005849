#!/usr/bin/python3
"""A worked plugin: one supply, driven from Python; see drivers/plugin/PLUGINS.md. A host starts it as
python_supply.py [RECORD], and RECORD gets what the output did."""
import concurrent.futures, functools, grpc, os, signal, struct, sys, threading, time
from rigwarden.driver.v1 import driver_pb2 as pb

PERIOD, LEASE = 0.1, 1.0                                  # seconds between frames; longest stay without renewal
VOLTS, AMPS, BATTERY, OHM = 60_000, 20_000, 50_000, 0.1   # range in steps of 1 mV and 1 mA; what it is connected to
TABLE = [functools.reduce(lambda n, _: n >> 1 ^ 0x82F63B78 * (n & 1), range(8), n) for n in range(256)]
def crc32c(data):
    return functools.reduce(lambda crc, byte: crc >> 8 ^ TABLE[(crc ^ byte) & 255], data, 0xFFFFFFFF) ^ 0xFFFFFFFF

class Supply:   # pretends to be an instrument; a real one is spoken to over its wire here
    def __init__(self, record):       # a real one is switched off here, whatever it did before
        self.record, self.start, self.output = open(record, "a", buffering=1), time.monotonic(), None
    def put(self, output=None):       # mA and mV, or None: off
        if self.output != output:
            self.output = output
            self.record.write(f"{time.time_ns() // 1000} {self.current()}\n")
    def current(self):
        return min(self.output[0], max(0, int((self.output[1] - BATTERY) / OHM))) if self.output else 0
    def read(self):                   # voltage, current, state bits (on, held by the voltage), measurements so far
        amps = self.current()
        state = 1 | 2 * (amps < self.output[0]) if self.output else 0
        return BATTERY + int(amps * OHM), amps, state, int((time.monotonic() - self.start) / 0.01)

class Driver:   # keeps the supply energised only as long as it may be; everything happens under one lock
    def __init__(self, supply):
        self.supply, self.lock, self.until, self.epoch, self.lost = supply, threading.Condition(), 0.0, 0, -1
        self.armed, self.shown, self.records, self.sent = None, 0, 0, {0: 0.0}
    def lose(self):                   # whatever the reason: off, and only a new arming energises again
        self.shown, self.until, self.armed, self.lost = 16 * bool(self.supply.output), 0.0, None, self.epoch
        self.supply.put()
    def end(self, *_):
        with self.lock:
            self.lose()
            os._exit(0)
    def watch(self):
        with self.lock:
            while True:
                if self.lock.wait_for(lambda: 0 < self.until <= time.monotonic(), 0.005):
                    self.lose()
    def listen(self):                 # records of 36 bytes on standard input; its end, or another thing, ends us
        while len(r := sys.stdin.buffer.read(36)) == 36:
            magic, kind, epoch, echo, span, crc = struct.unpack("<4sIQQqI", r)
            if magic != b"RWL1" or crc != crc32c(r[:32]) or kind not in (1, 2):
                break
            with self.lock:
                if kind == 2:
                    self.Halt(pb.HaltRequest(epoch=epoch), None)
                elif time.monotonic() < self.until and epoch >= self.epoch and echo in self.sent:
                    self.until = max(self.until, self.sent[echo] + min(span / 1e6, LEASE))
                self.records += 1
                self.lock.notify_all()
        self.end()
    def settle(self, r, context, oldest):   # a command waits for the records before it, and no old epoch counts
        if not self.lock.wait_for(lambda: self.records >= r.after_records, 0.2):
            context.abort(grpc.StatusCode.UNAVAILABLE, "lease records are missing")
        if r.epoch < max(self.epoch, oldest):
            context.abort(grpc.StatusCode.OUT_OF_RANGE, "this epoch is over")
    def Describe(self, r, context):
        channels = [pb.Channel(kind=k, num=n, den=1, error=e) for k, n, e in ((pb.KIND_SUPPLY_VOLTAGE, 1000, 10_000),
            (pb.KIND_SUPPLY_CURRENT, 1000, 10_000), (pb.KIND_SUPPLY_STATE, 1, 0), (pb.KIND_SUPPLY_BEAT, 1, 0))]
        supply = pb.Device(role=pb.ROLE_SUPPLY, maker="slipway", model="python_supply", serial="PS-01", firmware="1",
            voltage_max_uv=VOLTS * 1000, current_max_ua=AMPS * 1000)
        return pb.DescribeResponse(bench="python_supply", devices=[supply], channels=channels, scheduling_us=20_000,
            period_us=int(PERIOD * 1e6), link_period_us=int(PERIOD * 1e6), lease_us=int(LEASE * 1e6))
    def Arm(self, r, context):
        with self.lock:
            self.settle(r, context, self.lost + 1)
            answer = pb.ArmResponse()
            if r.HasField("supply"):  # its own limits, read back; this one has no communication timeout
                amps, volts = self.armed = min(AMPS, r.supply.current_max_ua // 1000), min(VOLTS, r.supply.voltage_max_uv // 1000)
                answer.supply.MergeFrom(pb.Protection(voltage_max_uv=volts * 1000, current_max_ua=amps * 1000, comm_timeout_us=0))
            self.epoch, self.until, self.shown = r.epoch, time.monotonic() + LEASE, 0
            return answer
    def Set(self, r, context):
        if r.direction != pb.DIRECTION_CHARGE or not all(map(r.HasField, ("current_ua", "voltage_uv", "on"))):
            context.abort(grpc.StatusCode.INVALID_ARGUMENT, "direction charge, current_ua, voltage_uv and on are needed")
        output = (r.current_ua // 1000, r.voltage_uv // 1000) if r.on else None
        with self.lock:
            if output:                # switching off needs nothing
                self.settle(r, context, 0)
                if time.monotonic() >= self.until:
                    context.abort(grpc.StatusCode.ABORTED, "lease has run out")
                if not self.armed or not all(0 <= want <= most for want, most in zip(output, self.armed)):
                    context.abort(grpc.StatusCode.FAILED_PRECONDITION, f"{output} mA and mV; armed for {self.armed}")
                self.epoch = r.epoch
            self.supply.put(output)
            return pb.SetResponse()
    def Halt(self, r, context):
        with self.lock:
            self.supply.put()
            self.epoch, self.shown = max(self.epoch, r.epoch), 0
            return pb.HaltResponse()
    def Frames(self, r, context):
        context.send_initial_metadata(())
        while context.is_active():
            with self.lock:
                number, at, (volts, amps, state, beat) = max(self.sent) + 1, time.monotonic(), self.supply.read()
                self.sent = {n: t for n, t in self.sent.items() if at - t < LEASE} | {number: at}
                counts, records = [volts, amps, state | self.shown, beat], self.records
            yield pb.FramesResponse(frame=pb.Frame(number=number, at_us=int(at * 1e6), counts=counts, records=records))
            time.sleep(PERIOD)

if __name__ == "__main__":
    socket = os.environ.get("RIGWARDEN_DRIVER_SOCKET") or sys.exit(__doc__ + "\nTo try it: rigwarden driver check")
    driver = Driver(Supply(sys.argv[1] if len(sys.argv) > 1 else os.devnull))
    signal.signal(signal.SIGTERM, driver.end)
    threading.Thread(target=driver.listen, daemon=True).start()
    kinds = dict.fromkeys(("Describe", "Arm", "Set", "Halt"), grpc.unary_unary_rpc_method_handler)
    methods = {name: kind(getattr(driver, name), getattr(pb, name + "Request").FromString, lambda m: m.SerializeToString())
        for name, kind in (kinds | {"Frames": grpc.unary_stream_rpc_method_handler}).items()}
    server = grpc.server(concurrent.futures.ThreadPoolExecutor(8))
    server.add_generic_rpc_handlers([grpc.method_handlers_generic_handler("rigwarden.driver.v1.DriverService", methods)])
    server.add_insecure_port("unix:" + socket)
    server.start()
    print("rigwarden-driver 1 ready unix:" + socket, flush=True)
    driver.watch()
