"""The fast path does what the portable one does: over a model of the RP2040's registers, to the last bit."""

from __future__ import annotations

import builtins
import importlib
import random
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from pinwright.virtual.bench import Bench
from pinwright.virtual.board import VirtualBoard

from ..random_cables import cable, faulty
from . import pl022
from .conftest import FIRMWARE, POINT_OF, STAND_INS

MODULES = ("expander", "bank", "scanner", "fast")


class Bank:
    """The firmware's own bank over a virtual board, portable or fast, and all that can be seen of it."""

    def __init__(self, modules: SimpleNamespace, bench: dict[str, object], together: bool = False) -> None:
        self.board = VirtualBoard(Bench.from_dict(bench), POINT_OF, clock=lambda: 0.0)
        self.registers = pl022.Registers(
            self.board.exchange, lambda level: self.board.set_pin(17, level), together=together
        )
        modules.pointers[:] = [self.registers.at]
        modules.clock[:] = [self.registers.now_us]
        self._modules = modules
        chips = modules.expander.Expanders(self, self._pin(17), self._pin(20), self.board_fitted)
        self.bank = modules.bank.ExpanderBank(chips, self.registers.wait_us)

    @property
    def board_fitted(self) -> int:
        return len(self.board.chips)

    def _pin(self, gpio: int) -> SimpleNamespace:
        return SimpleNamespace(value=lambda level: self.board.set_pin(gpio, level))

    def write_readinto(self, sent: bytearray, seen: bytearray) -> None:
        """As `machine.SPI`."""
        seen[:] = self.board.exchange(bytes(sent))

    def hasten(self) -> bool:
        """Choose the fast path as the board does."""
        agreed = bool(self._modules.fast.agrees(self.bank))
        if agreed:
            self.bank.take(self._modules.fast)
        return agreed

    def scan(self, in_large: bytes = bytes(128)) -> dict[str, Any]:
        """From any state to a finished scan: everything that was seen and done."""
        before = self.bank.transfers(), self.bank.slips()
        idle, low = bytearray(self.bank.ports), bytearray(self.bank.ports)
        self.bank.begin()
        self.bank.read(idle, 0)
        self.bank.all_low(low, 20)
        scanner = self._modules.scanner.Scanner(self.bank, lambda: None)
        scanner.scan(in_large[: self.bank.points], 20)
        self.bank.verify()
        self.bank.let_go()
        seen = ("seen", "joined", "doubtful", "apart", "group", "unexplained")
        return {
            **{name: bytes(getattr(scanner, name)) for name in seen},
            **{name: getattr(scanner, name) for name in ("walk_transfers", "doubts", "slips")},
            "idle": bytes(idle),
            "low": bytes(low),
            "transfers": self.bank.transfers() - before[0],
            "bus slips": self.bank.slips() - before[1],
            "chips": self.chips(),
        }

    def chips(self) -> list[bytes]:
        """All registers of all chips."""
        return [bytes(chip._registers) for chip in self.board.chips]

    def driven(self) -> list[int]:
        return [16 * n + bit for n, chip in enumerate(self.board.chips) for bit in range(16)
                if chip.outputs >> bit & 1]  # fmt: skip


@pytest.fixture
def modules(monkeypatch: pytest.MonkeyPatch) -> Iterator[SimpleNamespace]:
    """The firmware's modules under this very Python. pointers[0] is what `ptr32` does, clock[0] the time."""
    found = SimpleNamespace(pointers=[None], clock=[lambda: 0])
    monkeypatch.setattr(builtins, "ptr8", lambda buffer: buffer, raising=False)
    monkeypatch.setattr(builtins, "ptr32", lambda address: found.pointers[0](address), raising=False)
    monkeypatch.setattr(time, "ticks_us", lambda: found.clock[0](), raising=False)
    monkeypatch.setattr(time, "ticks_diff", lambda end, start: end - start, raising=False)
    monkeypatch.setattr(sys, "path", [str(FIRMWARE), str(STAND_INS), *sys.path])
    ours = {name: sys.modules.pop(name) for name in list(sys.modules) if _is_firmware(name)}
    for name in MODULES:
        setattr(found, name, importlib.import_module(f"tester.{name}"))
    yield found
    for name in [name for name in sys.modules if _is_firmware(name)]:
        del sys.modules[name]
    sys.modules.update(ours)


def _is_firmware(name: str) -> bool:
    return name in ("tester", "micropython") or name.startswith("tester.")


