"""Lines out and commands in, as firmware_notes/protocol.md defines them. Pure: no pins, no clock."""

from array import array

LONGEST_COMMAND = 128  # bytes, line end included
FULL = 2048  # bytes of output that may wait; more than the longest line with its answers
RANGES = {  # in thousandths, with the reason of a refusal
    b"who": None,
    b"rate": (200, 100000, "0.2-to-100"),
    b"beat": None,
    b"silence": (200, 1500, "0.2-to-1.5"),
    b"open": None,
    b"acknowledge": None,
}


def _table():
    rows = array("H")
    for byte in range(256):
        value = byte << 8
        for _ in range(8):
            value = (value << 1 ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
        rows.append(value)
    return rows


_TABLE = _table()


def crc(data, value=0xFFFF):
    """CRC-16/IBM-3740 of `data`; `value` goes on from an earlier piece."""
    table = _TABLE
    for byte in data:
        value = (value << 8 & 0xFF00) ^ table[value >> 8 ^ byte]
    return value


def line(body):
    """A whole line: the body, its CRC, CR LF."""
    data = body.encode()
    return data + b",%04X\r\n" % crc(data)


def scan_steps(sequence, ms, counts, flags):
    """Write a scan's line in small steps, so that no conversion waits for it: yields None, last the line."""
    fields = ["S", str(sequence), str(ms)]
    fields.extend(["-" if count is None else str(count) for count in counts])
    fields.append("%04X" % flags)
    text = bytearray()
    value = 0xFFFF
    for i in range(0, len(fields), 4):
        piece = (("," if text else "") + ",".join(fields[i : i + 4])).encode()
        text.extend(piece)
        value = crc(piece, value)
        yield None
    text.extend(b",%04X\r\n" % value)
    yield text


def banner(board_id, reset_cause, scales):
    """The banner's line; `scales` has (volts per count as text, full count) of each channel."""
    fields = ",".join(["%s,%d" % scale for scale in scales])
    return line(f"B,1,{board_id},{reset_cause},{len(scales)},{fields}")


def thousandths(text):
    """The number that `text` (bytes) holds in thousandths; None for what is none.

    Up to four digits, then up to three decimals; no sign, no exponent, no leading zeros.
    """
    whole, point, decimals = text.partition(b".")
    if not whole.isdigit() or len(whole) > 4 or (len(whole) > 1 and whole[:1] == b"0"):
        return None
    if point and not (decimals.isdigit() and len(decimals) <= 3):
        return None
    return int(whole) * 1000 + int((decimals + b"000")[:3])


def decimal(value):
    """Thousandths as text, without useless zeros."""
    whole, rest = divmod(value, 1000)
    return str(whole) if not rest else f"{whole}.{rest:03d}".rstrip("0")


def _nameable(name):
    for byte in name:
        if not 0x21 <= byte <= 0x7E:
            return False
    return len(name) > 0


class Listener:
    """Bytes from the host in, commands out; what has a wrong CRC or is too long is dropped whole."""

    def __init__(self):
        self._heard = bytearray(LONGEST_COMMAND)
        self._length = 0

    def hear(self, data, length):
        """Take the first `length` bytes of `data`; the commands they complete: (name, value, why refused)."""
        commands = []
        for i in range(length):
            byte = data[i]
            if byte == 0x0A or byte == 0x0D:
                if 0 < self._length < LONGEST_COMMAND:
                    command = self._read(bytes(memoryview(self._heard)[: self._length]))
                    if command:
                        commands.append(command)
                self._length = 0
            elif self._length >= LONGEST_COMMAND - 1:
                self._length = LONGEST_COMMAND  # too long: drop up to the next line end
            else:
                self._heard[self._length] = byte
                self._length += 1
        return commands

    def _read(self, heard):
        body = heard[:-5]
        if heard[-5:] != b",%04X" % crc(body):
            return None
        fields = body.split(b",")
        name = fields[0]
        if name not in RANGES:
            return (name.decode(), None, "unknown") if _nameable(name) else None
        allowed = RANGES[name]
        known = name.decode()
        if len(fields) != (2 if allowed else 1):
            return (known, None, "wrong-field-count")
        if not allowed:
            return (known, None, None)
        value = thousandths(fields[1])
        if value is None:
            return (known, None, "not-a-number")
        if not (allowed[0] <= value <= allowed[1] or (known == "rate" and value == 0)):
            return (known, None, allowed[2])
        return (known, value, None)


class Output:
    """What waits for the host. A line is taken whole or not at all, so that nothing ever waits for a host."""

    def __init__(self, write):
        self._write = write  # takes (buffer, from, to), returns how many bytes it took
        self._bytes = bytearray(FULL)
        self._from = 0
        self._to = 0

    def offer(self, text):
        """Queue a line; False where there is no room for all of it."""
        if self._from and self._to + len(text) > FULL:
            left = self._to - self._from
            self._bytes[:left] = self._bytes[self._from : self._to]
            self._from, self._to = 0, left
        if self._to + len(text) > FULL:
            return False
        self._bytes[self._to : self._to + len(text)] = text
        self._to += len(text)
        return True

    def turn(self):
        """Give the host what it takes now."""
        if self._from < self._to:
            self._from += self._write(self._bytes, self._from, self._to)
            if self._from == self._to:
                self._from = self._to = 0
