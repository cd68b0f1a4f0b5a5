# mypy: ignore-errors
"""What a board with MicroPython does by itself: run boot.py and main.py, then offer its prompts.

The same file under MicroPython and CPython. The prompts behave as MicroPython's documentation says ("The
MicroPython Interactive Interpreter Mode": raw mode and raw-paste mode), so that mpremote works with them.
The board's files are the folder PINWRIGHT_FLASH; under MicroPython it is the whole file system.
PINWRIGHT_START says how this interpreter came about: `power`, `soft`, or `raw` (soft, from the raw prompt).
"""

import io
import os
import sys

import machine

_A, _B, _CTRL_C, _D, _E, _BACKSPACE, _RETURN, _DELETE = 1, 2, 0x18, 4, 5, 8, 13, 127
_WINDOW = 128  # bytes of raw paste between two permissions to go on
_FRIENDLY, _RAW, _SOFT_RESET, _SOFT_RESET_RAW, _END = range(5)
_COMPOUND = ("if ", "while ", "for ", "with ", "try:", "def ", "class ", "@", "async ")

_globals = {"__name__": "__main__"}


class _End(Exception):
    """Nobody is at the other end any more."""


def _write(text):
    data = text if isinstance(text, bytes) else text.encode()
    sys.stdout.buffer.write(data)
    if hasattr(sys.stdout, "flush"):
        sys.stdout.flush()


def _read():
    byte = sys.stdin.buffer.read(1)
    if not byte:
        raise _End
    return byte[0]


def _run(source, name, kind="exec"):
    """Compile and run; returns what it raised, or None.

    Ctrl-C may strike at any moment until `program_ended` has been answered, and not after that.
    """
    done, raised = False, None
    while True:
        try:
            if not done:
                machine.program_begins()
                exec(compile(source, name, kind), _globals)
                done = True
            machine.program_ended()
            return raised
        except BaseException as error:
            if done and not isinstance(error, KeyboardInterrupt):
                raise  # the virtual board is gone
            done, raised = True, raised or error


def _show(error):
    """A traceback, without this file's part in it."""
    text = io.StringIO()
    sys.print_exception(error, text)
    ours = False
    for line in text.getvalue().split("\n")[:-1]:
        ours = "console.py" in line or (ours and line.startswith("    "))
        if not ours:
            print(line)


def _run_file(name):
    """Run a file of the board, if it is there. A SystemExit is a soft reset, as on a board."""
    if name not in os.listdir():
        return
    with open(name) as file:
        source = file.read()
    raised = _run(source, name)
    if isinstance(raised, SystemExit):
        machine.start_again(raw=False)
    if raised is not None:
        _show(raised)


def _raw_prompt():
    _write("raw REPL; CTRL-B to exit\r\n")
    while True:
        _write(">")
        source = bytearray()
        while True:
            byte = _read()
            if byte == _A:
                if len(source) == 2 and source[0] == _E:
                    pasted = _raw_paste() if source[1] == 65 else _write(b"R\x00")
                    if pasted is None:
                        source = bytearray()
                        _write(">")
                        continue
                    source = pasted
                    break
                return _RAW
            if byte == _B:
                _write("\r\n")
                return _FRIENDLY
            if byte == _CTRL_C:
                source = bytearray()
            elif byte == _D:
                _write("OK")
                if not source:
                    _write("\r\n")
                    return _SOFT_RESET_RAW
                break
            else:
                source.append(byte)
        raised = _run(bytes(source), "<stdin>")
        ends = isinstance(raised, SystemExit)
        _write(b"\x04")
        if raised is not None and not ends:
            _show(raised)
        _write(b"\x04")
        if ends:
            return _SOFT_RESET_RAW


def _raw_paste():
    """What was pasted, or None where Ctrl-C ended it."""
    _write(b"R\x01" + bytes([_WINDOW, 0]) + b"\x01")
    source = bytearray()
    left = _WINDOW
    while True:
        byte = _read()
        if byte == _D:
            _write(b"\x04")
            return source
        if byte == _CTRL_C:
            _write(b"\x04\x04KeyboardInterrupt: \r\n\x04")
            return None
        source.append(byte)
        left -= 1
        if not left:
            left = _WINDOW
            _write(b"\x01")


