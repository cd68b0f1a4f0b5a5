"""A page carries its record, and any change to any byte of it is found."""

from __future__ import annotations

import io
import random
import re
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import pypdf
import pytest

from pinwright.library import profile_of
from pinwright.records.carrier import ATTACHED, open_carrier, record_in_html, seal_html, seal_pdf
from pinwright.records.document import NotGenuine
from pinwright.records.record import read_record
from pinwright.sheets.documents import DRAWN_BY, documents_of

from .making import OPEN_AND_JOINED, TEXT, a_record, read, sealed

RECORD = sealed(a_record(OPEN_AND_JOINED, operator='</script><!-- O’Perator & "Co" \\u003c %%EOF'))
BY = "a-program-1.0"
PLACES = 1000


@pytest.fixture(scope="module")
def documents() -> Mapping[str, bytes]:
    return documents_of(read_record(RECORD, profile_of))


@pytest.fixture(scope="module")
def pdf(documents: Mapping[str, bytes]) -> bytes:
    return documents["pdf"]


@pytest.fixture(scope="module")
def unsealed(pdf: bytes) -> bytes:
    return re.sub(rb"%pinwright-seal-1 .*\n", b"", pdf)


@pytest.mark.parametrize("kind", ["pdf", "html"])
def test_a_page_gives_back_its_record_to_the_byte_and_what_drew_it(
    kind: str, documents: Mapping[str, bytes]
) -> None:
    assert (RECORD, DRAWN_BY[kind]) == open_carrier(documents[kind])


@pytest.mark.parametrize(
    "record",
    [
        sealed({"x": "</script>", "y": "<!--", "z": "]]>"}),
        sealed({"x": "\\u003c \\\\u003c \u2028 \u0000 \x7f", "<": "\U0001f600"}),
        sealed({}),
    ],
)
def test_a_record_in_a_page_is_given_back_whatever_stands_in_it(record: bytes) -> None:
    page = seal_html(f"<p>{record_in_html(record)}</p>\n".encode(), BY)
    assert (record, BY) == open_carrier(page)


def test_a_pdf_stays_one_with_its_seal(pdf: bytes, unsealed: bytes) -> None:
    assert pdf == seal_pdf(unsealed, DRAWN_BY["pdf"])
    assert len(pypdf.PdfReader(io.BytesIO(pdf), strict=True).pages) >= 1
    last = pdf.decode("latin-1").splitlines()[-4:]
    assert ["%pinwright-seal-1", "startxref", "%%EOF"] == [last[0].split()[0], last[1], last[3]]


# Every change is found


def test_every_change_of_one_byte_of_a_record_is_found() -> None:
    record = sealed(a_record() | {"decision": "As usual.", "method": "As usual.", "not_measured": []})
    assert read_record(record, profile_of).passed
    for at in range(len(record)):
        refuse(read_json, record[:at] + bytes([record[at] ^ 1]) + record[at + 1 :])


def test_a_byte_taken_out_of_a_record_or_put_in_is_found() -> None:
    record = sealed(a_record())
    for at in sample(len(record), 200):
        refuse(read_json, record[:at] + record[at + 1 :])
        refuse(read_json, record[:at] + b"0" + record[at:])


@pytest.mark.parametrize("kind", ["pdf", "html"])
def test_a_change_of_one_byte_of_a_page_is_found_wherever_it_is(
    kind: str, documents: Mapping[str, bytes]
) -> None:
    """At places all over the page, at every one of the seal, and at every one of the start and the end."""
    page = documents[kind]
    seal = page.index(b"pinwright-seal-1")
    places = {*sample(len(page)), *range(seal - 8, len(page)), *range(64)}
    assert len(places) > PLACES
    for at in sorted(places):
        refuse(open_carrier, page[:at] + bytes([page[at] ^ 1]) + page[at + 1 :])
        if at > seal - 8 or at % 8 == 0:
            refuse(open_carrier, page[:at] + bytes([page[at] ^ 0x20]) + page[at + 1 :])  # another case
            refuse(open_carrier, page[:at] + page[at + 1 :])
            refuse(open_carrier, page[:at] + b" " + page[at:])


