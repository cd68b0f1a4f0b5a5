"""What board.json says of this very board."""

import json

from micropython import const

TESTER_128 = "tester-128"
POCKET_24 = "pocket-24"
MOST_CHIPS = const(8)
_NAME = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-"


class BoardFileFault(Exception):
    """board.json is there but says nothing usable."""


def read_board_file():
    """What this very board is: {"fixture": "tester-128" or "pocket-24", "fitted": 1 to 8 expanders,
    "lane": whether it measures ohms, "name": "bench-2"}; absent: a tester-128, all fitted, with a lane if
    all are. Returns fixture, name, number of expanders, lane.

    It stays on the board when the firmware is replaced. Raises BoardFileFault.
    """
    try:
        with open("board.json") as file:
            text = file.read(1000)
    except OSError:
        return TESTER_128, "", MOST_CHIPS, True
    except ValueError:  # not text
        raise BoardFileFault from None
    try:
        told = json.loads(text)
        name = told.get("name", "")
        fixture = told.get("fixture", TESTER_128)
        fitted = told.get("fitted", MOST_CHIPS)
        if fixture not in (TESTER_128, POCKET_24):
            raise BoardFileFault
        if type(fitted) is not int or not 1 <= fitted <= MOST_CHIPS:
            raise BoardFileFault
        if fixture == POCKET_24 and ("fitted" in told or "lane" in told):
            raise BoardFileFault
        lane = told.get("lane", fixture == TESTER_128 and fitted == MOST_CHIPS)
        if type(lane) is not bool:
            raise BoardFileFault
        if type(name) is not str or len(name) > 32 or not all(c in _NAME for c in name):
            raise BoardFileFault
    except (ValueError, AttributeError, TypeError, MemoryError):  # a thousand brackets take what there is
        raise BoardFileFault from None
    return fixture, name, fitted, lane
