"""Reads a block and prints its frames as CSV: a second reader, written from
format.md and, for the entropy coder, from RFC 8878 section 4.1 (FSE). It shares
no code with the Go package and no library beyond Python's own.

    python3 read_block.py version1.block
"""

import sys

NO_READING = -(1 << 31)


def crc32c(data):
    table = []
    for n in range(256):
        for _ in range(8):
            n = (n >> 1) ^ 0x82F63B78 if n & 1 else n >> 1
        table.append(n)
    crc = 0xFFFFFFFF
    for b in data:
        crc = table[(crc ^ b) & 0xFF] ^ (crc >> 8)
    return crc ^ 0xFFFFFFFF


def wrap(v, bits):
    v &= (1 << bits) - 1
    return v - (1 << bits) if v >> (bits - 1) else v


class Input:
    def __init__(self, data):
        self.data, self.at = data, 0

    def byte(self):
        self.at += 1
        return self.data[self.at - 1]

    def uvarint(self):
        v = shift = 0
        while True:
            b = self.byte()
            v |= (b & 0x7F) << shift
            shift += 7
            if b < 0x80:
                return v

    def varint(self):
        u = self.uvarint()
        return (u >> 1) ^ -(u & 1)

    def bytes(self):
        n = self.uvarint()
        self.at += n
        return self.data[self.at - n:self.at]


def fse_table(data):
    """Normalised counts, and how many bytes they took (RFC 8878, 4.1.1)."""
    bits = int.from_bytes(data, "little")
    at = 0

    def take(n):
        nonlocal at
        at += n
        return (bits >> (at - n)) & ((1 << n) - 1)

    log = take(4) + 5
    counts, left = [], 1 << log
    while left > 0:
        width = (left + 1).bit_length()
        small = (1 << width) - 1 - (left + 1)
        v = take(width - 1)
        if v >= small:
            v |= take(1) << (width - 1)
            if v >= 1 << (width - 1):
                v -= small
        counts.append(v - 1)
        left -= abs(v - 1)
        if v == 1:
            while True:
                zeros = take(2)
                counts += [0] * zeros
                if zeros < 3:
                    break
    return counts, log, (at + 7) // 8


def fse_states(counts, log):
    """For each state: symbol, number of bits, base of the next state."""
    size = 1 << log
    symbols, high = [None] * size, size - 1
    for s, c in enumerate(counts):
        if c == -1:
            symbols[high] = s
            high -= 1
    at, step = 0, (size >> 1) + (size >> 3) + 3
    for s, c in enumerate(counts):
        for _ in range(max(c, 0)):
            symbols[at] = s
            at = (at + step) & (size - 1)
            while at > high:
                at = (at + step) & (size - 1)
    seen = [abs(c) for c in counts]
    states = []
    for s in symbols:
        n = log + 1 - seen[s].bit_length()
        states.append((s, n, (seen[s] << n) - size))
        seen[s] += 1
    return states


def fse(data, n):
    """The n symbols of one FSE stream: read from its end, two states in turn."""
    counts, log, used = fse_table(data)
    states = fse_states(counts, log)
    bits = int.from_bytes(data[used:], "little")
    left = bits.bit_length() - 1  # the highest bit only marks the end

    def take(width):
        nonlocal left
        left -= width
        assert left >= 0
        return (bits >> left) & ((1 << width) - 1)

    state, out = [take(log), take(log)], []
    for i in range(n):
        symbol, width, base = states[state[i & 1]]
        out.append(symbol)
        if i < n - 2:
            state[i & 1] = base + take(width)
    assert left == 0, "bits left over"
    return out


def warm_up(share):
    return 8 << share


def unfold(u, fraction):
    r = (u + 1) >> 1 if u & 1 else -(u >> 1)
    return r if fraction >= 0 else -r


