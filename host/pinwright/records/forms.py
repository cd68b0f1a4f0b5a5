"""What a document has to hold: types of its members, and values that all documents share."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from pinwright.errors import SerialError
from pinwright.records.document import NotGenuine, open_sealed
from pinwright.tester.calibration import rfc3339

TEXT, TEXT_OR_NULL, WHOLE, NUMBER = (str,), (str, type(None)), (int,), (int, float)
NUMBER_OR_NULL = (int, float, type(None))
_SHA256 = re.compile(r"[0-9a-f]{64}")
_MOMENT = "%Y-%m-%dT%H:%M:%SZ"


def check_form(value: Any, form: Any) -> None:
    """Raises TypeError or KeyError where a member is of another type than its form says, or missing.

    form: a tuple of types, `[form]` of every item, or name → form; a name with `?` may be missing, for
    versions before this one did not write it; `*` is any name.
    """
    allowed = form if isinstance(form, tuple) else (form,)
    kinds = {one if isinstance(one, type) else type(one): one for one in allowed}
    if type(value) not in kinds:
        raise TypeError
    form = kinds[type(value)]
    if isinstance(form, list):
        for one in value:
            check_form(one, form[0])
    elif isinstance(form, dict):
        for name, inner in form.items():
            key = name.removesuffix("?")
            if name == "*":
                for one in value.values():
                    check_form(one, inner)
            elif key == name or key in value:
                check_form(value[key], inner)


def check_moment(text: str) -> None:
    """Raises ValueError where it is not written as `rfc3339` writes one."""
    if rfc3339(datetime.strptime(text, _MOMENT).replace(tzinfo=UTC)) != text:
        raise ValueError


def check_sha256(text: str) -> None:
    """Raises ValueError where it is no SHA-256 in small hex digits."""
    if not _SHA256.fullmatch(text):
        raise ValueError


def check_said(text: str, most: int) -> None:
    """Raises ValueError where it does not print, or is empty or too long."""
    if not text.strip() or len(text) > most or not text.isprintable():
        raise ValueError


def read_sealed(
    data: bytes, schema: str, what: str, form: Any, check: Callable[[Mapping[str, Any]], None]
) -> dict[str, Any]:
    """The document of one schema in these bytes. what: it is called. check: raises ValueError or SerialError
    where a value is none that it has. Raises NotGenuine where it is none, or was changed."""
    doc = open_sealed(data)
    try:
        if doc["schema"] != schema:
            raise NotGenuine(f"it is no {what} that this version reads: its schema is not `{schema}`")
        check_form(doc, form)
        check(doc)
    except NotGenuine:
        raise
    except (KeyError, TypeError, ValueError, SerialError):
        raise NotGenuine(f"it lacks what a {what} holds, or holds it in another form") from None
    return doc
