"""What the board's error codes mean: one table from a code to an exception and a sentence."""

from __future__ import annotations

from collections.abc import Mapping

from pinwright.errors import (
    LinkCorrupt,
    LinkLost,
    OutsideVoltage,
    ProtocolMismatch,
    SelfCheckFailed,
    TesterError,
)

_UNPLUG = (
    "unplug the cable from everything but the tester; if it stays so with no cable in, the tester is at fault"
)
_OR_FAULTY = "the cable is connected to something, or the tester is at fault"
_OTHER_FIRMWARE = "put the firmware that came with this program on the board"
_REPORT = "this should not happen: please report it, with the lines above"

# code: (kind of error, sentence, hint); {where} stands for points, other names for the reply's values
_TABLE: dict[str, tuple[type[TesterError], str, str]] = {
    "chip": (
        SelfCheckFailed,
        "expander {chip} does not hold what is written to it "
        "(register 0x{register}: wrote 0x{written}, read 0x{read})",
        "check that the chip sits in its socket the right way round, and its address pins; if fewer are "
        "fitted than board.json on the tester says, `pinwright install --fitted N` writes how many",
    ),
    "held-low": (
        OutsideVoltage,
        "reads low though nothing pulls it low: {where}; " + _OR_FAULTY,
        _UNPLUG,
    ),
    "fed": (
        OutsideVoltage,
        "reads high though nothing drives it high: {where}; " + _OR_FAULTY,
        _UNPLUG,
    ),
    "not-low": (
        SelfCheckFailed,
        "does not read low while driven low: {where}; " + _OR_FAULTY,
        _UNPLUG,
    ),
    "reference": (
        SelfCheckFailed,
        "the tester's own joined pair {where} does not read as joined, and alone",
        "the tester needs repair: its references are not what they should be",
    ),
    "unsteady": (
        SelfCheckFailed,
        "too many contacts change between one look and the next, {where} among them",
        "press the plugs home, keep the cable still, and scan again",
    ),
    "converter": (
        SelfCheckFailed,
        "the tester's converter, which measures ohms, {why}",
        "is it in its place, and are its four wires sound? If the tester has none, `pinwright install "
        "--no-lane` writes that down",
    ),
    "supply": (
        SelfCheckFailed,
        "the supply of the tester's expanders is at {millivolts} mV, below 3000 mV",
        "look for a short on the tester, for what else hangs on its USB supply, and at the converter that "
        "reads it",
    ),
    "overload": (
        SelfCheckFailed,
        "more current flows than any cable can draw while this point is driven: {where}; " + _OR_FAULTY,
        _UNPLUG,
    ),
    "backwards": (
        OutsideVoltage,
        "current flows backwards into the tester: {where}; " + _OR_FAULTY,
        _UNPLUG,
    ),
    "keep": (
        SelfCheckFailed,
        "the tester cannot store or read what it keeps of itself ({why})",
        "is its flash full? Old files on it can be removed with mpremote; `pinwright tester calibrate` and "
        "`pinwright tester check` make theirs anew",
    ),
    "lane": (
        ProtocolMismatch,
        "the board says it has no ohms lane, after it said it had one (`{request}`)",
        _OTHER_FIRMWARE,
    ),
    "board-file": (
        SelfCheckFailed,
        "the file board.json on the tester is damaged, so it does not know which expanders are fitted",
        "`pinwright install --fitted 8 --name bench-1` writes a new one; `--pocket` for a pocket tester",
    ),
    "frame": (LinkCorrupt, "the board could not read the request ({why})", "check the cable to the board"),
    "memory": (SelfCheckFailed, "the board ran out of memory", _REPORT),
    "bug": (SelfCheckFailed, "the firmware failed; the lines it printed say where", _REPORT),
    "verb": (ProtocolMismatch, "the board does not know the request `{request}`", _OTHER_FIRMWARE),
    "argument": (ProtocolMismatch, "the board refuses the request `{request}`", _OTHER_FIRMWARE),
    "state": (
        LinkLost,
        "the board has forgotten what came before `{request}`: it was reset or plugged in again meanwhile",
        "scan again",
    ),
}

# What the board says in a word → in more.
_WHY = {
    "missing": "does not answer",
    "late": "does not end a conversion in time",
    "idle": "does not begin a conversion",
    "unsteady": "reads its supply in a different way every time",
    "full": "its flash is full",
    "empty": "the file is empty",
    "different": "it reads back differently",
    "flash": "its flash fails",
}


def complaint(code: str, values: Mapping[str, str], where: str, request: str) -> Exception:
    """The exception for `error CODE key=value …`. where: names of the points the board gave."""
    kind, sentence, hint = _TABLE.get(
        code, (SelfCheckFailed, "the board reports an error that this program does not know: {code}", "")
    )
    known = {"code": code, "where": where or "the tester itself", "request": request, **values}
    if "why" in known:
        known["why"] = _WHY.get(known["why"], known["why"])
    try:
        return kind(sentence.format_map(known), hint=hint.format_map(known))
    except KeyError:
        return LinkCorrupt(
            f"the board's error `{code}` lacks what it should say: {' '.join(values.values())}"
        )