def _bench(seed: int) -> dict[str, object]:
    """A board and a cable with faults: nets of all sizes, paths around the threshold, 5 or 8 chips."""
    chance = random.Random(f"fast {seed}")
    fitted = (8, 5)[seed % 2]
    pins = [f"P.{p}" for p in range(16 * fitted if fitted < 8 else 120)]
    sizes = [lambda c: 2, lambda c: c.choice([1, 2, 3, 9, 17, 30]), lambda c: c.randint(1, 8)]
    _, links = cable(chance, pins, sizes)
    links = faulty(chance, pins, links, 12)
    return {
        "tester": {"seed": seed, "fitted": fitted},
        "link": [
            *({"pins": link, "ohms": chance.choice([0.1, 0.1, 0.1, 2000])} for link in links),
            *({"pins": chance.sample(pins, 2), "ohms": 24_000 + 6000 * n} for n in range(5)),
        ],
    }


@pytest.mark.parametrize("seed", range(6))
def test_a_scan_is_the_same_to_the_last_bit_whichever_path_it_takes(seed, modules):
    bench = _bench(seed)
    in_large = bytes(random.Random(seed).choice([0, 0, 0, 1]) for _ in range(128))
    portable = Bank(modules, bench)
    expected = portable.scan(in_large)
    fast = Bank(modules, bench)
    assert fast.hasten()
    assert "fast" == fast.bank.bus
    assert expected == fast.scan(in_large)
    assert [] == fast.registers.broken
    assert any(expected["seen"])


def test_the_walk_goes_through_the_registers_and_takes_ten_transfers_a_point(modules):
    fast = Bank(modules, {"link": [{"pins": ["P.1", "P.2"]}]})
    assert fast.hasten()
    before = fast.registers.sent
    scan = fast.scan()
    assert 1280 == scan["walk_transfers"]
    assert fast.registers.sent - before >= 128 * 44


@pytest.mark.parametrize("seed", range(2))
def test_a_look_for_a_probe_is_the_same_whichever_path_it_takes(seed, modules):
    rows = []
    for hasten in (False, True):
        bank = Bank(modules, _bench(seed))
        if hasten:
            assert bank.hasten()
        bank.bank.begin()
        before, slips = bank.bank.transfers(), bank.bank.slips()
        held, low = bytearray(bank.bank.ports), bytearray(bank.bank.ports)
        for point in range(0, bank.bank.points, 7):
            bank.bank.touch(point, held, low, 400)
            bank.bank.let_go()
            rows.append((bytes(held), bytes(low), bank.bank.slips() - slips, bank.chips()))
        rows.append(bank.bank.transfers() - before)
        assert ("fast" if hasten else "portable") == bank.bank.bus
    half = len(rows) // 2
    assert rows[:half] == rows[half:]
    assert any(sum(low) for _, low, _, _ in rows[: half - 1])


def test_the_comparison_leaves_the_chips_as_the_start_of_a_check_does(modules):
    one, two = Bank(modules, {}), Bank(modules, {})
    assert two.hasten()
    one.bank.begin()
    one.bank.let_go()
    assert one.chips() == two.chips()
    assert [] == two.driven()


def test_a_cable_full_of_bad_contacts_does_not_keep_the_fast_path_from_being_chosen(modules):
    for seed in range(4):
        assert Bank(modules, _bench(seed)).hasten()


def _spoil(name: str, value: Any) -> Callable[[Bank], None]:
    return lambda bank: setattr(bank.registers, name, value)


@pytest.mark.parametrize(
    "spoil",
    [
        _spoil("control0", 0x0F0F),  # sixteen bits a frame
        _spoil("control0", 0x0FC7),  # mode 3
        _spoil("control1", 0x00),  # not enabled
        _spoil("control1", 0x06),  # slave
        _spoil("control1", 0x03),  # looped back
        _spoil("jams", 0),
        _spoil("jams", 3),
        _spoil("jams", 40),
        _spoil("frozen", True),
        _spoil("flips", dict.fromkeys(range(10_000), 0x20)),
        lambda bank: bank.registers.put(0x40),  # something is still being sent, for ever
        lambda bank: setattr(bank.registers, "status", lambda: 0x03 | 0x04),  # something is always received
    ],
)  # fmt: skip
def test_a_block_that_is_not_as_expected_is_not_used(spoil, modules):
    bank = Bank(modules, {})
    spoil(bank)
    if bank.registers._to_send:
        bank.registers.jams = 0
    assert not bank.hasten()
    assert 1 == bank.registers.level
    assert [] == bank.driven()
    assert "portable" == bank.bank.bus
    assert any(bank.scan()["seen"])


