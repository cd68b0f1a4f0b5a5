"""Large letters made of blocks, to be read from an arm's length. The shapes are our own."""

from __future__ import annotations

ROWS = 5
_DRAWN = """
0 ### #.# #.# #.# ###
1 .#. ##. .#. .#. ###
2 ### ..# ### #.. ###
3 ### ..# .## ..# ###
4 #.# #.# ### ..# ..#
5 ### #.. ### ..# ###
6 ### #.. ### #.# ###
7 ### ..# .#. .#. .#.
8 ### #.# ### #.# ###
9 ### #.# ### ..# ###
A .#. #.# ### #.# #.#
B ##. #.# ##. #.# ##.
C ### #.. #.. #.. ###
D ##. #.# #.# #.# ##.
E ### #.. ##. #.. ###
F ### #.. ##. #.. #..
G ### #.. #.# #.# ###
H #.# #.# ### #.# #.#
I ### .#. .#. .#. ###
J ..# ..# ..# #.# ###
K #.# #.# ##. #.# #.#
L #.. #.. #.. #.. ###
M #...# ##.## #.#.# #...# #...#
N #..# ##.# #.## #..# #..#
O ### #.# #.# #.# ###
P ### #.# ### #.. #..
Q ### #.# #.# ### ..#
R ##. #.# ##. #.# #.#
S ### #.. ### ..# ###
T ### .#. .#. .#. .#.
U #.# #.# #.# #.# ###
V #.# #.# #.# #.# .#.
W #...# #...# #.#.# ##.## #...#
X #.# #.# .#. #.# #.#
Y #.# #.# .#. .#. .#.
Z ### ..# .#. #.. ###
. . . . . #
+ ... .#. ### .#. ...
- ... ... ### ... ...
– ... ... ### ... ...
… ..... ..... ..... ..... #.#.#
→ ..#.. ...#. ##### ...#. ..#..
? ### ..# .## ... .#.
"""
_SHAPES = {line[0]: tuple(line[2:].split(" ")) for line in _DRAWN.strip().splitlines()}
_SHAPES[" "] = (".",) * ROWS


def large(text: str, width: int, ascii: bool) -> list[str]:
    """The text in ROWS lines, two characters wide a dot, or one where it would not fit so; nothing where it
    does not fit at all. What has no shape is a question mark. ascii: made of `#`."""
    shapes = [_SHAPES.get(char, _SHAPES["?"]) for char in text.upper()]
    rows = [".".join(shape[row] for shape in shapes) for row in range(ROWS)]
    for across in (2, 1):
        if len(rows[0]) * across <= width:
            full, empty = ("#" if ascii else "█") * across, " " * across
            return [row.replace(".", empty).replace("#", full).rstrip() for row in rows]
    return []