@pytest.mark.parametrize("kind", ["pdf", "html"])
def test_a_page_that_is_cut_or_has_something_after_it_is_refused(
    kind: str, documents: Mapping[str, bytes]
) -> None:
    page = documents[kind]
    for at in (*sample(len(page), 100), *range(len(page) - 300, len(page))):
        refuse(open_carrier, page[:at])
    for more in (b"\n", b" ", b"\0", b"%%EOF\n", page, b"<!-- -->\n", b"startxref\n0\n%%EOF\n"):
        refuse(open_carrier, page + more)
        refuse(open_carrier, more + page)


def read_json(data: bytes) -> object:
    return read_record(data, profile_of)


def sample(length: int, places: int = PLACES) -> Iterator[int]:
    """Places all over, with another offset each run."""
    step = max(1, length // places)
    return iter(range(random.randrange(step), length, step))


def refuse(opening: Callable[[bytes], object], data: bytes) -> None:
    """It has to be refused, with a sentence."""
    try:
        opened = opening(data)
    except NotGenuine as error:
        reason = error.reason
    else:
        raise AssertionError(f"opened: {opened!r:.200}")
    if not (reason and reason.isprintable()):
        raise AssertionError(reason)


# What is sealed well and is nevertheless no page of ours


def refused(data: bytes) -> str:
    with pytest.raises(NotGenuine) as error:
        open_carrier(data)
    return error.value.reason


@pytest.mark.parametrize("kind", ["pdf", "html"])
def test_a_page_that_was_sealed_twice_is_refused(kind: str, documents: Mapping[str, bytes]) -> None:
    again = {"pdf": seal_pdf, "html": seal_html}[kind](documents[kind], BY)
    assert "it has several seals" == refused(again)


@pytest.mark.parametrize(
    "page", [b"", b"<html></html>\n", b"PK\3\4", b"\xff\xfe", bytes(1000), b"%PDF-1.7\n"]
)
def test_what_has_no_seal_is_refused(page: bytes) -> None:
    assert "it has no seal of ours where one should be" == refused(page)


@pytest.mark.parametrize(
    ("inner", "reason"),
    [
        ("", "it carries 0 records, not one"),
        (record_in_html(b"{}") * 2, "it carries 2 records, not one"),
        (record_in_html(b"{"), "the record that it carries is not JSON"),
        (record_in_html(b"\xc3\xa9"), "the record that it carries is not JSON"),
        (record_in_html(b"[1]"), "the record that it carries is not JSON"),
        (record_in_html(b"NaN"), "the record that it carries is not JSON"),
        (record_in_html(b'{"a":NaN}'), "the record that it carries is not JSON"),
        (record_in_html(b'{"a":1e999}'), "the record that it carries is not JSON"),
        (record_in_html(b'{"a":' + b"[" * 100_000), "the record that it carries is not JSON"),
        (record_in_html(b'{"a":' + b"9" * 5000 + b"}"), "the record that it carries is not JSON"),
        (record_in_html(b'{"a":"\\ud800"}'), "the record that it carries is not JSON"),
        (record_in_html(b"null"), "the record that it carries is not JSON"),
    ],
)
def test_a_page_without_a_record_is_refused(inner: str, reason: str) -> None:
    assert reason == refused(seal_html(f"<p>{inner}</p>\n".encode(), BY))


def rewritten(pdf: bytes, change: Callable[[pypdf.PdfWriter], Any]) -> bytes:
    """The PDF, changed by a program that knows the format, and sealed again."""
    writer = pypdf.PdfWriter(clone_from=io.BytesIO(pdf))
    change(writer)
    out = io.BytesIO()
    writer.write(out)
    return seal_pdf(out.getvalue(), BY)


def test_a_pdf_that_another_program_wrote_gives_its_record_too(unsealed: bytes) -> None:
    """Then it is up to who asks to draw it again."""
    assert (RECORD, BY) == open_carrier(rewritten(unsealed, lambda _: None))


@pytest.mark.parametrize("name", [ATTACHED, "another.json"])
def test_a_pdf_with_a_second_attachment_is_refused(name: str, unsealed: bytes) -> None:
    changed = rewritten(unsealed, lambda writer: writer.add_attachment(name, b"{}"))
    assert "it has 2 attached files, where `record.json` alone should be" == refused(changed)


@pytest.mark.parametrize("names", [(), ("another.json",)])
def test_a_pdf_without_the_record_is_refused(names: tuple[str, ...]) -> None:
    writer = pypdf.PdfWriter()
    writer.add_blank_page(100, 100)
    for name in names:
        writer.add_attachment(name, RECORD)
    out = io.BytesIO()
    writer.write(out)
    assert f"it has {len(names)} attached files, where" in refused(seal_pdf(out.getvalue(), BY))


def test_a_pdf_that_is_encrypted_is_refused(unsealed: bytes) -> None:
    changed = rewritten(unsealed, lambda writer: writer.encrypt("secret", algorithm="RC4-128"))
    assert "its attachments cannot be read: FileNotDecryptedError" == refused(changed)


def test_a_record_that_was_changed_inside_a_pdf_is_found_when_it_is_read(unsealed: bytes) -> None:
    writer = pypdf.PdfWriter()
    writer.add_blank_page(100, 100)
    writer.add_attachment(ATTACHED, RECORD.replace(b"rack", b"rock"))
    out = io.BytesIO()
    writer.write(out)
    inner, _ = open_carrier(seal_pdf(out.getvalue(), BY))
    with pytest.raises(NotGenuine, match="its contents have the SHA-256"):
        read_record(inner, profile_of)


def damaged(pdf: bytes, chance: random.Random) -> bytes:
    """Bytes changed, cut out, doubled, numbers exchanged: what still ends as a PDF does."""
    start = pdf.rindex(b"startxref\n")
    body, end = bytearray(pdf[:start]), pdf[start:]
    for _ in range(chance.choice((1, 5, 50))):
        at = chance.randrange(9, len(body))
        match chance.randrange(4):
            case 0:
                body[at] = chance.randrange(256)
            case 1:
                del body[at : at + chance.randrange(2000)]
            case 2:
                body[at:at] = body[at : at + chance.randrange(2000)]
            case _:
                numbers = list(re.finditer(rb"[0-9]+ 0 R", body))
                one, other = chance.choice(numbers), chance.choice(numbers)
                body[one.start() : one.end()] = other[0]
    if chance.random() < 0.3:
        end = b"startxref\n%d\n%%%%EOF\n" % chance.randrange(len(body) + 100)
    return bytes(body) + end


def test_a_pdf_that_is_damaged_and_sealed_again_gives_its_record_or_a_sentence_and_soon(
    unsealed: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    """What is wrong with it goes to nobody's terminal but in our sentence."""
    for seed in range(20):
        page = seal_pdf(damaged(unsealed, random.Random(seed)), BY)
        begun = time.monotonic()
        try:
            open_carrier(page)
        except NotGenuine as error:
            assert error.reason.isprintable(), seed  # noqa: PT017
        assert time.monotonic() - begun < 20, seed
    assert ("", "") == capfd.readouterr()


@pytest.mark.parametrize(
    "body",
    [
        b"%PDF-1.7\n",
        b"%PDF-1.7\n" + b"[" * 100_000,
        b"%PDF-1.7\n" + b"<<" * 100_000,
        b"%PDF-1.7\n1 0 obj 1 0 R endobj\ntrailer <</Root 1 0 R>>\n",
        b"%PDF-1.7\n1 0 obj <</Names 1 0 R /Kids [1 0 R] /EmbeddedFiles 1 0 R>> endobj\n"
        b"trailer <</Root 1 0 R /Size 2>>\n",
        b"%PDF-1.7\nxref\n0 99999999\n",
        b"%PDF-1.7\ntrailer <</Root 1 0 R /Prev 9>>\n",
    ],
)
@pytest.mark.parametrize("start", [b"0", b"9", b"99999999"])
def test_what_only_looks_like_a_pdf_is_refused_soon(
    body: bytes, start: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    begun = time.monotonic()
    assert refused(seal_pdf(body + b"startxref\n" + start + b"\n%%EOF\n", BY)).isprintable()
    assert time.monotonic() - begun < 20
    assert ("", "") == capfd.readouterr()


def test_no_name_of_a_connector_or_signal_can_end_a_page_early() -> None:
    """Texts of a profile come from a file; the page that shows them still carries one record and one seal."""
    text = TEXT.replace(
        '"Five conductors"', "'--> </script> <!-- pinwright-seal-1 drawn-by x sha256 " + "0" * 60 + "'"
    )
    drawn = documents_of(read(a_record(text=text)))
    for page in drawn.values():
        assert sealed(a_record(text=text)) == open_carrier(page)[0]
