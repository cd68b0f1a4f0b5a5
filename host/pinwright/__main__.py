"""The console script, and `python -m pinwright`: nothing else is imported before Ctrl-C is in hand.

A KeyboardInterrupt while Python imports would end in a traceback, or in status 1, which means that a
cable failed. Before the program runs and after it has told its result an interrupt simply ends it. What
Python does before the first line here is its own; there it may still end so.
"""

import os

_INTERRUPTED = 130


def _leave(*_: object) -> None:
    os._exit(_INTERRUPTED)


try:
    import signal

    signal.signal(signal.SIGINT, _leave)
except KeyboardInterrupt:
    _leave()

import sys  # noqa: E402
from typing import NoReturn  # noqa: E402


def run() -> NoReturn:
    """Run the program and leave with its exit status."""
    from pinwright.cli.main import main

    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        status = main()
        signal.signal(signal.SIGINT, _leave)
    except KeyboardInterrupt:  # between two lines above
        os._exit(_INTERRUPTED)
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:  # said already; Python would say it again at its end, and exit with 120
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # all is said and saved: too late to interrupt
    sys.exit(status)


if __name__ == "__main__":
    run()
