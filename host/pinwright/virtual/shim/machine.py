# mypy: ignore-errors
"""`machine` for firmware that runs over the virtual board. Same file under MicroPython and CPython.

Pins and SPI are passed to the model over a socket on 127.0.0.1; everything else is local and says in its
docstring what it does not do. Nothing here allocates on the heap in SPI.write, SPI.readinto,
SPI.write_readinto, I2C.writeto_mem, I2C.readfrom_mem_into, ADC.read_u16, WDT.feed, Pin.on, Pin.off and
Pin.value.

What travels, one byte of operation in its upper three bits and a GPIO number in its lower five:
    000ggggg  let go, pull-up on     001ggggg  drive low
    010ggggg  drive high             011ggggg  let go, no pull-up
    100ggggg  read level; answered by one byte, 0 or 1
    10100000  n, n bytes: SPI, MISO not wanted               11000000  n, n bytes: SPI; answered by n bytes
    11100000  resynchronise; answered by MARK
    11100001  a program begins: from now on Ctrl-C interrupts; answered by one byte
    11100010  a program has ended: from now on Ctrl-C is a character; answered by one byte
    111001xx  the end of this interpreter: 00 hard reset, 01 soft reset, 10 soft reset to the raw prompt,
              11 off, as for the processor's boot loader
    11101000  a, n, n bytes: I2C, to address a; answered by one byte, 1 where a device is there
    11101001  a, n: I2C, from address a; answered by that byte and n bytes
    11101010  a, r, n: I2C, from register r of address a; answered likewise
    11101011  the temperature sensor; answered by two bytes, high byte first
    11101100  two bytes, high byte first: watchdog on, milliseconds
    11101101  it is fed    11101110  whether it is on; answered by one byte    11101111  b: on (1) or off (0)
Chip select is not sent by itself but before whatever comes next.
"""

import os
import sys
import time

try:
    from umachine import *  # the rest of MicroPython's own module  # noqa: F403
except ImportError:  # CPython
    pass

_PULL_UP, _LOW, _HIGH, _LET_GO, _LEVEL, _SPI_WRITE, _SPI_EXCHANGE = 0x00, 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0
_RESYNC, _BEGINS, _ENDED, _HARD, _SOFT, _SOFT_RAW, _OFF = 0xE0, 0xE1, 0xE2, 0xE4, 0xE5, 0xE6, 0xE7
_I2C_WRITE, _I2C_READ, _I2C_REGISTER, _SENSOR, _WATCH, _FED, _WATCHES, _WATCH_ENABLE = range(0xE8, 0xF0)
_CHIP_SELECT = 17
_MOST = 255  # bytes in one SPI operation
MARK = b"\xa5\x5aPINWRIGHT\x5a\xa5"


def _connect():
    import socket

    port, token = os.getenv("PINWRIGHT_PORT"), os.getenv("PINWRIGHT_TOKEN")
    if not port or not token:
        raise OSError("no virtual board: PINWRIGHT_PORT and PINWRIGHT_TOKEN are not set")
    plug = socket.socket()
    plug.connect(socket.getaddrinfo("127.0.0.1", int(port))[0][-1])
    small = sys.implementation.name == "micropython"
    plug.setsockopt(6, 1, b"\x01\x00\x00\x00" if small else 1)  # IPPROTO_TCP, TCP_NODELAY
    name = "MicroPython" if small else "CPython"
    version = ".".join([str(part) for part in sys.implementation.version[:3]])
    plug.send(("%s %s %s\n" % (token, name, version)).encode())
    return plug if hasattr(plug, "readinto") else _Counted(plug)


class _Counted:
    """A CPython socket with MicroPython's write(buffer, length) and readinto(buffer, length)."""

    def __init__(self, plug):
        self._plug = plug

    def write(self, buffer, length):
        self._plug.sendall(memoryview(buffer)[:length])
        return length

    def readinto(self, buffer, length):
        return self._plug.recv_into(buffer, length, 256)  # MSG_WAITALL


