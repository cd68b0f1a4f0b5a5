"""Everything that can go wrong, as one tree.

    PinwrightError                 never raised itself
    ├── InputError            2    what the person gave us is wrong
    │   ├── UsageError             the command line
    │   ├── ProfileError           a profile: file, key, problem
    │   ├── BenchError             a bench file: file, key, problem
    │   ├── AdapterError           an adapter file: file, key, problem
    │   ├── PinoutError            a pinout: file, line or key, problem
    │   ├── PlacementError         an end that fits no socket, or a wrong adapter in one
    │   ├── SerialError            a serial that is used, or cannot be a file name
    │   └── RecordsError           the place for records: not writable, full, damaged
    ├── TesterError           3    the tester cannot be trusted
    │   ├── NoTester               no board, several boards, a board that is something else
    │   │   └── PortClosed         a port that does not open: missing, busy, denied
    │   ├── LinkLost               silence, an unplugged board, a closed pipe
    │   ├── LinkCorrupt            lines that do not frame, beyond retry
    │   ├── ProtocolMismatch       board and program speak different versions
    │   ├── SelfCheckFailed        the board found itself at fault
    │   │   └── OtherTemperature   it is too warm or too cold to be held against its calibration
    │   ├── OutsideVoltage         the cable is connected to something
    │   └── Disagreement           board and host judge one scan differently
    └── OwnBug               70    a broken promise of our own code

A bad cable is a result, not an exception. Python exits with 1 on an uncaught exception, which
would read as "cable failed"; `cli.main` therefore maps everything that is not in this tree to 70.

Every error says what is wrong and where in `message`; `hint` says what to do next and is never
needed to understand the message.
"""

from __future__ import annotations

from typing import ClassVar


class PinwrightError(Exception):
    """Base of the tree. message: what, where, expected, seen. hint: what to do next, or empty."""

    status: ClassVar[int]

    def __init__(self, message: str, *, hint: str = "") -> None:
        if not message.strip():
            raise ValueError("an error needs a message")
        super().__init__(message)
        self.message = message
        self.hint = hint


class InputError(PinwrightError):
    """What the person gave us is wrong."""

    status = 2


class UsageError(InputError):
    """The command line asks for something that does not exist or does not go together."""


class _FileError(InputError):
    """A fault at a key of a TOML document, or in a line of a table.

    The pure core knows only the key; the edge that read the file adds its path with `in_file`.
    """

    noun: ClassVar[str]

    def __init__(self, key: str, problem: str, *, hint: str = "", file: str = "", line: int = 0) -> None:
        self.key = key
        self.problem = problem
        self.file = file
        self.line = line
        where = self.noun
        if file:
            where += f" `{file}`"
        if line:
            where += f", line {line}"
        if key:
            where += f", key `{key}`"
        super().__init__(problem.strip() and f"{where}: {problem}", hint=hint)


class ProfileError(_FileError):
    """A profile that cannot be a cable. key: dotted path such as `wiring.wires[3]`."""

    noun = "profile"

    def in_file(self, file: str) -> ProfileError:
        """The same error, naming the file it was read from."""
        return ProfileError(self.key, self.problem, hint=self.hint, file=file)


class BenchError(_FileError):
    """A bench file that cannot be plugged in. key: dotted path such as `link[2].pins`."""

    noun = "bench file"

    def in_file(self, file: str) -> BenchError:
        """The same error, naming the file it was read from."""
        return BenchError(self.key, self.problem, hint=self.hint, file=file)


class AdapterError(_FileError):
    """An adapter file that cannot be an adapter. key: dotted path such as `adapter.joined[1]`."""

    noun = "adapter"

    def in_file(self, file: str) -> AdapterError:
        """The same error, naming the file it was read from."""
        return AdapterError(self.key, self.problem, hint=self.hint, file=file)


class PinoutError(_FileError):
    """A pinout that cannot be an end of a cable. line: where the file is a table; key: where it is TOML."""

    noun = "pinout"

    def in_file(self, file: str) -> PinoutError:
        """The same error, naming the file it was read from."""
        return PinoutError(self.key, self.problem, hint=self.hint, file=file, line=self.line)


class PlacementError(InputError):
    """An end of the cable has no socket on this tester, or a wrong adapter is in one."""


class SerialError(InputError):
    """A serial number that is already used or cannot stand in a file name."""


class RecordsError(InputError):
    """The place for records cannot be read or written."""


class TesterError(PinwrightError):
    """The tester cannot be trusted, so there is no verdict."""

    status = 3


class NoTester(TesterError):
    """No board answers as a tester, or more than one does, or the port does not open."""


class PortClosed(NoTester):
    """A port does not open. why: `missing`, `busy` (another program has it), `denied`, or `other`."""

    def __init__(self, message: str, *, why: str = "other", hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.why = why


class LinkLost(TesterError):
    """The board stopped answering."""


class LinkCorrupt(TesterError):
    """What arrives is not what the board should say, beyond retry."""


class ProtocolMismatch(TesterError):
    """The board speaks another version of the protocol than this program."""


class SelfCheckFailed(TesterError):
    """The board's check of itself failed."""


class OtherTemperature(SelfCheckFailed):
    """The tester is too far from the temperature of its calibration."""


class OutsideVoltage(TesterError):
    """A point is held by something that is not the tester."""


class Disagreement(TesterError):
    """Board and host draw different conclusions from one scan, or the evidence contradicts itself."""


class OwnBug(PinwrightError):
    """A promise of our own code is broken."""

    status = 70