def _friendly_prompt():
    name = "MicroPython" if sys.implementation.name == "micropython" else "CPython"
    version = ".".join([str(part) for part in sys.implementation.version[:3]])
    _write("%s v%s on %s; Pinwright virtual board\r\n" % (name, version, sys.platform))
    _write('Type "help()" for more information.\r\n')
    while True:
        line, end = _line(">>> ")
        if end == _A:
            _write("\r\n")
            return _RAW
        if end == _B:
            _write("\r\n")
            return _FRIENDLY
        if end == _D:
            _write("\r\n")
            return _SOFT_RESET
        if end == _E:
            line = _paste()
        while end == _RETURN and _goes_on(line):
            more, end = _line("... ")
            line += "\n" + more
        if end == _CTRL_C or line is None or not line.strip():
            continue
        raised = _run(line + "\n", "<stdin>", "exec" if end == _E else "single")
        if isinstance(raised, SystemExit):
            return _SOFT_RESET
        if raised is not None:
            _show(raised)


def _text(typed):
    """What was typed, as text; what is no UTF-8 becomes `?`."""
    try:
        return bytes(typed).decode()
    except UnicodeError:
        return "".join([chr(byte) if byte < 128 else "?" for byte in typed])


def _line(prompt):
    """A line typed, and the key that ended it."""
    _write(prompt)
    line = bytearray()
    while True:
        byte = _read()
        if byte == _RETURN:
            _write("\r\n")
            return _text(line), byte
        if byte == _CTRL_C:
            _write("\r\n")
            return "", byte
        if byte in (_A, _B, _D, _E):
            if not line:
                return "", byte
        elif byte in (_BACKSPACE, _DELETE):
            if line:
                line = line[:-1]
                _write(b"\b \b")
        elif byte >= 32 or byte == 9:
            line.append(byte)
            _write(bytes([byte]))


def _paste():
    """Lines up to Ctrl-D, or None after Ctrl-C."""
    _write("\r\npaste mode; Ctrl-C to cancel, Ctrl-D to finish\r\n=== ")
    source = bytearray()
    while True:
        byte = _read()
        if byte in (_CTRL_C, _D):
            _write("\r\n")
            return None if byte == _CTRL_C else _text(source)
        if byte == _RETURN:
            source.append(10)
            _write("\r\n=== ")
        else:
            source.append(byte)
            _write(bytes([byte]))


def _goes_on(text):
    """Whether more lines belong to it: an open bracket or quote, a compound statement, a last backslash."""
    depth, quote, at = 0, "", 0
    while at < len(text):
        three, one = text[at : at + 3], text[at]
        if quote:
            if one == "\\":
                at += 1
            elif text[at : at + len(quote)] == quote:
                at += len(quote) - 1
                quote = ""
        elif three in ("'''", '"""'):
            quote = three
            at += 2
        elif one in "'\"":
            quote = one
        elif one == "#":
            while at < len(text) and text[at] != "\n":
                at += 1
        elif one in "([{":
            depth += 1
        elif one in ")]}":
            depth -= 1
        at += 1
    if depth > 0 or len(quote) == 3 or text.endswith("\\"):
        return True
    return text.startswith(_COMPOUND) and not text.endswith("\n")


def _own_files():
    """Only the flash folder is there, and imports come from it."""
    flash = os.getenv("PINWRIGHT_FLASH")
    if hasattr(os, "VfsPosix"):
        os.umount("/")
        os.mount(os.VfsPosix(flash), "/")
        os.chdir("/")
        sys.path[:] = ["", ".frozen", "/lib"]
    else:
        os.chdir(flash)
        sys.path[:0] = [flash, flash + "/lib"]


def main():
    """Until nobody is at the other end."""
    start = os.getenv("PINWRIGHT_START")
    _own_files()
    if start != "power":
        _write("MPY: soft reboot\r\n")
    _run_file("boot.py")
    if start != "raw":
        _run_file("main.py")
    prompt = _RAW if start == "raw" else _FRIENDLY
    machine.program_ended()
    while True:
        prompt = _raw_prompt() if prompt == _RAW else _friendly_prompt()
        if prompt in (_SOFT_RESET, _SOFT_RESET_RAW):
            machine.start_again(raw=prompt == _SOFT_RESET_RAW)


try:
    main()
except _End:
    pass
