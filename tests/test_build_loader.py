"""The board's loader of a packed build: takes what `pack` writes, and nothing else, on all three interpreters."""

import copy
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopwarden.build import Build, load
from loopwarden_build.integer_build import to_device
from loopwarden_build.load import read_build
from loopwarden_build.pack import pack_bytes
from micropython_runs.runners import run_cpython, run_unix, run_wasm

ROOT = Path(__file__).resolve().parents[1]
VALUES = {
    name: to_device(read_build(ROOT / "host_sim" / "builds" / f"{name}.toml"))
    for name in ("orchard_truck", "bench_cart")
}
TRUCK = VALUES["orchard_truck"]
PACKED = pack_bytes(TRUCK)


@pytest.mark.parametrize("name", VALUES)
def test_what_was_packed_comes_back(name):
    build = load(pack_bytes(VALUES[name]))
    assert vars(build) == VALUES[name]


def test_packing_is_canonical():
    """The same bytes whatever the order of the keys; the digest is SHA-256 as every tool computes it (hashlib)."""
    assert pack_bytes(dict(reversed(TRUCK.items()))) == PACKED
    head, body = PACKED.split(b"\n", 1)
    assert b"\n" not in body
    assert json.loads(body) == TRUCK
    assert head.startswith(b"loopwarden-build 1 ")
    assert len(head) == len(b"loopwarden-build 1 ") + 64


def test_every_flipped_bit_is_noticed():
    for at in range(len(PACKED)):
        for bit in range(8):
            damaged = bytearray(PACKED)
            damaged[at] ^= 1 << bit
            with pytest.raises(ValueError, match=r"^build: "):
                load(bytes(damaged))


def test_every_cut_is_noticed():
    for end in range(len(PACKED)):
        with pytest.raises(ValueError, match=r"^build: "):
            load(PACKED[:end])


def test_more_at_the_end_is_noticed():
    with pytest.raises(ValueError, match="digest"):
        load(PACKED + b"\n")


def test_another_schema_is_refused_before_its_keys_are():
    with pytest.raises(ValueError, match="does not begin with 'loopwarden-build 1'"):
        load(PACKED.replace(b"loopwarden-build 1 ", b"loopwarden-build 2 ", 1))


@pytest.mark.parametrize("key", TRUCK)
def test_a_missing_key_is_named(key):
    values = {name: value for name, value in TRUCK.items() if name != key}
    with pytest.raises(ValueError, match=rf"^build: {key} is missing$"):
        load(pack_bytes(values))


def test_an_extra_key_is_named():
    with pytest.raises(ValueError, match=r"^build: spare_mv is not known$"):
        load(pack_bytes({**TRUCK, "spare_mv": 1}))


@pytest.mark.parametrize("key", [key for key, value in TRUCK.items() if isinstance(value, int)])
@pytest.mark.parametrize("value", [2**30, -(2**30), True, 1.0, None, "1", [1]])
def test_what_no_key_may_hold_is_refused_by_every_integer(key, value):
    with pytest.raises(ValueError, match=rf"^build: {key} "):
        Build({**TRUCK, key: value})


@pytest.mark.parametrize("key", [key for key, value in TRUCK.items() if isinstance(value, list) and value])
@pytest.mark.parametrize("item", [2**30, -(2**30), True, 1.0, None, "1", []])
def test_what_no_list_may_hold_is_refused_by_every_list(key, item):
    values = copy.deepcopy(TRUCK)
    values[key][-1] = item
    with pytest.raises(ValueError, match=rf"^build: {key} "):
        Build(values)


@pytest.mark.parametrize(
    "key", [key for key, value in TRUCK.items() if isinstance(value, list) and value and key != "convert_zone_counts16"]
)
def test_a_list_of_the_wrong_length_is_refused(key):
    """All lists but the temperature tables belong to loops, zones or points, one entry each."""
    values = copy.deepcopy(TRUCK)
    values[key].append(values[key][-1])
    with pytest.raises(ValueError, match=r"^build: \w+ is not a list of \d+ to \d+ values$"):
        Build(values)


@pytest.mark.parametrize("debounce", [[[1]], [[1, 2, 3]], [1], 1, [[1, 60_001]], [[-1, 20]]])
def test_debounce_must_be_pairs_in_range(debounce):
    with pytest.raises(ValueError, match=r"^build: debounce "):
        Build({**TRUCK, "debounce": debounce})


@pytest.mark.parametrize("name", ["", "x" * 61, 7])
def test_the_name_must_be_a_short_text(name):
    with pytest.raises(ValueError, match=r"^build: name "):
        Build({**TRUCK, "name": name})


@pytest.mark.parametrize("body", [b"[]", b"1", b"{", b"\xff", b""])
def test_a_good_digest_over_something_else_is_refused(body):
    import hashlib

    with pytest.raises(ValueError):  # noqa: PT011 the JSON reader's own words are good enough for a forged file
        load(b"loopwarden-build 1 " + hashlib.sha256(body).hexdigest().encode() + b"\n" + body)


@given(
    st.dictionaries(
        st.sampled_from([key for key, value in TRUCK.items() if isinstance(value, int)]), st.integers(-1, 2**20)
    )
)
def test_any_value_is_kept_as_it_is_or_refused(changes):
    values = {**TRUCK, **changes}
    try:
        build = load(pack_bytes(values))
    except ValueError:
        return
    assert vars(build) == values


SCRIPT = """
from loopwarden.build import load

data = open('build.lw', 'rb').read()
build = load(data)
print(build.name, build.dead_mv, build.convert_zone_counts16, build.debounce)
for damaged in (
    data[:200] + bytes([data[200] ^ 1]) + data[201:],
    data[:-1],
    b'',
    b'loopwarden-build 2 ' + data[19:],
    open('missing.lw', 'rb').read(),
    open('range.lw', 'rb').read(),
    open('bool.lw', 'rb').read(),
    open('float.lw', 'rb').read(),
):
    try:
        load(damaged)
        print('taken')
    except ValueError as error:
        print(error)
"""


def test_three_interpreters_take_and_refuse_alike():
    files = {
        "build.lw": PACKED,
        "missing.lw": pack_bytes({key: value for key, value in TRUCK.items() if key != "dead_mv"}),
        "range.lw": pack_bytes({**TRUCK, "dead_mv": 60_001}),
        "bool.lw": pack_bytes({**TRUCK, "dead_mv": True}),
        "float.lw": pack_bytes({**TRUCK, "dead_mv": 57000.0}),
    }
    path = [ROOT / "firmware", ROOT / "host_sim"]
    expected = run_cpython(SCRIPT, path=path, files=files)
    assert expected.splitlines()[1:] == [
        "build: the digest does not fit, the file is damaged",
        "build: the digest does not fit, the file is damaged",
        "build: the file does not begin with 'loopwarden-build 1'",
        "build: the file does not begin with 'loopwarden-build 1'",
        "build: dead_mv is missing",
        "build: dead_mv is 60001, outside 1 to 60000",
        "build: dead_mv holds something that is not an integer",
        "build: dead_mv holds something that is not an integer",
    ]
    assert run_unix(SCRIPT, path=path, files=files) == expected
    assert run_wasm(SCRIPT, path=path, files=files).stdout == expected