def test_a_wrong_address_on_the_way_to_a_chip_is_noticed(modules, monkeypatch):
    """What is written goes to another chip, or in another order: the rows may be right all the same."""
    for wrong in (lambda b: b ^ 2 if b & 0xF1 == 0x40 else b, lambda b: 0xA4 if b == 0xA5 else b):
        bank = Bank(modules, {})
        put = bank.registers.put
        monkeypatch.setattr(bank.registers, "put", lambda byte, wrong=wrong, put=put: put(wrong(byte)))
        assert not bank.hasten()
        assert [] == bank.driven()


@pytest.mark.parametrize("bytes_left", [0, 1, 3, 6, 7, 13, 41, 44])
def test_a_block_that_jams_in_a_look_lets_go_of_everything_and_says_so(bytes_left, modules):
    bank = Bank(modules, {})
    assert bank.hasten()
    bank.bank.begin()
    bank.registers.jams = bank.registers.sent + bytes_left
    if bytes_left == 44:  # a whole look: the next one finds it jammed
        bank.bank.look(37, bytearray(16), 0, 20, True)
    with pytest.raises(modules.expander.ChipFault) as raised:
        bank.bank.look(37, bytearray(16), 0, 20, True)
    assert 4 == len(raised.value.args)
    assert 1 == bank.registers.level
    assert [] == bank.driven()
    assert all(chip[0x14:0x16] == b"\0\0" for chip in bank.chips())
    assert "fallback" == bank.bank.bus


@pytest.mark.parametrize(("bytes_left", "chip"), [(2, 2), (6, 0), (11, 1), (37, 7), (38, 2)])
def test_the_chip_that_it_was_about_is_named(bytes_left, chip, modules):
    bank = Bank(modules, {})
    assert bank.hasten()
    bank.registers.jams = bank.registers.sent + bytes_left
    with pytest.raises(modules.expander.ChipFault) as raised:
        bank.bank.look(37, bytearray(16), 0, 20, True)
    assert chip == raised.value.args[0]


def test_after_a_jam_the_portable_path_scans_on(modules):
    bank = Bank(modules, {"link": [{"pins": ["P.1", "P.2"]}]})
    assert bank.hasten()
    bank.registers.jams = bank.registers.sent + 100
    with pytest.raises(modules.expander.ChipFault):
        bank.scan()
    sent = bank.registers.sent
    bank.registers.empty()
    assert Bank(modules, {"link": [{"pins": ["P.1", "P.2"]}]}).scan()["joined"] == bank.scan()["joined"]
    assert sent == bank.registers.sent


def test_bytes_left_in_the_receiver_are_thrown_away_first(modules):
    bank = Bank(modules, {})
    assert bank.hasten()
    bank.bank.rest()
    bank.registers._received = [0x12, 0x34, 0x56]
    row = bytearray(16)
    bank.bank.look(5, row, 0, 20, False)
    assert bytes([1 << 5, *bytes(15)]) == bytes(row)


def test_a_line_gets_its_time_to_settle(modules):
    bank = Bank(modules, {})
    assert bank.hasten()
    took = {}
    for settle_us in (0, 20, 300, 5000):
        before = bank.registers.now_us()
        bank.bank.look(5, bytearray(16), 0, settle_us, True)
        took[settle_us] = bank.registers.now_us() - before
    for settle_us in (20, 300, 5000):
        assert settle_us <= took[settle_us] - took[0] <= settle_us + 2


def test_the_timer_may_roll_over_while_a_line_settles(modules):
    bank = Bank(modules, {})
    assert bank.hasten()
    for at in (0x3FFFFFFF, 0x7FFFFFFF, 0xFFFFFFFF):
        bank.registers.accesses = at - 50 << 3
        before = bank.registers.now_us()
        bank.bank.look(5, bytearray(16), 0, 300, True)
        assert 300 <= bank.registers.now_us() - before < 500


def test_its_constants_are_those_of_the_driver(modules):
    assert modules.expander.GPIO == modules.fast._GPIO
    assert modules.expander.OLAT == modules.fast._OLAT
    assert modules.expander._OPCODE == modules.fast._OPCODE


# --- the whole firmware, on both engines -----------------------------------------------------------------

