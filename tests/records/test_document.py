"""A sealed document is canonical, and any change to it is found."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import jcs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pinwright.records.document import NotGenuine, canonical, is_sealed, open_sealed, seal

VECTORS = json.loads((Path(__file__).parents[1] / "published" / "vectors.json").read_text(encoding="utf-8"))
RECORD = {"schema": "example-1", "serial": "HL40-0007", "ohms": 0.4, "n": 7, "ok": True, "title": "Ω–lead"}

json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(min_value=-(2**53) + 1, max_value=2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)
json_objects = st.dictionaries(st.text(), json_values, max_size=5)


@pytest.mark.parametrize("vector", VECTORS["jcs_rfc8785"])
def test_the_example_of_rfc_8785_section_3_2_4_comes_out_as_printed_there(vector: dict[str, str]) -> None:
    assert vector["out"].encode() == canonical(json.loads(vector["in"]))


def test_members_are_ordered_by_utf_16_code_units_as_in_rfc_8785_section_3_2_3() -> None:
    keys = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    assert keys == list(json.loads(canonical(dict.fromkeys(sorted(keys), 0))))


@pytest.mark.parametrize(
    ("number", "text"),
    [  # RFC 8785 appendix B
        (0.0, "0"),
        (-0.0, "0"),
        (5e-324, "5e-324"),
        (1.7976931348623157e308, "1.7976931348623157e+308"),
        (9007199254740992.0, "9007199254740992"),
        (295147905179352830000.0, "295147905179352830000"),
        (9.999999999999997e22, "9.999999999999997e+22"),
        (1e23, "1e+23"),
        (999999999999999700000.0, "999999999999999700000"),
        (1e21, "1e+21"),
        (9.999999999999997e-7, "9.999999999999997e-7"),
        (0.000001, "0.000001"),
        (333333333.3333332, "333333333.3333332"),
        (-0.0000033333333333333333, "-0.0000033333333333333333"),
        (1424953923781206.2, "1424953923781206.2"),
    ],
)
def test_numbers_are_written_as_ecmascript_writes_them(number: float, text: str) -> None:
    assert f'{{"n":{text}}}'.encode() == canonical({"n": number})


@given(json_objects)
def test_a_second_implementation_writes_the_same_bytes(doc: dict[str, Any]) -> None:
    assert jcs.canonicalize(doc) == canonical(doc)


@given(json_objects)
def test_what_was_sealed_opens_again(doc: dict[str, Any]) -> None:
    assert seal(doc) == open_sealed(canonical(seal(doc)))


def test_sealing_twice_changes_nothing() -> None:
    assert seal(RECORD) == seal(seal(RECORD))


@pytest.mark.parametrize(
    "value", [float("nan"), float("inf"), 2**53, -(2**53), "\ud800", {1: "a"}, b"x", {"set"}, object()]
)
def test_a_value_that_json_cannot_carry_is_refused(value: object) -> None:
    with pytest.raises(ValueError, match=r".+"):
        canonical({"value": value})


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "it is not JSON: Expecting value at character 0"),
        (b"\xff", "byte 0 is not UTF-8"),
        (b"\xef\xbb\xbf{}", "it is not JSON: Unexpected UTF-8 BOM (decode using utf-8-sig) at character 0"),
        (b"[]", "it is JSON, but not an object"),
        (b"{}", "it has no seal (no text member `sha256`)"),
        (b'{"sha256":7}', "it has no seal (no text member `sha256`)"),
        (b'{"a":1,"a":1}', "an object in it names one member twice"),
        (b'{"a":NaN}', "it holds NaN, which is not a JSON value"),
        (b'{"a":-Infinity}', "it holds -Infinity, which is not a JSON value"),
        (b'{"a":1e999,"sha256":""}', "it holds a value that no record can hold"),
        (b'{"a":"\\ud800","sha256":""}', "it holds a value that no record can hold"),
        (b'{"a":' + b"9" * 5000 + b',"sha256":""}', "it holds a value that no record can hold"),
        (b'{"a":' + b"[" * 100_000, "it holds a value that no record can hold"),
        (b'{ "sha256":""}', "it is not in canonical form (RFC 8785)"),
        (b'{"b":1,"a":1,"sha256":""}', "it is not in canonical form (RFC 8785)"),
        (b'{"a":1.0,"sha256":""}', "it is not in canonical form (RFC 8785)"),
        (canonical(seal(RECORD)) + b"\n", "it is not in canonical form (RFC 8785)"),
    ],
)
def test_bytes_that_are_no_record_are_refused_with_what_was_seen(data: bytes, reason: str) -> None:
    with pytest.raises(NotGenuine) as refused:
        open_sealed(data)
    assert reason == refused.value.reason


def test_a_changed_value_under_the_old_seal_is_told_apart_from_a_changed_form() -> None:
    with pytest.raises(NotGenuine, match="its contents have the SHA-256"):
        open_sealed(canonical({**seal(RECORD), "ohms": 0.5}))


def test_every_change_of_one_byte_is_found() -> None:
    data = canonical(seal(RECORD))
    assert seal(RECORD) == open_sealed(data)
    for at in range(len(data)):
        for byte in range(256):
            if byte != data[at]:
                with pytest.raises(NotGenuine):
                    open_sealed(data[:at] + bytes([byte]) + data[at + 1 :])


def test_every_byte_taken_out_or_put_in_is_found() -> None:
    data = canonical(seal(RECORD))
    shorter = [data[:at] + data[at + 1 :] for at in range(len(data))]
    longer = [data[:at] + b"0" + data[at:] for at in range(len(data) + 1)]
    for changed in (*shorter, *longer):
        with pytest.raises(NotGenuine):
            open_sealed(changed)


@given(json_objects)
def test_what_was_sealed_is_seen_to_be_at_a_glance(doc: dict[str, Any]) -> None:
    assert is_sealed(canonical(seal(doc)))
    assert not is_sealed(canonical({key: value for key, value in doc.items() if key != "sha256"}))


def test_a_glance_finds_every_change_of_one_byte_too() -> None:
    data = canonical(seal(RECORD))
    for at in range(len(data)):
        for byte in (0, data[at] ^ 1, data[at] ^ 32, 255):
            if byte != data[at]:
                assert not is_sealed(data[:at] + bytes([byte]) + data[at + 1 :])
        assert not is_sealed(data[:at] + data[at + 1 :])
        assert not is_sealed(data[:at] + b"0" + data[at:])


@pytest.mark.parametrize(
    "doc",
    [
        {},
        {"a": 1},
        {"z": 1},
        {"a": {"sha256": "0" * 64}, "z": {"sha256": "1" * 64}},
        {"text": '"sha256":"' + "0" * 64 + '",'},
        {"list": [{"sha256": f"{n:064x}"} for n in range(5)]},
    ],
)
def test_a_glance_takes_out_the_documents_own_seal_wherever_it_stands(doc: dict[str, Any]) -> None:
    assert is_sealed(canonical(seal(doc)))
    assert not is_sealed(canonical({**doc, "sha256": "f" * 64}))


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"{}",
        b'{"sha256":""}',
        b'"sha256":"',
        b"\xff",
        b'{"sha256":"' + b"0" * 64 + b'"}',
        b"[" * 100_000,
    ],
)
def test_what_is_no_sealed_document_is_none_at_a_glance_either(data: bytes) -> None:
    assert not is_sealed(data)


def test_a_glance_ends_however_many_seals_there_are() -> None:
    bare = canonical({"many": [{"sha256": f"{n:064x}"} for n in range(20_000)]})
    own = f',"sha256":"{hashlib.sha256(bare).hexdigest()}"'.encode()
    assert not is_sealed(bare[:-1] + own + bare[-1:])