class _Wire:
    """The connection to the model, with one buffer each way."""

    def __init__(self):
        self._plug = _connect()
        self._out = bytearray(2 * _MOST)
        self._in = bytearray(1 + _MOST)
        self._waiting = 0  # bytes in _out
        self._busy = False  # Ctrl-C while it is set leaves an answer behind

    def post(self, byte):
        """Add an operation that has no answer to what is sent next."""
        if self._busy:
            self._resync()
        if self._waiting >= len(self._out):
            self.send()
        self._out[self._waiting] = byte
        self._waiting += 1

    def send(self):
        length, self._waiting = self._waiting, 0
        if self._plug.write(self._out, length) != length:
            self._lost()

    def _ask(self, length):
        """Send what waits and read the answer of that length into _in."""
        self.send()
        if self._plug.readinto(self._in, length) != length:
            self._lost()

    def ask(self, operation):
        """The one byte that answers an operation."""
        self._answer(operation, 1)
        return self._in[0]

    def word(self, operation):
        """The two bytes that answer an operation, as a number."""
        self._answer(operation, 2)
        return self._in[0] << 8 | self._in[1]

    def _answer(self, operation, length):
        """Send an operation, and read its answer into _in."""
        if self._busy:
            self._resync()
        self._busy = True  # before it is posted: Ctrl-C in between would leave an answer that nobody expects
        if self._waiting >= len(self._out):
            self.send()
        self._out[self._waiting] = operation
        self._waiting += 1
        self._ask(length)
        self._busy = False

    def spi(self, sent, fill, received):
        """Clock out `sent`, or `fill` as often as `received` is long; what comes back goes to `received`."""
        if self._busy:
            self._resync()
        self._busy = True
        out, seen = self._out, self._in
        total = len(received) if sent is None else len(sent)
        start = 0
        while start < total:
            count = min(total - start, _MOST)
            if self._waiting + 2 + count > len(out):
                self.send()
            at = self._waiting + 2
            out[at - 2] = _SPI_WRITE if received is None else _SPI_EXCHANGE
            out[at - 1] = count
            for i in range(count):
                out[at + i] = fill if sent is None else sent[start + i]
            self._waiting = at + count
            if received is None:
                self.send()
            else:
                self._ask(count)
                for i in range(count):
                    received[start + i] = seen[i]
            start += count
        self._busy = False

    def tell(self, operation, value, size):
        """Send an operation with a number of one or two bytes, high byte first; it has no answer."""
        if self._busy:
            self._resync()
        out = self._out
        if self._waiting + 1 + size > len(out):
            self.send()
        at = self._waiting
        out[at] = operation
        out[at + 1] = value >> 8 if size == 2 else value
        if size == 2:
            out[at + 2] = value & 0xFF
        self._waiting = at + 1 + size
        self.send()

    def i2c(self, address, register, sent, received):
        """One message to a device, or from it if `sent` is None; whether the device is there.

        register: what is sent first; negative: nothing.
        """
        if self._busy:
            self._resync()
        own = 1 if register >= 0 else 0
        count = len(received) if sent is None else own + len(sent)
        if count > _MOST:
            raise ValueError("at most 255 bytes in one message")
        self._busy = True
        out, seen = self._out, self._in
        if self._waiting + 4 + count > len(out):
            self.send()
        at = self._waiting
        out[at + 1] = address
        if sent is None:
            out[at] = _I2C_REGISTER if own else _I2C_READ
            if own:
                out[at + 2] = register
            out[at + 2 + own] = count
            self._waiting = at + 3 + own
            self._ask(1 + count)
            for i in range(count):
                received[i] = seen[1 + i]
        else:
            out[at] = _I2C_WRITE
            out[at + 2] = count
            if own:
                out[at + 3] = register
            for i in range(len(sent)):
                out[at + 3 + own + i] = sent[i]
            self._waiting = at + 3 + count
            self._ask(1)
        self._busy = False
        return seen[0] != 0

    def _resync(self):
        """After Ctrl-C in the middle of something: throw away answers that nobody waits for."""
        self._out[0] = _RESYNC
        found = 0
        if self._plug.write(self._out, 1) != 1:
            self._lost()
        while found < len(MARK):
            if self._plug.readinto(self._in, 1) != 1:
                self._lost()
            found = found + 1 if self._in[0] == MARK[found] else int(self._in[0] == MARK[0])
        self._waiting = 0
        self._busy = False

    def _lost(self):
        sys.exit("the virtual board is gone")


