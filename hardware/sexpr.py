"""KiCad's files as nested lists: lists in round brackets, words, and words in quotation marks.

`(net (code "1") (name "GND"))` is read as `["net", ["code", "1"], ["name", "GND"]]`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

Tree = list  # of words and of Trees; the first is a word

_PIECE = re.compile(r'\(|\)|"((?:[^"\\]|\\.)*)"|[^\s()"]+')


def read(text: str) -> Tree:
    """The one list that a text is. Raises ValueError."""
    open_lists: list[Tree] = [[]]
    for piece in _PIECE.finditer(text):
        word = piece[0]
        if word == "(":
            inner: Tree = []
            open_lists[-1].append(inner)
            open_lists.append(inner)
        elif word == ")":
            if len(open_lists) == 1:
                raise ValueError("a bracket closes that was never opened")
            open_lists.pop()
        elif word[0] == '"':
            open_lists[-1].append(re.sub(r"\\(.)", r"\1", piece[1]))
        else:
            open_lists[-1].append(word)
    if len(open_lists) != 1 or len(open_lists[0]) != 1 or not isinstance(open_lists[0][0], list):
        raise ValueError("not one list in round brackets")
    return open_lists[0][0]


def all_of(tree: Tree, head: str) -> Iterator[Tree]:
    """The lists directly in a list that begin with a word."""
    return (one for one in tree if isinstance(one, list) and one and one[0] == head)


def one_of(tree: Tree, head: str) -> Tree:
    """The only such list. Raises ValueError."""
    found = list(all_of(tree, head))
    if len(found) != 1:
        raise ValueError(f"`{tree[0]}` has {len(found)} of `{head}`")
    return found[0]


def value(tree: Tree, head: str) -> str:
    """What follows the word in the only such list. Raises ValueError."""
    return one_of(tree, head)[1]


def quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
