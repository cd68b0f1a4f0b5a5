"""The checksum of a line is CRC-16/IBM-3740, in the host's implementation and in the board's.

The check value, CRC of the digits 1 to 9, is the RevEng catalogue's, as tests/published/vectors.json has it.
"""

from __future__ import annotations

import json
import runpy
import sys
from binascii import crc_hqx
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.tester import frames

ROOT = Path(__file__).parents[2]
VECTORS = json.loads((ROOT / "tests" / "published" / "vectors.json").read_text("utf-8"))
CHECK_VALUE = int(VECTORS["crc"]["CRC-16/IBM-3740 (CCITT-FALSE)"], 16)

Crc = Callable[[bytes], int]


def the_boards_crc16() -> Crc:
    with pytest.MonkeyPatch.context() as patch:
        patch.delitem(sys.modules, "micropython", raising=False)
        patch.syspath_prepend(ROOT / "host" / "pinwright" / "virtual" / "shim_cpython")
        found: Crc = runpy.run_path(str(ROOT / "firmware" / "tester" / "frames.py"))["crc16"]
    return found


BOARDS_CRC16 = the_boards_crc16()


@pytest.mark.parametrize("crc16", [frames.crc16, BOARDS_CRC16], ids=["host", "board"])
def test_the_checksum_has_the_published_check_value(crc16: Crc) -> None:
    assert 0x29B1 == CHECK_VALUE
    assert CHECK_VALUE == crc16(VECTORS["crc_check_input"].encode())


@pytest.mark.parametrize("crc16", [frames.crc16, BOARDS_CRC16], ids=["host", "board"])
def test_it_is_not_its_sibling_that_starts_at_zero(crc16: Crc) -> None:
    digits = VECTORS["crc_check_input"].encode()
    assert int(VECTORS["crc"]["CRC-16/XMODEM"], 16) == crc_hqx(digits, 0) != crc16(digits)


@given(st.binary())
def test_host_and_board_compute_the_same_checksum(data: bytes) -> None:
    assert frames.crc16(data) == BOARDS_CRC16(data)
