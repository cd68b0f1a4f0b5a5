# mypy: ignore-errors
"""MicroPython's `micropython` module as far as firmware under CPython needs it: all of it does nothing."""


def const(value):
    return value


def native(function):
    return function


viper = asm_thumb = bytecode = native


def heap_lock():
    pass


def heap_unlock():
    return 0


def kbd_intr(char):
    pass


def alloc_emergency_exception_buf(size):
    pass


def mem_info(verbose=False):
    pass


def opt_level(level=0):
    return 0


def schedule(function, argument):
    function(argument)
