"""Scans at the told rate from one to four ADS1115-type converters, without ever waiting for one.

Register numbers, bits and ranges: data sheet SBAS444 (ADS111x, Texas Instruments), section "Register map".

Each channel is read at evenly spaced instants over exactly 100 ms: whole cycles of 50 and of 60 Hz, so that
their hum, and the ripple at twice that, add up to nothing. How often is a prime number: then no harmonic of
50 or 60 Hz below that number falls on the sampling itself.
"""

CONVERSION, CONFIG, LOW, HIGH = 0, 1, 2, 3  # SBAS444: address pointer register
START = 0x8000  # SBAS444, config bit 15: written 1 starts a conversion, read 1 none is running
SINGLE = 0x0100  # bit 8: single shot
FASTEST = 0x00E0  # bits 7:5 = 111: 860 conversions/s
QUIET = 0x0003  # bits 1:0 = 11: comparator off
FIRST_ADDRESS = 0x48  # SBAS444: address pin to ground; then supply, SDA, SCL
MUX = {(0, 1): 0, (0, 3): 1, (1, 3): 2, (2, 3): 3, 0: 4, 1: 5, 2: 6, 3: 7}  # bits 14:12
GAIN = {6144: 0, 4096: 1, 2048: 2, 1024: 3, 512: 4, 256: 5}  # bits 11:9
VOLTS_PER_COUNT = {
    6144: "0.0001875",
    4096: "0.000125",
    2048: "6.25e-05",
    1024: "3.125e-05",
    512: "1.5625e-05",
    256: "7.8125e-06",
}
# No input may rise above the supply, whatever the range: from 3.3 V on it is railed.
FULL_COUNT = {6144: 17600, 4096: 26400, 2048: 32767, 1024: 32767, 512: 32767, 256: 32767}

WINDOW_US = 100000
CONVERSION_US = 1400  # SBAS444: 1/860 s, 10 % slower at the worst, and the wake-up
SERVE_US = 600  # to read and start one converter at 400 kHz, three transfers; estimated
SPARE_US = 300  # for the rest of the main loop
WAIT_US = 400  # what comes so soon is waited for, so that it is not late
ROUNDS = (47, 43, 41, 37, 31, 29, 23, 19, 17, 13, 11, 7)
TEST_AGAIN_US = 1000000


def scales(channels):
    """(volts per count, full count) of each channel, for the banner."""
    return [(VOLTS_PER_COUNT[c["full_scale_mV"]], FULL_COUNT[c["full_scale_mV"]]) for c in channels]


def rounds(window_us, converters, inputs):
    """How often each channel is read in a window, with so many converters of at most so many channels."""
    slot_us = max(CONVERSION_US + SERVE_US, converters * SERVE_US + SPARE_US)
    room = window_us // (inputs * slot_us)
    if window_us == WINDOW_US:
        for number in ROUNDS:
            if number <= room:
                return number
    return max(1, room)


class Converter:
    """One converter. `good` after its test, until it does not answer or has lost its configuration."""

    def __init__(self, board, address):
        self._board = board
        self._address = address
        self._running = 0
        self._ready_us = board.ticks_us()
        self.good = False
        self.whole = False
        self.inputs = []  # (channel, configuration)

    def test(self):
        """Whether registers keep what is written, and a conversion is done in time; takes some 3 ms."""
        self.good = False
        board, address = self._board, self._address
        try:
            for register, value in ((LOW, 0x5A50), (HIGH, 0x2D20), (LOW, 0x8000), (HIGH, 0x7FFF)):
                board.write_register(address, register, value)
                if board.read_register(address, register) != value:
                    return
            self.start(self.inputs[0][1])
            self.read()
        except OSError:
            return
        self.good = True

    def start(self, configuration):
        """Begin a conversion."""
        self._running = configuration
        self._board.write_register(self._address, CONFIG, configuration)
        self._ready_us = self._board.ticks_add(self._board.ticks_us(), CONVERSION_US)

    def read(self, checked=True):
        """The count of the conversion begun last; OSError where it is not that one's."""
        left_us = self._board.ticks_diff(self._ready_us, self._board.ticks_us())
        if 0 < left_us <= CONVERSION_US:  # only where the main loop was late and now catches up
            self._board.wait_us(left_us)
        # a converter that lost its supply has lost this too, and would give 0
        if self._finished() != self._running and checked:
            raise OSError("converter was reset")
        count = self._board.read_register(self._address, CONVERSION)
        return count - 65536 if count & 0x8000 else count

    def _finished(self):
        """The configuration, once no conversion is running."""
        late = False
        while True:
            configuration = self._board.read_register(self._address, CONFIG)
            if configuration & START:
                return configuration
            if late:
                raise OSError("conversion does not end")
            # one more look once the time is up: this core may have stood still before it got here
            late = self._board.ticks_diff(self._board.ticks_us(), self._ready_us) > CONVERSION_US


