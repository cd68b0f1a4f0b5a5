"""A sealed document: JSON in the one canonical form of RFC 8785, with its own SHA-256 inside.

A record's bytes are exactly its canonical form, without a newline after it, so that whoever has an
RFC 8785 library can check one: parse, take out `sha256`, write canonically, hash, compare.
The seal shows damage and careless editing. Whoever edits on purpose can seal again.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Mapping
from itertools import islice
from typing import Any

import rfc8785

SEAL = "sha256"
_SEAL_MEMBER = re.compile(rb'"sha256":"([0-9a-f]{64})"')
_MOST_SEALS = 8  # members of that name that a document has: of itself, profile, batch, the test before
_EXACT = 2**53 - 1  # the largest integer that RFC 8785 writes as one (IEEE 754 doubles, section 3.2.2.3)


class NotGenuine(ValueError):
    """Bytes that are no sealed document, or one that was changed. reason: what was observed."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def canonical(doc: Mapping[str, Any]) -> bytes:
    """The RFC 8785 form of a JSON object, UTF-8.

    Raises ValueError for what JSON cannot carry unchanged: NaN, infinities, integers of 2**53 and
    beyond, lone surrogates, keys that are not text, values of other types.
    """
    return rfc8785.dumps(dict(doc))


def seal(doc: Mapping[str, Any]) -> dict[str, Any]:
    """The document with the member `sha256`: the hash, in hex, of its canonical form without that member."""
    bare = {key: value for key, value in doc.items() if key != SEAL}
    return {**bare, SEAL: hashlib.sha256(canonical(bare)).hexdigest()}


def open_sealed(data: bytes) -> dict[str, Any]:
    """The document in the bytes of a record. Raises NotGenuine unless every byte is as it was sealed."""
    try:
        doc = parsed(data.decode("utf-8"), parse_int=_as_ecmascript)
        if not isinstance(doc, dict):
            raise NotGenuine("it is JSON, but not an object")
        if not isinstance(doc.get(SEAL), str):
            raise NotGenuine(f"it has no seal (no text member `{SEAL}`)")
        again = canonical(doc)
    except NotGenuine:
        raise
    except UnicodeDecodeError as error:
        raise NotGenuine(f"byte {error.start} is not UTF-8") from None
    except json.JSONDecodeError as error:
        raise NotGenuine(f"it is not JSON: {error.msg} at character {error.pos}") from None
    except (ValueError, RecursionError):
        raise NotGenuine("it holds a value that no record can hold") from None
    if again != data:
        raise NotGenuine("it is not in canonical form (RFC 8785)")
    expected = seal(doc)[SEAL]
    if doc[SEAL] != expected:
        raise NotGenuine(f"its contents have the SHA-256 {expected}, its seal says `{doc[SEAL]}`")
    return doc


def is_sealed(data: bytes) -> bool:
    """Whether these bytes are as they were sealed, without reading them as JSON: faster than open_sealed.

    The seal's member is cut out as text, and what is left has to have that hash: then it is, to the byte,
    what was sealed. That this was in canonical form and had the seal in the right place, open_sealed proves.
    """
    # A quotation mark inside a text is written `\"`, so this is a member. The outermost one comes late.
    for found in reversed(list(islice(_SEAL_MEMBER.finditer(data), _MOST_SEALS))):
        start, end = found.span()
        if data[start - 1 : start] == b",":
            start -= 1
        elif data[end : end + 1] == b",":
            end += 1
        bare = hashlib.sha256(data[:start])
        bare.update(data[end:])
        if bare.hexdigest().encode() == found[1]:
            return True
    return False


def parsed(data: str | bytes, parse_int: Callable[[str], int | float] | None = None) -> Any:
    """What JSON says, read strictly. Raises NotGenuine where a member is named twice or a number is none, and
    whatever else json.loads does."""
    return json.loads(
        data, object_pairs_hook=_without_duplicates, parse_constant=_no_constant, parse_int=parse_int
    )


def _without_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) < len(pairs):
        raise NotGenuine("an object in it names one member twice")
    return members


def _no_constant(name: str) -> None:
    raise NotGenuine(f"it holds {name}, which is not a JSON value")


def _as_ecmascript(digits: str) -> int | float:
    """RFC 8785 writes the double 1e20 as digits alone; reading them must give the double again."""
    number = float(digits)
    return int(digits) if abs(number) <= _EXACT else number