_wire = _Wire()


class Pin:
    """A GPIO of the RP2040. Interrupts never come; there are no pull-downs."""

    IN, OUT, OPEN_DRAIN, ALT = 0, 1, 2, 3
    PULL_UP, PULL_DOWN = 1, 2
    IRQ_RISING, IRQ_FALLING = 8, 4

    def __init__(self, id, mode=-1, pull=-1, *, value=None, alt=-1):
        self._gpio = int(id[2:]) if isinstance(id, str) else id
        self._drives = False
        self._level = 0
        self.init(mode, pull, value=value)

    def init(self, mode=-1, pull=-1, *, value=None, alt=-1):
        if mode == self.OUT or mode == self.OPEN_DRAIN:
            self._drives = True
            self._set(self._level if value is None else value)
        elif mode == self.IN:
            self._drives = False
            _wire.post((_PULL_UP if pull == self.PULL_UP else _LET_GO) | self._gpio)
            _wire.send()

    def _set(self, level):
        self._level = 1 if level else 0
        if self._drives:
            _wire.post((_HIGH if level else _LOW) | self._gpio)
            if self._gpio != _CHIP_SELECT:
                _wire.send()

    def value(self, level=None):
        if level is not None:
            return self._set(level)
        return _wire.ask(_LEVEL | self._gpio)  # of an output too: what is there, not what it should be

    __call__ = value

    def on(self):
        self._set(1)

    def off(self):
        self._set(0)

    high, low = on, off

    def toggle(self):
        self._set(1 - self._level)

    def irq(self, handler=None, trigger=0, **_):
        """Accepted; never fires."""


class SPI:
    """SPI to the expanders. Rate, mode and pins are accepted; the virtual wires are always fast enough."""

    MSB, LSB = 1, 0

    def __init__(self, id, baudrate=1_000_000, **_):
        pass

    def init(self, *_, **__):
        pass

    def deinit(self):
        pass

    def write(self, buffer):
        _wire.spi(buffer, 0, None)

    def readinto(self, buffer, write=0):
        _wire.spi(None, write, buffer)

    def write_readinto(self, write_buffer, read_buffer):
        if len(write_buffer) != len(read_buffer):
            raise ValueError("buffers must be the same length")
        _wire.spi(write_buffer, 0, read_buffer)

    def read(self, length, write=0):
        buffer = bytearray(length)
        _wire.spi(None, write, buffer)
        return bytes(buffer)


