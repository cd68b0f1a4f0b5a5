"""The check before every scan finds a register that does not take what is written, whichever bit it is."""

from __future__ import annotations

import random

import pytest

IODIR, IPOL, GPINTEN, DEFVAL, IOCON, GPPU, OLAT = 0x00, 0x02, 0x04, 0x06, 0x0A, 0x0C, 0x14


def _stick(chip, register, bit, value):
    """From now on one bit of a register pair is what it is, whatever is written."""
    write, at, mask = chip.write, register + bit // 8, 1 << bit % 8

    def stuck(byte):
        pointer = chip._pointer
        if pointer == at:
            byte = byte | mask if value else byte & ~mask
        write(byte)

    chip.write = stuck


@pytest.mark.parametrize("value", [0, 1])
@pytest.mark.parametrize("register", [IODIR, DEFVAL, GPPU, OLAT])
def test_a_bit_that_is_stuck_either_way_is_found(register, value, engine, start):
    seed = random.randrange(1 << 30)
    chance = random.Random(seed)
    board = start({})
    for _ in range(3):
        number, bit = chance.randrange(8), chance.randrange(16)
        chip = board.board.chips[number]
        told = f"seed {seed}: bit {bit} of chip {number}"
        assert "ok" == board.say("check"), told
        _stick(chip, register, bit, value)
        assert board.say("check").startswith(f"error chip chip={number} register={register:02X} "), told
        del chip.write
        assert "ok" == board.say("release")
        assert [] == board.unsafe()
    board.board.broken.clear()  # a direction that is stuck drives when it should not


@pytest.mark.parametrize("register", [IPOL, GPINTEN])
def test_a_bit_that_is_never_to_be_set_and_is_stuck_there_is_found(register, engine, start):
    board = start({})
    assert "ok" == board.say("check")
    _stick(board.board.chips[6], register, 9, 1)
    assert board.say("check").startswith(f"error chip chip=6 register={register:02X} ")


@pytest.mark.parametrize("register", [IPOL, GPINTEN])
def test_a_bit_that_is_set_in_the_middle_of_a_scan_is_found_at_its_end(register, engine, start):
    board = start({})
    assert "ok" == board.say("check")
    board.load(bytes(128))
    chip = board.board.chips[4]

    def upset():
        chip._registers[register] ^= 0x10

    board.board.at[board.board.transfers + 1290] = upset  # the walk is over
    assert board.say("scan settle=20").startswith("error ")
    assert [] == board.unsafe()


def test_no_latch_is_high_while_a_point_is_an_output_in_a_check(engine, start):
    """Latches are proven with every point an input, and directions with every latch clear."""
    board = start({})
    assert "ok" == board.say("check")
    assert [] == board.board.broken
    assert 0 == board.board.most_high


RED, GREEN = 12, 13


def _lamps(board):
    """Once what was sent to them has arrived: the chips, asked after it, have answered."""
    assert "ok" == board.say("release")
    return board.board.pin(RED), board.board.pin(GREEN)


def _judged(board, nets):
    assert "ok" == board.say("check")
    assert (0, 0) == _lamps(board)
    assert "ok" == board.say("check")
    board.load(nets)
    assert board.say("scan settle=20").startswith("ok ")
    verdict = board.say("judge").split()[1]
    return verdict.removeprefix("verdict=")


def test_green_is_the_host_s_word_and_red_either_s(engine, start):
    board = start({"link": [{"pins": ["P.0", "P.40"]}]})
    good = bytes(1 if p in (0, 40) else 0 for p in range(128))
    assert "fail" == _judged(board, bytes(128))
    assert (1, 0) == _lamps(board)
    assert "error state" == board.say("show pass")
    assert (1, 0) == _lamps(board)
    assert "pass" == _judged(board, good)
    assert (0, 0) == _lamps(board)
    assert "ok" == board.say("show pass")
    assert (0, 1) == _lamps(board)
    assert "ok" == board.say("show fail")
    assert (1, 0) == _lamps(board)
    assert "ok" == board.say("check")
    assert (0, 0) == _lamps(board)


@pytest.mark.parametrize("point", [121, 122, 123, 124])
def test_a_missing_pull_up_of_a_reference_is_found_though_its_partner_holds_it_up(point, engine, start):
    board = start({"tester": {"no_pullup": [point]}})
    row = bytearray(16)
    row[point >> 3] = 1 << (point & 7)
    assert f"error held-low points={row.hex().upper()}" == board.say("check")
    assert [] == board.unsafe()
