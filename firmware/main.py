"""Start safe, then read a line, answer a line. Ctrl-C ends it and leaves all points inputs."""

import select
import sys

from tester.board import Board
from tester.commands import Commands
from tester.frames import MAX_LINE, BadFrame, build, parse


def serve():
    """Answer until Ctrl-C or the end of input."""
    board = Board()
    bank = board.bank
    bank.let_go()
    try:
        commands = Commands(board)
        poll = select.poll()
        poll.register(sys.stdin, select.POLLIN)
        line = bytearray(MAX_LINE + 1)
        length = 0
        while True:
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
                sys.stdout.write(reply(commands, request))
    finally:
        bank.let_go()


def reply(commands, request):
    """The reply line to a request line."""
    try:
        seq, words = parse(request)
    except BadFrame as bad:
        return build(0, "error frame why=%s" % bad.args[0])
    return build(seq, commands.answer(words))


try:
    serve()
except KeyboardInterrupt:
    pass
