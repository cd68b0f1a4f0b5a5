"""The only pin numbers, and how the parts of this board are put together.

Checked against hardware/board.toml and hardware/channels.csv by a test.
"""

import sys
from time import sleep_us

from machine import ADC, I2C, SPI, Pin, unique_id
from micropython import const

from tester.about import POCKET_24, BoardFileFault, read_board_file
from tester.bank import ExpanderBank
from tester.converter import Converter
from tester.expander import Expanders
from tester.frames import to_hex
from tester.panel import Panel
from tester.pocket import PocketBank

SPI_SCK = const(18)
SPI_MOSI = const(19)
SPI_MISO = const(16)
SPI_CS = const(17)
EXPANDER_RESET = const(20)
I2C_SDA = const(4)
I2C_SCL = const(5)
SUPPLY_MODE = const(23)  # high: the Pico's supply in low-ripple mode
LAMP_RED = const(12)
LAMP_GREEN = const(13)
SPI_BAUD = const(8_000_000)
I2C_BAUD = const(400_000)
_I2C_TIMEOUT_US = const(5000)
_SENSOR = const(4)  # the channel of the RP2040's own temperature sensor
# Point p of the pocket tester is the p-th of these; no lamps there.
POCKET_PINS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 26)

# Points joined on the board itself, where their chip is fitted: 0 ohm and 10.0 ohm.
REFERENCES = ((121, 122), (123, 124))


class Board:
    """This board: what is fitted, its bank of points, its lamps, its name.

    converter, sensor: the ohms lane's, or None where there is none.
    """

    def __init__(self):
        Pin(SUPPLY_MODE, Pin.OUT, value=1)
        self.id = to_hex(unique_id())
        self.fault = ""
        self.panel = Panel(None, None)
        self.converter = self.sensor = None
        try:
            self.fixture, self.name, fitted, lane = read_board_file()
        except BoardFileFault:  # which pins are points is not known: none is touched
            self.fault = "board-file"
            self.fixture, self.name, fitted, lane = "", "", 0, False
        if self.fault:
            self.bank = PocketBank([], sleep_us)
        elif self.fixture == POCKET_24:
            self.bank = PocketBank([Pin(gpio, Pin.IN) for gpio in POCKET_PINS], sleep_us)
        else:
            self.panel = Panel(Pin(LAMP_RED, Pin.OUT, value=0), Pin(LAMP_GREEN, Pin.OUT, value=0))
            self.bank = _expander_bank(fitted)
        if lane:
            self.converter = Converter(_i2c())
            self.sensor = ADC(_SENSOR)
        self.references = [pair for pair in REFERENCES if max(pair) < self.bank.points]


def _expander_bank(fitted):
    spi = SPI(
        0,
        baudrate=SPI_BAUD,
        polarity=0,
        phase=0,
        sck=Pin(SPI_SCK),
        mosi=Pin(SPI_MOSI),
        miso=Pin(SPI_MISO),
    )
    chips = Expanders(
        spi,
        Pin(SPI_CS, Pin.OUT, value=1),
        Pin(EXPANDER_RESET, Pin.OUT, value=1),
        fitted,
    )
    bank = ExpanderBank(chips, sleep_us)
    if on_rp2040():
        choose_bus(bank)
    return bank


def _i2c():
    return I2C(0, scl=Pin(I2C_SCL), sda=Pin(I2C_SDA), freq=I2C_BAUD, timeout=_I2C_TIMEOUT_US)


def on_rp2040():
    """Whether the registers that `fast` knows are there: a port of that name runs on other chips as well."""
    return sys.platform == "rp2" and "RP2040" in getattr(sys.implementation, "_machine", "")


def choose_bus(bank):
    """The fast path, if it loads and agrees with the portable one on this board; `bank.bus` says which."""
    bank.bus = "fallback"
    try:
        from tester import fast

        if fast.agrees(bank):
            bank.take(fast)
    except Exception:  # whatever it is, the portable path is there, and `hello` tells
        pass
