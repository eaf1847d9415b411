"""Seals: what carries none, or another schema's, is named and not guessed at."""

import pytest
from crccheck.crc import Crc32
from hypothesis import given
from hypothesis import strategies as st

from loopwarden.memory.sealed import DAMAGED, FOREIGN, HEAD, SCHEMA, TAIL, seal, sealed_kind, sequence_of


def sealed(content=b"", kind=3, sequence=7):
    buffer = bytearray(HEAD) + bytearray(content) + bytearray(TAIL)
    seal(buffer, len(buffer), kind, sequence)
    return buffer


@pytest.mark.outside(
    subject="checksums",
    source="the catalogue of parametrised CRC algorithms; computed apart, crccheck",
    value='CRC-32/ISO-HDLC on "123456789": CBF43926',
)
def test_the_checksum_is_the_catalogued_crc_32():
    """CRC-32/ISO-HDLC, check value CBF43926: the catalogue of parametrised CRC algorithms, by way of crccheck."""
    assert Crc32.calc(b"123456789") == 0xCBF43926
    buffer = sealed(b"123456789")
    assert int.from_bytes(buffer[-TAIL:], "little") == Crc32.calc(buffer[:-TAIL])


@given(st.binary(max_size=200), st.integers(0, 255), st.integers(0, 1 << 30))
def test_a_sealed_record_tells_kind_and_sequence(content, kind, sequence):
    buffer = sealed(content, kind, sequence)
    assert (sealed_kind(buffer, len(buffer)), sequence_of(buffer)) == (kind, sequence)
    assert buffer[HEAD:-TAIL] == content


@pytest.mark.outside(
    subject="checksums",
    source="algebra of cyclic codes",
    value="a CRC of 32 bits finds every single wrong bit",
)
@given(st.binary(min_size=1, max_size=60), st.data())
def test_one_wrong_bit_is_damage(content, data):
    """A CRC of 32 bits finds every single bit and every burst up to 32 (a property of cyclic codes)."""
    buffer = sealed(content)
    bit = data.draw(st.integers(0, 8 * len(buffer) - 1))
    buffer[bit // 8] ^= 1 << bit % 8
    assert sealed_kind(buffer, len(buffer)) == DAMAGED


def test_a_good_checksum_behind_another_marker_is_no_record():
    """Somebody else's file may carry the same kind of checksum."""
    buffer = sealed(b"not ours")
    buffer[0] ^= 1
    buffer[-TAIL:] = Crc32.calc(buffer[:-TAIL]).to_bytes(TAIL, "little")
    assert sealed_kind(buffer, len(buffer)) == DAMAGED


def test_a_whole_record_of_another_schema_is_foreign_not_damaged():
    buffer = sealed(b"from tomorrow")
    buffer[3] = SCHEMA + 1
    buffer[-TAIL:] = Crc32.calc(buffer[:-TAIL]).to_bytes(TAIL, "little")
    assert sealed_kind(buffer, len(buffer)) == FOREIGN


def test_erased_flash_and_zeros_are_no_record():
    for byte in (0xFF, 0):
        buffer = bytearray([byte]) * 256
        assert sealed_kind(buffer, len(buffer)) == DAMAGED
