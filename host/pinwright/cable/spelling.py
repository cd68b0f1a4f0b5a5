"""When two spellings of a signal mean the same one.

Schematics write "active low" in many ways, people write blanks, hyphens and capitals as they come, and some
put the connector's name before every signal of it. `key` brings all sure spellings to one form; `nRD` and
`RD_N` may mean `/RD` or may be names of their own, so `guess` only offers that, and whoever knows all the
ends decides.

A sign at the beginning or end stays where it may be a polarity: `D+` and `D-`, `+5V` and `-5V`, `RESET-` are
left alone. Which marks the trade uses is common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection

from pinwright.cable.profile import NO_CONNECTION

LOW = "/"  # before a key: active low

_BARS = "\u0304\u0305\u033f\u035e"  # combining macron, overline, double overline, double macron
_LOOSE_BARS = "\u00af\u203e"  # a macron or an overline that stands before or behind the name
_BEFORE = re.compile(r"^(?:[/\\~!\u00ac]|[*#](?=[^\W\d]))+\s*(?=\w|[({+-])")
_BEHIND = re.compile(r"(?<=[\w)}+-])\s*[*#\\/~]+$")
_BRACED = re.compile(r"^[({](.+)[)}]$")
_DASHES = dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe63\uff0d"), "-")
# Between two digits a separator tells `IN 1-2` from `IN 12`.
_SEPARATORS = re.compile(r"(?<=[^\W_])[\s_-]+(?=[^\W_])")
_SIGN = re.compile(r"[\s_]+-\s*")
_PREFIX_ENDS = " _-.:/"
_NOTHING = NO_CONNECTION | {
    *("n.c", "n c", "n-c", "n_c", "n/a", "no conn", "no connect", "no connection", "none"),
    *("not connected", "not used", "unconnected", "unused", "--", "---"),
}


def is_nothing(name: str) -> bool:
    """Whether the name says that nothing is connected."""
    plain = " ".join(name.translate(_DASHES).split()).lower()
    bare = plain.strip("()[]<>* ").removesuffix(".")
    return plain in _NOTHING or (bool(bare) and bare in _NOTHING)


def key(name: str) -> str:
    """The form in which sure spellings of one signal are equal: `/rd` for `/RD`, `RD*`, `~RD`, `Rd #`, `R̅D̅`.

    The mark stands before the part that it belongs to: `R/W*`, `R//W` and `R/W̅` are `r//w`, while `/R/W` is
    `/r/w`. A name of marks and blanks alone stays as it is.
    """
    low, body = split(name)
    return (LOW if low else "") + _folded(body)


def guess(name: str) -> str | None:
    """The key of what the name may mean beside what it says: of `nRD`, `RD_N` and `RD_n` that of `/RD`."""
    low, body = split(name)
    if low:
        return None
    if re.match(r"n[A-Z]", body):
        return LOW + _folded(body[1:])
    if found := re.fullmatch(r"(.*[^\W_])[_-][Nn]", body):
        return LOW + _folded(found[1])
    return None


def opposite(name: str) -> str | None:
    """Of `RD_N` the key of `RD_P`: where an end has both, they are two conductors of a pair."""
    found = re.fullmatch(r"(.*[^\W_])[_-][Nn]", name.strip())
    return key(f"{found[1]}_P") if found else None


def loose(name: str) -> str:
    """A key without any mark and sign: names that share it may be one signal, or may not."""
    return re.sub(r"[^\w]|_", "", key(name))


def split(name: str) -> tuple[bool, str]:
    """Whether the whole name is marked as active low, and the name without that mark.

    A mark behind a name with a slash in it belongs to its last part.
    """
    body, low = " ".join(name.translate(_DASHES).split()), False
    if bare := body.strip(_LOOSE_BARS).strip():
        low, body = bare != body, bare
    body, barred = _unbarred(unicodedata.normalize("NFKD", body))
    low |= barred
    if found := _BEFORE.match(body):
        low, body = True, body[found.end() :]
        if braced := _BRACED.match(body):
            body = braced[1]
    if found := _BEHIND.search(body):
        body = body[: found.start()]
        if "/" in body and not low:
            front, _, last = body.rpartition("/")
            body = f"{front}/{LOW}{last}" if not front.endswith("/") else body
        else:
            low = True
    return low, unicodedata.normalize("NFKC", re.sub(r"/[\\~!\u00ac]", "//", body))


def _unbarred(text: str) -> tuple[str, bool]:
    """The text without bars over its letters, and whether all of them had one; a bar over some of them
    becomes a mark before the first of these."""
    signs: list[tuple[str, bool]] = []
    for char in text:
        if char in _BARS and signs:
            signs[-1] = signs[-1][0], True
        elif char not in _BARS:
            signs.append((char, False))
    letters = [bar for char, bar in signs if char.isalnum()]
    if not any(letters):
        return "".join(char for char, _ in signs), False
    if all(letters):
        return "".join(char for char, _ in signs), True
    made, before = "", False
    for char, bar in signs:
        made += LOW if bar and not before else ""
        made += char
        before = bar or (before and not char.isalnum())
    return made, False


def _folded(body: str) -> str:
    """Without what people write differently: capitals, and blanks, hyphens and underscores inside."""

    def fold(found: re.Match[str]) -> str:
        if _SIGN.fullmatch(found[0]) and body[found.end()].isdigit():
            return "-"  # `AUX -12V` is not `AUX 12V`
        digits = body[found.start() - 1].isdigit() and body[found.end()].isdigit()
        return "_" if digits else ""

    return _SEPARATORS.sub(fold, body).casefold()


def prefixes(names: Collection[str]) -> tuple[str, ...]:
    """What may be taken off every one of these names, the shortest first: `CPU-`, then `CPU-J3_`.

    Each ends with a separator and leaves something of every name. Fewer than two different names have none.
    """
    bodies = {split(name)[1] for name in names}
    if len(bodies) < 2:
        return ()
    first, *others = sorted(bodies, key=lambda body: (len(body), body))
    found = []
    for place, char in enumerate(first[:-1], 1):
        start = first[:place].casefold()
        if not all(body[:place].casefold() == start and len(body) > place for body in others):
            break
        if char in _PREFIX_ENDS and any(sign.isalnum() for sign in start):
            found.append(first[:place])
    return tuple(found)


def without(name: str, prefix: str) -> str:
    """The name with a prefix of `prefixes` taken off, its mark kept."""
    if not prefix:
        return name
    low, body = split(name)
    return (LOW if low else "") + body[len(prefix) :].strip()
