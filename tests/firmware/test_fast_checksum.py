"""The checksum of frames, byte by byte without a table, is what bit by bit gives."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st


def _bit_by_bit(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def test_every_byte_after_every_byte(firmware):
    for first in range(256):
        for second in range(256):
            data = bytes([first, second])
            assert _bit_by_bit(data) == firmware.frames.crc16(data)


@given(st.binary(max_size=600))
def test_anything(firmware, data):
    assert _bit_by_bit(data) == firmware.frames.crc16(data)


def test_it_is_the_same_under_micropython(start, micropython):
    script = "from tester.frames import crc16\nprint(crc16(b'123456789'), crc16(bytes(range(256)) * 2))"
    assert f"{0x29B1} {_bit_by_bit(bytes(range(256)) * 2)}" == start(script=script).line()