def series(d, residuals, n, ref, edges):
    if d["predictor"] == 0:
        return [d["base"]] * n
    x = [d["base"]]
    if d["predictor"] <= 2:
        for i in range(1, n):
            p = x[-1] if d["predictor"] == 1 else 2 * x[-1] - x[max(i - 2, 0)]
            x.append(wrap(p + unfold(residuals[i - 1], 0), 32))
        return x
    last, gain = d["predictor"] - 2, d["gain"]
    load = (lambda i: (gain * ref[i]) >> 4) if gain else (lambda i: 0)
    level, slope = (x[0] << 20) - load(0), 0
    share, left = 1, warm_up(1)
    for i in range(1, n):
        if gain and i in edges:
            share, left = 1, warm_up(1)
        elif left == 0 and share < last:
            share += 1
            left = warm_up(share)
        p = level + slope
        q = p + load(i)
        k = (q + (1 << 19)) >> 20
        x.append(wrap(k + unfold(residuals[i - 1], q - (k << 20)), 32))
        e = (x[i] << 20) - q
        level = wrap(p + (e >> share), 64)
        slope = wrap(slope + (e >> (2 * share + 1)), 64)
        left = max(left - 1, 0)
    return x


def describe(block, n, base):
    head = block.byte()
    d = {"predictor": head & 15, "gain": 0, "gaps": [], "group": None}
    d["base"] = wrap(base + block.varint(), 32)
    if head & 0x20:
        d["gain"] = block.varint()
    if head & 0x10:
        at = 0
        for _ in range(block.uvarint()):
            start = at + block.uvarint()
            at = start + block.uvarint()
            d["gaps"].append((start, at))
    if d["predictor"]:
        d["group"] = block.uvarint()
    return d


def read_group(block, tokens):
    mode, payload, extra = block.byte(), block.bytes(), block.bytes()
    if mode == 0:
        t = list(payload)
    elif mode == 1:
        t = [payload[0]] * tokens
    else:
        t = fse(payload, tokens)
    assert len(t) == tokens
    return t, int.from_bytes(extra, "little"), mode


def numbers(tokens, extra):
    """The residuals' numbers of a whole group."""
    out = []
    for t in tokens:
        if t >= 64:
            w = (t - 64) // 4 + 4
            t = ((4 + (t - 64) % 4) << w) + (extra & ((1 << w) - 1))
            extra >>= w
        out.append(t)
    assert extra == 0, "extra bits left over"
    return out


def read(data):
    assert crc32c(data[:-4]) == int.from_bytes(data[-4:], "little"), "checksum"
    block = Input(data[:-4])
    assert block.byte() == 1, "version"
    n, m = block.uvarint(), block.uvarint()
    if n == 0:
        return []
    clocks = []
    for _ in range(3):
        if block.byte() == 0:
            clocks.append((block.varint(), block.varint()))
            continue
        column, v = [], 0
        for _ in range(n):
            v += block.varint()
            column.append(v)
        clocks.append(column)
    reference = block.uvarint() - 1
    limit = block.uvarint() if reference >= 0 else 0
    described, base = [], 0
    for place in [k for k in range(3) if isinstance(clocks[k], tuple)] + list(range(3, 3 + m)):
        d = describe(block, n, base)
        d["place"], base = place, d["base"]
        described.append(d)
    modes = set()
    for g in range(block.uvarint()):
        members = [d for d in described if d["group"] == g]
        tokens, extra, mode = read_group(block, len(members) * (n - 1))
        modes.add(mode)
        u = numbers(tokens, extra)
        for i, d in enumerate(members):
            d["u"] = u[i * (n - 1):(i + 1) * (n - 1)]
    assert block.at == len(block.data), "bytes left over"
    columns = {}
    ref, edges = None, set()
    for d in sorted(described, key=lambda d: d["gain"] != 0):
        if d["gain"] and ref is None:
            ref = columns[3 + reference]
            edges = {i for i in range(1, n) if limit and abs(ref[i] - ref[i - 1]) >= limit}
        columns[d["place"]] = series(d, d.get("u"), n, ref, edges)
    for d in described:
        for start, end in d["gaps"]:
            columns[d["place"]][start:end] = [NO_READING] * (end - start)
    for k in range(3):
        if isinstance(clocks[k], tuple):
            first, stride = clocks[k]
            clocks[k] = [first + i * stride + off for i, off in enumerate(columns[k])]
    print("modes", sorted(modes), "predictors", sorted({d["predictor"] for d in described}), file=sys.stderr)
    return [[wrap(clocks[0][i], 64)] + [clocks[k][i] & (1 << 64) - 1 for k in (1, 2)] + [columns[3 + c][i] for c in range(m)] for i in range(n)]


if __name__ == "__main__":
    with open(sys.argv[1], "rb") as file:
        for row in read(file.read()):
            print(",".join("" if v == NO_READING else str(v) for v in row))