class I2C:
    """I2C0, with what the virtual board has on it; I2C1 has nothing. Rate, pins and `stop` are accepted."""

    def __init__(self, id=-1, *, scl=None, sda=None, freq=400_000, timeout=50_000):
        self._there = id == 0

    def _message(self, addr, register, sent, received):
        if not (self._there and _wire.i2c(addr, register, sent, received)):
            raise OSError(19)  # ENODEV; MicroPython says EIO of some failures, ENODEV of this one

    def scan(self):
        return [addr for addr in range(0x08, 0x78) if self._there and _wire.i2c(addr, -1, b"", None)]

    def writeto(self, addr, buf, stop=True):
        self._message(addr, -1, buf, None)
        return len(buf)

    def readfrom(self, addr, nbytes, stop=True):
        buf = bytearray(nbytes)
        self._message(addr, -1, None, buf)
        return bytes(buf)

    def readfrom_into(self, addr, buf, stop=True):
        self._message(addr, -1, None, buf)

    def writeto_mem(self, addr, memaddr, buf, *, addrsize=8):
        if addrsize != 8:
            raise ValueError("register numbers of 8 bits only")
        self._message(addr, memaddr & 0xFF, buf, None)

    def readfrom_mem(self, addr, memaddr, nbytes, *, addrsize=8):
        buf = bytearray(nbytes)
        self.readfrom_mem_into(addr, memaddr, buf, addrsize=addrsize)
        return bytes(buf)

    def readfrom_mem_into(self, addr, memaddr, buf, *, addrsize=8):
        if addrsize != 8:
            raise ValueError("register numbers of 8 bits only")
        self._message(addr, memaddr & 0xFF, None, buf)


class ADC:
    """Channel 4 is the RP2040's temperature sensor; others show 0 V."""

    CORE_TEMP = 4

    def __init__(self, channel):
        self._senses = channel == 4

    def read_u16(self):
        return _wire.word(_SENSOR) if self._senses else 0


class Timer:
    """Accepted; never fires."""

    ONE_SHOT, PERIODIC = 0, 1

    def __init__(self, id=-1, **_):
        pass

    def init(self, **_):
        pass

    def deinit(self):
        pass


class WDT:
    """The watchdog: resets the board as the button does, unless it is fed in time."""

    def __init__(self, id=0, timeout=5000):
        if id != 0 or not 1 <= timeout <= 8388:  # the RP2040's counter holds no more (datasheet, 4.7)
            raise ValueError("there is one watchdog, of 1 to 8388 ms")
        _wire.tell(_WATCH, timeout, 2)

    def feed(self):
        _wire.post(_FED)
        _wire.send()


class _Memory:
    """The processor's registers. Only the watchdog's CTRL is there, and of that its bit ENABLE.

    Source: RP2040 datasheet, section 4.7 (WATCHDOG at 0x40058000, CTRL first, ENABLE bit 30), from memory.
    """

    _CTRL, _ENABLE = 0x40058000, 1 << 30

    def _check(self, address):
        if address != self._CTRL:
            raise ValueError("the virtual board has no register at 0x%08X" % address)

    def __getitem__(self, address):
        self._check(address)
        return self._ENABLE if _wire.ask(_WATCHES) else 0

    def __setitem__(self, address, value):
        self._check(address)
        _wire.tell(_WATCH_ENABLE, value >> 30 & 1, 1)


mem32 = _Memory()


def unique_id():
    """Eight bytes that belong to the virtual board's seed."""
    text = os.getenv("PINWRIGHT_BOARD_ID")
    return bytes([int(text[i : i + 2], 16) for i in range(0, 16, 2)])


def reset():
    """As the reset button: the port vanishes, everything starts again."""
    _end(_HARD)


def soft_reset():
    """The interpreter starts again; pins stay as they are. As on a board, by a SystemExit."""
    raise SystemExit


def bootloader(timeout=0):
    """The board is no longer one of MicroPython: its port vanishes."""
    _end(_OFF)


def start_again(raw):
    """A soft reset, to the raw prompt or not. Only for the console."""
    _end(_SOFT_RAW if raw else _SOFT)


def _end(operation):
    _wire.post(operation)
    _wire.send()
    while True:  # nothing more is done by this interpreter, not even `finally`
        time.sleep(1)


def program_begins():
    """From now on Ctrl-C interrupts. Only for the console."""
    _wire.ask(_BEGINS)


def program_ended():
    """From now on Ctrl-C is a character (0x18, since 0x03 always interrupts). Only for the console."""
    _wire.ask(_ENDED)


def freq(hz=None):
    return 125_000_000


def idle():
    pass
