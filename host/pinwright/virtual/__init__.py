"""The tester without a board: the real firmware files over a model of the hardware beneath them.

From the firmware down:

    firmware (MicroPython) → shim/machine.py → local socket → process → board → expander → circuit
"""