# What a board with the RP2040's registers would be; block by block on the wire, as the watched model wants.
BOOT = """
import builtins, time
import machine, pl022
_spi, _cs = machine.SPI(0), machine.Pin(17, machine.Pin.OUT, value=1)
def _exchange(sent):
    seen = bytearray(sent)
    _spi.write_readinto(seen, seen)
    return seen
registers = pl022.Registers(_exchange, _cs.value, time.ticks_us, True)
builtins.ptr32 = registers.at
builtins.ptr8 = lambda buffer: buffer
import tester.board
tester.board.on_rp2040 = lambda: True
SPOIL
"""


def _as_an_rp2040(spoil: str = "") -> Callable[[Path], None]:
    """A change to the firmware before it goes on the board: `fast` as plain Python over the model."""

    def change(folder: Path) -> None:
        source = (folder / "tester" / "fast.py").read_text(encoding="utf-8")
        plain = source.replace("@micropython.viper\n", "")
        assert 3 == source.count("@micropython.viper")
        (folder / "tester" / "fast.py").write_text(plain, encoding="utf-8")
        (folder / "pl022.py").write_text(Path(pl022.__file__).read_text(encoding="utf-8"), encoding="utf-8")
        (folder / "boot.py").write_text(BOOT.replace("SPOIL", spoil), encoding="utf-8")

    return change


CABLE = {
    "link": [
        {"pins": [f"P.{p}" for p in (3, *range(20, 36), 70, 90)]},
        *({"pins": [f"P.{p}", f"P.{p + 40}"]} for p in range(40, 60)),
    ]
}
BIG = bytes(1 if f"P.{p}" in CABLE["link"][0]["pins"] else 0 for p in range(128))


def _scan(board) -> list[str]:
    assert "ok" == board.say("check")
    board.load(BIG)
    told = [" ".join(word for word in board.say("scan settle=20").split() if "_us=" not in word)]
    matrices = ("seen", "joined", "doubtful")
    told += [board.say(f"rows {name} {page:02X}") for name in matrices for page in range(16)]
    return [*told, board.say("marks"), board.say("judge")]


def test_the_whole_firmware_says_the_same_over_the_fast_path(engine, start):
    expected = _scan(start(CABLE))
    board = start(CABLE, change=_as_an_rp2040())
    assert "bus=fast" in board.say("hello").split()
    assert expected == _scan(board)
    assert "ok" == expected[0].split()[0]
    assert [] == board.unsafe()
    assert [] == board.board.broken
    board.tester.strike()
    board.wait_for_the_prompt()
    board.send(b"print('told', registers.broken, registers.sent > 5632)\r")  # 128 looks of 44 bytes
    while not (line := board.line()).startswith("told"):
        pass
    assert "told [] True" == line


@pytest.mark.parametrize(
    "spoil",
    [
        "registers.control1 = 0",
        "registers.jams = 30",
        "del builtins.ptr32",
        "open('tester/fast.py', 'w').write('def (')",
        "import os; os.remove('tester/fast.py')",
    ],
)
def test_a_fast_path_that_does_not_load_or_agree_is_not_chosen(spoil, engine, start):
    expected = _scan(start(CABLE))
    board = start(CABLE, change=_as_an_rp2040(spoil))
    assert "bus=fallback" in board.say("hello").split()
    assert expected == _scan(board)
    assert [] == board.unsafe()
    assert [] == board.board.broken


@pytest.mark.parametrize(
    ("platform", "machine", "chosen"),
    [
        ("rp2", "Raspberry Pi Pico with RP2040", True),
        ("rp2", "Raspberry Pi Pico W with RP2040", True),
        ("rp2", "Raspberry Pi Pico2 with RP2350", False),  # other addresses
        ("linux", "linux [GCC 14.2.1] version", False),
    ],
)
def test_only_on_an_rp2040_are_its_registers_touched(platform, machine, chosen, engine, start):
    script = f"""
import tester.board
class Machine:
    _machine = {machine!r}
class System:
    platform = {platform!r}
    implementation = Machine
tester.board.sys = System
print(tester.board.on_rp2040())
"""
    assert str(chosen) == start(script=script).line()


def test_a_chip_that_is_dead_at_the_start_leaves_the_board_answering(engine, start):
    board = start({"tester": {"dead_chips": [2]}}, change=_as_an_rp2040())
    assert "bus=fallback" in board.say("hello").split()
    assert board.say("check").startswith("error chip chip=2 ")
    assert [] == board.unsafe()