class Scanner:
    """Goes through the channels at the rate it was told; `turn` does the next small step that is due."""

    def __init__(self, board, channels):
        self._board = board
        self._full = [FULL_COUNT[channel["full_scale_mV"]] for channel in channels]
        self._converters = []
        by_number = {}
        for i, channel in enumerate(channels):
            pin = channel["pin"]
            number = (pin[0] if isinstance(pin, list) else pin) // 4
            if number not in by_number:
                by_number[number] = Converter(board, FIRST_ADDRESS + number)
                self._converters.append(by_number[number])
            which = (pin[0] % 4, pin[1] % 4) if isinstance(pin, list) else pin % 4
            gain = GAIN[channel["full_scale_mV"]]
            configuration = START | MUX[which] << 12 | gain << 9 | SINGLE | FASTEST | QUIET
            by_number[number].inputs.append((i, configuration))
        self._most = max([len(converter.inputs) for converter in self._converters])
        self._sums = [0] * len(channels)
        self._rail = [0] * len(channels)
        self.rate = 0  # thousandths of a scan a second
        self.sequence = 0  # of the next scan
        self._place = 0
        self.fault = False
        """Whether a converter does not answer or fails its test."""
        self._test(self._converters)

    def set_rate(self, rate):
        """Take so many thousandths of a scan a second from now on. The same rate again changes nothing."""
        if rate == self.rate:
            return
        self.rate = rate
        if rate:
            self._period_us = (1000000000 + rate // 2) // rate
            self._window_us = min(self._period_us, WINDOW_US)
            self._rounds = rounds(self._window_us, len(self._converters), self._most)
            self._steps = self._rounds * self._most
            self._due_us = self._board.ticks_add(self._board.ticks_us(), 2 * WAIT_US)
            self._chained = self._period_us == self._window_us
            self._plan(0, False)

    def _plan(self, late_us, begun):
        """The next window ends a period after the last one's due end, or as many as have gone by."""
        periods = 1 + max(0, late_us) // self._period_us
        self.sequence = (self.sequence + periods - 1) & 0xFFFFFFFF
        add = self._board.ticks_add
        for _ in range(periods):  # one by one: all together may be more than ticks hold
            self._due_us = add(self._due_us, self._period_us)
        self._begin_us = add(self._due_us, -self._window_us)
        # where windows follow each other without a gap, the next one's first conversions have just begun
        self._place = 1 if begun and periods == 1 else 0
        for i in range(len(self._sums)):
            self._sums[i] = self._rail[i] = 0
        for converter in self._converters:
            converter.whole = converter.good

    def turn(self):
        """Do what is due. At the end of a window: (sequence, counts, whether a converter was at fault)."""
        board = self._board
        now = board.ticks_us()
        if self.fault and board.ticks_diff(now, self._tested_us) >= TEST_AGAIN_US:
            board.free_bus()
            self._test([converter for converter in self._converters if not converter.good])
        if not self.rate:
            return None
        due_us = board.ticks_add(self._begin_us, self._window_us * self._place // self._steps)
        left_us = board.ticks_diff(due_us, now)
        if left_us > WAIT_US:
            return None
        if left_us > 0:
            board.wait_us(left_us)
            now = board.ticks_us()
        place, last = self._place, self._place == self._steps
        for converter in self._converters:
            self._serve(converter, place, last)
        if not last:
            self._place += 1
            return None
        scan = (self.sequence, self._counts(), not all([converter.whole for converter in self._converters]))
        self.sequence = (self.sequence + 1) & 0xFFFFFFFF
        self._plan(board.ticks_diff(now, self._due_us), self._chained)
        return scan

    def _serve(self, converter, place, last):
        if not converter.good:
            return
        inputs, most = converter.inputs, self._most
        try:
            if (place - 1) % most < len(inputs):
                # read at the first place too, where there is nothing yet: all begin equally late after it
                count = converter.read(checked=place > 0)
                if place:
                    self._add(inputs[(place - 1) % most][0], count)
            if (self._chained or not last) and place % most < len(inputs):
                converter.start(inputs[place % most][1])
        except OSError:
            converter.good = converter.whole = False
            self.fault = True
            self._tested_us = self._board.ticks_us()

    def _add(self, channel, count):
        self._sums[channel] += count
        full = self._full[channel]
        if abs(count) >= full:
            self._rail[channel] = full if count > 0 else -full

    def _counts(self):
        """The window's means; the full count where one reading was railed, None without all readings."""
        counts = [None] * len(self._sums)
        half = self._rounds // 2
        for converter in self._converters:
            if converter.whole:
                for channel, _ in converter.inputs:
                    mean = (self._sums[channel] + half) // self._rounds
                    counts[channel] = self._rail[channel] or mean
        return counts

    def _test(self, converters):
        for converter in converters:
            converter.test()
        self._tested_us = self._board.ticks_us()
        self.fault = not all([converter.good for converter in self._converters])
