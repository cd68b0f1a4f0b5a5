"""Where the data that come with the program lie: profiles, firmware, hardware.

An installed wheel carries them inside the package, a source checkout beside `host/`.
"""

from __future__ import annotations

from pathlib import Path

from pinwright.errors import OwnBug

_PACKAGE = Path(__file__).resolve().parent


def folder(name: str) -> Path:
    """The folder `firmware`, `profiles` or `hardware`. Raises OwnBug if this installation lacks it."""
    places = (_PACKAGE / "data" / name, _PACKAGE.parents[1] / name)
    for place in places:
        if place.is_dir():
            return place
    looked = " and ".join(f"`{place}`" for place in places)
    raise OwnBug(f"this installation has no `{name}` folder; looked in {looked}")
