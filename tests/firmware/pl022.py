"""The RP2040's SPI block, chip select and timer at register level, for `fast` run as plain Python.

Runs under CPython and MicroPython. Source: ARM PL022 technical reference manual (DDI 0194), sections 2.3
and 3.3, and the RP2040 datasheet, both from memory: FIFOs of eight each way; what is written to a full one
is lost, and so is what is received into a full one (ROR); busy while anything is being sent or waits to be.
"""

SPI0 = 0x4003C000
SIO = 0xD0000000
TIMER = 0x40054000
CHIP_SELECT = 1 << 17
DEPTH = 8


class Registers:
    """at(address) is what `ptr32(address)` is to be: words by number.

    exchange: bytes out on MOSI → what MISO showed. select: the level of chip select. ticks_us: the timer;
    without it, time goes by with accesses, eight of them a microsecond. A byte takes eight accesses;
    together: nothing is sent until a register is read, and then all at once. broken: what must not happen.

    To spoil it: control0, control1; jams: bytes after which no more are sent; flips: {number of a byte: bits
    that are wrong in what is received}; frozen: the timer stands.
    """

    def __init__(self, exchange, select, ticks_us=None, together=False):
        self.control0 = 0x0F07
        self.control1 = 0x02
        self.jams = -1
        self.flips = {}
        self.frozen = False
        self.broken = []
        self.sent = 0
        self.level = 1
        self.accesses = 0
        self._exchange = exchange
        self._select = select
        self._ticks_us = ticks_us
        self._together = together
        self._to_send = []
        self._received = []
        self._began = 0

    def at(self, address):
        return {SPI0: _Spi, SIO: _Sio, TIMER: _Timer}[address](self)

    def now_us(self):
        return self._ticks_us() if self._ticks_us else self.accesses >> 3

    def wait_us(self, microseconds):
        self.accesses += microseconds << 3

    def time_goes_by(self, reading):
        self.accesses += 1
        if not self._to_send:
            self._began = self.accesses
        elif self.jams >= 0 and self.sent >= self.jams:
            pass
        elif self._together:
            if reading:
                self._send(self._to_send)
        elif self.accesses - self._began >= 8:
            self._began = self.accesses
            self._send(self._to_send[:1])

    def _send(self, data):
        if self.level:
            self.broken.append("a byte sent while chip select is high")
        self._to_send = self._to_send[len(data) :]
        for byte in self._exchange(bytes(data)):
            byte ^= self.flips.get(self.sent, 0)
            self.sent += 1
            if len(self._received) < DEPTH:
                self._received.append(byte)
            else:
                self.broken.append("a received byte lost")

    def status(self):
        return (
            (0x01 if not self._to_send else 0)
            | (0x02 if len(self._to_send) < DEPTH else 0)
            | (0x04 if self._received else 0)
            | (0x08 if len(self._received) == DEPTH else 0)
            | (0x10 if self._to_send else 0)
        )

    def put(self, byte):
        if len(self._to_send) < DEPTH:
            self._to_send.append(byte & 0xFF)  # bits above the frame's size are not sent
        else:
            self.broken.append("a byte to send lost")

    def take(self):
        return self._received.pop(0) if self._received else 0

    def choose(self, level):
        if level and self._to_send:
            self.broken.append("chip select high while bytes are being sent")
        self.level = level
        self._select(level)

    def empty(self):
        self._to_send = []
        self._received = []


class _Spi:
    def __init__(self, registers):
        self._registers = registers

    def __getitem__(self, word):
        r = self._registers
        r.time_goes_by(True)
        return {0: lambda: r.control0, 1: lambda: r.control1, 2: r.take, 3: r.status}[word]()

    def __setitem__(self, word, value):
        self._registers.time_goes_by(False)
        {2: self._registers.put}[word](value)


class _Sio:
    def __init__(self, registers):
        self._registers = registers

    def __setitem__(self, word, value):
        if value != CHIP_SELECT:
            self._registers.broken.append("another pin set than chip select")
        self._registers.choose({5: 1, 6: 0}[word])


class _Timer:
    def __init__(self, registers):
        self._registers = registers

    def __getitem__(self, word):
        r = self._registers
        r.time_goes_by(True)
        return {10: lambda: 0 if r.frozen else r.now_us() & 0xFFFFFFFF}[word]()
