"""What a line must be to be sent, and to be believed."""

from binascii import crc32

import pytest

from loopwarden_link.errors import BadRequest
from loopwarden_link.lines import looks_torn, read_line, request_line

GOOD = b'{"n":17,"i":0,"kind":"end","lines":0'
LINE = b'%s,"crc":"%08x"}' % (GOOD, crc32(GOOD))


@pytest.mark.outside(
    subject="checksums",
    source="computed apart, zlib by way of binascii",
    value="CRC-32 of a request",
)
def test_a_request_has_number_command_and_checksum_of_both():
    """crc32 of "@17 status" by zlib, outside this project's code."""
    assert request_line(17, "status") == b"@17 status *%08x\r" % crc32(b"@17 status")


def test_the_longest_request_has_80_bytes_without_its_end():
    assert len(request_line(65535, "f" * 63)) == 81
    with pytest.raises(BadRequest, match="64 characters where 63 fit"):
        request_line(65535, "f" * 64)


@pytest.mark.parametrize("command", ["a\rclear all", "a\nb", "\x1b[A", "f\xe9"])
def test_no_second_line_and_no_control_byte_can_be_smuggled_into_a_request(command):
    with pytest.raises(BadRequest, match="only plain ASCII"):
        request_line(1, command)


def test_a_good_line_is_read():
    assert read_line(LINE) == {"n": 17, "i": 0, "kind": "end", "lines": 0, "crc": f"{crc32(GOOD):08x}"}


@pytest.mark.parametrize("before", [b"> ", b"\x1b[K> sta", b'{"n":16,"i":3,"kind":"fau', b"\xff\x00"])
def test_what_stands_before_the_object_does_not_matter(before):
    assert read_line(before + LINE) == read_line(LINE)


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"> ",
        b"{}",
        GOOD + b"}",
        LINE[:-1],
        LINE + b" ",
        LINE.replace(b"17", b"18"),
        LINE.replace(b'"crc":"', b'"crc":"0'),
        LINE.upper(),
    ],
)
def test_anything_else_is_not(line):
    assert read_line(line) is None


@pytest.mark.parametrize(
    "body", [b'{"n":"17","i":0,"kind":"end"', b'{"n":17,"kind":"end"', b'{"n":1,"i":true,"kind":"x"', b'{"n":1,,']
)
def test_a_good_checksum_over_nonsense_is_not_enough(body):
    assert read_line(b'%s,"crc":"%08x"}' % (body, crc32(body))) is None


def test_torn_lines_are_told_from_chatter():
    assert looks_torn(LINE[5:])
    assert looks_torn(LINE[:-5])
    assert not looks_torn(b"> status")
