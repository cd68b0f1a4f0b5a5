"""skidl's electrical rule check of the circuit, another opinion than electrical.py's.

    python3 skidl_check.py    prints each finding; exit status 1 if there are any, 0 if none

Writes nothing: what skidl leaves behind goes into a folder that is thrown away.
"""

from __future__ import annotations

import logging
import os
import sys
import tempfile
import warnings
from collections.abc import Iterable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from circuit import Part, circuit
from electrical import FED_BY_PASSIVES


class _Kept(logging.Handler):
    """Keeps what is logged."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(f"{record.levelname}: {record.getMessage().split(' @ [')[0]}")


def findings(parts: Iterable[Part]) -> list[str]:
    """What skidl finds, `WARNING: …` and `ERROR: …`. A part's tag is its reference, so that builds repeat.

    Waived: nothing drives the nets in `FED_BY_PASSIVES`, each for the reason there; skidl is told so.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        logging.disable(logging.WARNING)  # it misses libraries of symbols, which nothing here asks for
        import skidl
        from skidl.logger import active_logger, erc_logger, rt_logger

        logging.disable(logging.NOTSET)
    kept = _Kept()
    for logger in (rt_logger, erc_logger):
        logger.stop_file_output()
        logger.handlers = [kept]
    active_logger.set(rt_logger)
    types = skidl.Pin.types
    kinds = {
        "input": types.INPUT,
        "output": types.OUTPUT,
        "three-state": types.TRISTATE,
        "bidirectional": types.BIDIR,
        "passive": types.PASSIVE,
        "power in": types.PWRIN,
        "power out": types.PWROUT,
        "no connect": types.NOCONNECT,
    }
    whole = skidl.Circuit()
    wires: dict[str, skidl.Net] = {}
    for part in parts:
        if not part.pins:
            continue
        made = skidl.Part(
            name=part.value,
            dest=skidl.TEMPLATE,
            tool=skidl.SKIDL,
            ref_prefix=part.ref.rstrip("0123456789"),
            footprint=part.footprint,
            pins=[skidl.Pin(num=pin.number, name=f"{pin.name}_", func=kinds[pin.kind]) for pin in part.pins],
        )(circuit=whole, ref=part.ref, tag=part.ref, value=part.value)
        for pin in part.pins:
            if not pin.net:
                continue
            if pin.net not in wires:
                wires[pin.net] = skidl.Net(pin.net, circuit=whole)
                if pin.net in FED_BY_PASSIVES:
                    wires[pin.net].drive = skidl.POWER
            wires[pin.net] += made[int(pin.number)]
    whole.ERC()
    return kept.lines


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        found = findings(circuit())
        os.chdir("/")
    for line in found:
        print(line)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
