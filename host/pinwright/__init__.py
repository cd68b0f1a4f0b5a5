"""Pinwright: work out, build and prove replacement cables."""

__version__ = "0.8.0"
