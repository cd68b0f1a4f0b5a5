"""Start safe, then read a line, answer a line. Ctrl-C ends it and leaves all points inputs. A board that
hangs is reset by its watchdog, and so starts safe again.

Where an installation was interrupted, or a module is missing, it does not serve: it holds every point
safe and says what to do, whatever it is asked.
"""

import os
import select
import sys

from micropython import const

# The rest may not be there, so this file stands by itself; a test holds the two against hardware/board.toml.
_EXPANDER_RESET = const(20)
_POCKET = "pocket-24"
# A request takes some three seconds at most; the RP2040's watchdog can wait for 8.3 s.
_WATCHDOG_MS = const(8000)
_TRIES = const(8)
# Its CTRL register and bit ENABLE: RP2040 datasheet, section 4.7.6, from memory.
_WATCHDOG_CTRL = 0x40058000
_WATCHDOG_ENABLE = 0x40000000
INSTALLING = "installing"  # a file that is there while the firmware is being replaced


def serve(Board, Commands, MAX_LINE):
    """Answer until Ctrl-C or the end of input."""
    board = Board()
    bank = board.bank
    bank.let_go()
    try:
        commands = Commands(board, sys.stdout.write)
        poll = select.poll()
        poll.register(sys.stdin, select.POLLIN)
        line = bytearray(MAX_LINE + 1)
        length = 0
        feed = start_watchdog()
        while True:
            feed()
            if not poll.poll(1000):
                continue
            byte = sys.stdin.buffer.read(1)
            if not byte:
                return
            if byte == b"\r":
                continue
            if byte != b"\n":
                if length <= MAX_LINE:  # one byte too long shows that it was too long
                    line[length] = byte[0]
                    length += 1
                continue
            request = bytes(memoryview(line)[:length])
            length = 0
            if request:
                sys.stdout.write(commands.reply(request))
    finally:
        if hold(bank):  # else the watchdog ends what nobody has let go
            stop_watchdog()


def hold(bank):
    """Make all points inputs and keep them so; whether that was done. Ctrl-C may strike a few times more."""
    for _ in range(_TRIES):
        try:
            bank.hold()
            return True
        except KeyboardInterrupt:
            pass
    return False


def start_watchdog():
    """Start it where there is one; returns what feeds it."""
    try:
        from machine import WDT

        return WDT(timeout=_WATCHDOG_MS).feed
    except (ImportError, ValueError, OSError):
        return _nothing


def stop_watchdog():
    """Stop it, for whoever has the prompt now has no food for it. MicroPython itself has no way to."""
    try:
        from machine import mem32

        mem32[_WATCHDOG_CTRL] &= ~_WATCHDOG_ENABLE
    except ImportError:
        pass


def _nothing():
    pass


def hold_expanders():
    """Keep them in reset, all their points inputs: a reset of the processor alone leaves them driving."""
    from machine import Pin

    Pin(_EXPANDER_RESET, Pin.OUT, value=0)


def refuse(why):
    """Hold every point safe, and say the same to every line."""
    if not _is_pocket():  # on that board the pin is a point, and an input since the reset
        hold_expanders()
    told = "pinwright: %s; `pinwright install` mends it" % why
    print(told)
    while sys.stdin.buffer.readline(200):  # as much as a line has, and memory for it; any bytes
        print(told)


def _has_expanders():
    """Whether board.json says so, or is not there; of one that is damaged nobody knows."""
    try:
        from tester.about import POCKET_24, read_board_file

        return read_board_file()[0] != POCKET_24
    except Exception:  # the module may be missing as well
        return False


def _is_pocket():
    try:
        with open("board.json") as file:
            return _POCKET in file.read(1000)
    except (OSError, ValueError):
        return False


def start():
    """Serve if all is there. First of all the expanders let go, for the modules take a while to load."""
    if _has_expanders():
        hold_expanders()
    if INSTALLING in os.listdir():
        return refuse("the installation of the firmware is not finished")
    try:
        from tester.board import Board
        from tester.commands import Commands
        from tester.frames import MAX_LINE
    except Exception as error:  # a module that is half there, or another version's, may fail in any way
        return refuse("the firmware is not complete (%s: %s)" % (type(error).__name__, error))
    serve(Board, Commands, MAX_LINE)


try:
    start()
except KeyboardInterrupt:
    pass
