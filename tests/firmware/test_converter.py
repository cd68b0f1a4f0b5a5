"""The converter's driver over the converter's model, under this very Python."""

from __future__ import annotations

import pytest

from pinwright.virtual.converter import CONFIG, CONVERSION, Converter, I2cBus

ADDRESS = 0x48


class Bus:
    """The model as `machine.I2C`. volts: at the four inputs. Its own noise is off."""

    def __init__(self, *volts: float, fault: str | None = None) -> None:
        self.model = Converter(lambda: volts, fault=fault)
        self.model.noise_steps = 0.0
        self.bus = I2cBus([self.model])
        self.asked: list[tuple[int, bytes]] = []
        self.looks = 0

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        self.asked.append((register, bytes(data)))
        if not self.bus.write(address, bytes([register]) + bytes(data)):
            raise OSError(5)

    def readfrom_mem_into(self, address: int, register: int, into: bytearray) -> None:
        self.looks += register == CONFIG
        if not self.bus.write(address, bytes([register])):
            raise OSError(5)
        read = self.bus.read(address, len(into))
        assert read is not None
        into[:] = read


@pytest.mark.parametrize(
    ("volts", "steps"),
    [
        ((3.3, 3.3), 0),
        ((3.3, 3.2), 12800),
        ((3.3, 3.3 + 16 * 7.8125e-6), -16),
        ((3.3, 3.0), 32767),  # more than it can tell
        ((3.0, 3.3), -32768),
    ],
)
def test_the_shunt_is_read_with_its_sign(volts, steps, firmware):
    assert steps == firmware.converter.Converter(Bus(*volts, 0.0, 0.0)).shunt()


def test_vio_is_read_at_its_own_input(firmware):
    assert 26000 == firmware.converter.Converter(Bus(0.1, 0.2, 3.25, 0.0)).supply()


def test_each_conversion_is_asked_for_once_with_its_own_settings_and_nothing_else_is_written(firmware):
    """Single shot, 860 a second, comparator off; 0.256 V between AIN0 and AIN1, 4.096 V at AIN2."""
    bus = Bus(3.3, 3.3, 3.3, 0.0)
    converter = firmware.converter.Converter(bus)
    converter.shunt()
    converter.supply()
    fields = [int.from_bytes(data, "big") for _, data in bus.asked]
    assert [CONFIG, CONFIG] == [register for register, _ in bus.asked]
    assert [(1, 0b000, 0b101), (1, 0b110, 0b001)] == [(f >> 15, f >> 12 & 7, f >> 9 & 7) for f in fields]
    assert [(1, 0b111, 0b11)] * 2 == [(f >> 8 & 1, f >> 5 & 7, f & 3) for f in fields]


def test_where_nothing_answers_it_is_missing(firmware):
    converter = firmware.converter.Converter(Bus(3.3, 3.3, 3.3, 0.0, fault="missing"))
    for read in (converter.shunt, converter.supply):
        with pytest.raises(firmware.converter.ConverterFault, match="missing"):
            read()


@pytest.mark.parametrize("at", [CONFIG, CONVERSION])
def test_where_it_stops_answering_in_the_middle_it_is_missing(at, firmware, monkeypatch):
    bus = Bus(3.3, 3.3, 3.3, 0.0)
    converter = firmware.converter.Converter(bus)
    read = bus.readfrom_mem_into

    def gone(address, register, into):
        if register == at:
            raise OSError(110)
        read(address, register, into)

    monkeypatch.setattr(bus, "readfrom_mem_into", gone)
    with pytest.raises(firmware.converter.ConverterFault, match="missing"):
        converter.shunt()


@pytest.mark.parametrize("lost", range(4))
def test_a_start_that_got_lost_is_repeated_and_an_old_result_is_never_taken(lost, firmware, monkeypatch):
    bus = Bus(3.3, 3.2, 3.3, 0.0)
    converter = firmware.converter.Converter(bus)
    assert 12800 == converter.shunt()
    monkeypatch.setattr(bus.model, "_sample", lambda: (3.3, 3.25, 3.3, 0.0))
    begin, starts = bus.model._begin, []

    def deaf(config):
        starts.append(config)
        if len(starts) > lost:
            begin(config)

    monkeypatch.setattr(bus.model, "_begin", deaf)
    if lost < 3:
        assert 6400 == converter.shunt()
    else:
        with pytest.raises(firmware.converter.ConverterFault, match="idle"):
            converter.shunt()
    assert min(lost + 1, 3) == len(starts)


class Clock:
    """Moves on at each look."""

    def __init__(self, each_us: int) -> None:
        self.now, self._each_us = 0, each_us

    def __call__(self) -> int:
        self.now += self._each_us
        return self.now


def test_one_that_is_never_ready_is_late_after_five_milliseconds(firmware, monkeypatch):
    bus = Bus(3.3, 3.3, 3.3, 0.0)
    monkeypatch.setattr(firmware.converter, "ticks_us", Clock(112))
    monkeypatch.setattr(bus.model, "_begin", lambda config: setattr(bus.model, "_looks_left", 1 << 30))
    with pytest.raises(firmware.converter.ConverterFault, match="late"):
        firmware.converter.Converter(bus).shunt()
    assert 5000 // 112 < bus.looks < 50


def test_one_that_was_ready_while_nobody_looked_is_not_late(firmware, monkeypatch):
    """Whoever was away for longer than the deadline looks once more before complaining."""
    bus = Bus(3.3, 3.2, 3.3, 0.0)
    monkeypatch.setattr(firmware.converter, "ticks_us", Clock(6000))
    assert 12800 == firmware.converter.Converter(bus).shunt()
    assert 2 == bus.looks
