"""A batch: so many cables of one profile, tested one after another. What its document says.

The document is written when the batch begins and never changed; which cables were tested in it say their own
records, each with a member `batch`. Batches of two workshops may have one id, so that member also has the
seal of the batch's document.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from pinwright.records.document import SEAL
from pinwright.records.forms import (
    TEXT,
    TEXT_OR_NULL,
    WHOLE,
    check_form,
    check_moment,
    check_said,
    check_sha256,
    read_sealed,
)

BATCH_SCHEMA = "pinwright/batch-1"
MOST_CABLES = 10_000
MOST_OPERATOR = 80
_ID = re.compile(r"(?P<profile>[A-Za-z0-9][A-Za-z0-9-]{0,63})-(?P<number>[1-9][0-9]{0,8})")
_FORM: Mapping[str, Any] = {
    "schema": TEXT,
    "id": TEXT,
    "profile": {"id": TEXT, "title": TEXT, "revision": TEXT, "sha256": TEXT},
    "count": WHOLE,
    "operator": TEXT_OR_NULL,
    "started": TEXT,
    "simulated": (bool,),
    "host": TEXT,
}
MEMBER_FORM: Mapping[str, Any] = {
    "id": TEXT,
    SEAL: TEXT,
    "item": WHOLE,
    "count": WHOLE,
    "seconds": WHOLE,
}


def batch_document(
    id: str,
    *,
    profile: Mapping[str, str],
    count: int,
    operator: str | None,
    started: str,
    simulated: bool,
    host: str,
) -> dict[str, Any]:
    """A batch that begins. Not yet sealed.

    id: as the store gives it. profile: its id, title, revision and sha256, as in a scan's document. count:
    how many cables, 1 to MOST_CABLES. started: RFC 3339. host: this version. Raises ValueError.
    """
    doc = {
        "schema": BATCH_SCHEMA,
        "id": id,
        "profile": dict(profile),
        "count": count,
        "operator": operator,
        "started": started,
        "simulated": simulated,
        "host": host,
    }
    check_form(doc, _FORM)
    _check_values(doc)
    return doc


def batch_member(id: str, sha256: str, item: int, count: int, seconds: float) -> dict[str, Any]:
    """The member `batch` of a record. sha256: the seal of the batch's document. item: which cable of the
    batch it is, from 1 on. seconds: since the last verdict, or the start, of this run of the batch."""
    member = {"id": id, SEAL: sha256, "item": item, "count": count, "seconds": round(seconds)}
    check_member(member)
    return member


def check_member(member: Mapping[str, Any]) -> None:
    """Raises ValueError where it says no cable of a batch."""
    _number_of(member["id"])
    check_sha256(member[SEAL])
    if not 1 <= member["item"] <= member["count"] <= MOST_CABLES or not 0 <= member["seconds"] < 2**31:
        raise ValueError(member)


def read_batch(data: bytes) -> dict[str, Any]:
    """The document of a batch in these bytes. Raises NotGenuine where it is none, or was changed."""
    return read_sealed(data, BATCH_SCHEMA, "batch", _FORM, _check_values)


def _check_values(doc: Mapping[str, Any]) -> None:
    """Raises ValueError where a value is none that a batch has."""
    check_sha256(doc["profile"]["sha256"])
    check_moment(doc["started"])
    if doc["operator"] is not None:
        check_said(doc["operator"], MOST_OPERATOR)
    if _number_of(doc["id"])[0] != doc["profile"]["id"] or not 1 <= doc["count"] <= MOST_CABLES:
        raise ValueError(doc["id"])


def _number_of(id: str) -> tuple[str, int]:
    """`lamp-changer-40-3` → `lamp-changer-40` and 3. Raises ValueError."""
    found = _ID.fullmatch(id)
    if not found:
        raise ValueError(id)
    return found["profile"], int(found["number"])
