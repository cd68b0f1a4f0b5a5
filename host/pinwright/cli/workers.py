"""Other processes of our own, for what takes one processor long. None outlives the one that started it."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager


def processors() -> int:
    return os.cpu_count() or 1


@contextmanager
def workers() -> Iterator[ProcessPoolExecutor]:
    """One for each processor; what they were not yet given is dropped at the end. Ctrl-C is for the process
    that a person started, which ends them."""
    pool = ProcessPoolExecutor(processors(), multiprocessing.get_context("spawn"), _serve)
    ours = threading.current_thread() is threading.main_thread()
    # They inherit that, so that a Ctrl-C while they start does not have each of them say so.
    before = signal.signal(signal.SIGINT, signal.SIG_IGN) if ours else None
    try:
        for _ in range(processors()):
            pool.submit(processors)
    finally:
        if before is not None:
            signal.signal(signal.SIGINT, before)
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


def _serve() -> None:
    """Where the process that started this one is gone, however it ended, this one ends too: by itself it
    would wait for work for ever."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_the_parent, daemon=True).start()


def _end_with_the_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
