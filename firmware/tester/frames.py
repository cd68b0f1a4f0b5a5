"""One line is one frame: marker, sequence number, words, checksum.

    >07 scan settle=20 A1B2      from the host
    <07 ok walk_us=6700 C3D4     from the board

Printable ASCII only, so a log can be read, and 0x03 never occurs: Ctrl-C stays the service door.
Sequence numbers are two hexadecimal digits; 00 is the board's when it could not read the host's.
The checksum is four hexadecimal digits: CRC-16/IBM-3740 (polynomial 0x1021, start 0xFFFF, check
value 0x29B1, as in the RevEng catalogue) over everything before the last blank.
"""

from micropython import const

MAX_LINE = const(512)
_HEX = b"0123456789ABCDEF"


class BadFrame(Exception):
    """A line that is no frame. args[0]: one word that says why."""


def crc16(data):
    """CRC-16/IBM-3740 of a bytes-like object.

    Eight bits at a time without a table: the polynomial is x^16 + x^12 + x^5 + 1, so what the byte on top
    leaves behind is itself, folded once (its upper half comes round again through x^12), at 12, 5 and 0.
    """
    crc = 0xFFFF
    for byte in data:
        top = crc >> 8 ^ byte
        top ^= top >> 4
        crc = (crc << 8 ^ top << 12 ^ top << 5 ^ top) & 0xFFFF
    return crc


def to_hex(data):
    """Upper-case hexadecimal text of a bytes-like object."""
    out = bytearray(2 * len(data))
    for i, byte in enumerate(data):
        out[2 * i] = _HEX[byte >> 4]
        out[2 * i + 1] = _HEX[byte & 15]
    return out.decode()


def from_hex(text):
    """The bytes of upper-case hexadecimal text. Raises BadFrame on anything else."""
    if len(text) % 2:
        raise BadFrame("hex")
    out = bytearray(len(text) // 2)
    for i, char in enumerate(text):
        digit = _HEX.find(char.encode())
        if digit < 0:
            raise BadFrame("hex")
        out[i // 2] = out[i // 2] << 4 | digit
    return out


def build(seq, words):
    """The line of a reply, newline included. seq: 0..255."""
    body = "<%02X %s" % (seq, words)
    return "%s %04X\n" % (body, crc16(body.encode()))


def parse(line):
    """A request line without its newline → (seq, list of words). Raises BadFrame."""
    if len(line) > MAX_LINE:
        raise BadFrame("length")
    for byte in line:
        if not 0x20 <= byte < 0x7F:
            raise BadFrame("byte")
    if len(line) < 10 or line[0] != 0x3E or line[3] != 0x20 or line[-5] != 0x20:
        raise BadFrame("shape")
    check = from_hex(bytes(line[-4:]).decode())
    if check[0] << 8 | check[1] != crc16(line[:-5]):
        raise BadFrame("checksum")
    return from_hex(bytes(line[1:3]).decode())[0], bytes(line[4:-5]).decode().split(" ")
