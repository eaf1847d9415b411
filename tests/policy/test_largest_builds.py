"""Every intermediate stays below 2**30 in magnitude at the largest builds that the device accepts, at extreme readings.

1000 V, 50 Mohm, 1000 A, the largest capacitance and resistors, the longest times: the watch names the line that would
leave the small integers; under the 32-bit build such a value would come from the heap.
"""

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import loopwarden
from micropython_runs.runners import run_wasm
from micropython_runs.small_ints import LIMIT, watched

from .guest.replay import FIELDS, Recorder
from .rig import device_values

GUEST = Path(__file__).parent / "guest"
FIRMWARE = Path(loopwarden.__file__).parents[1]
TOP = {
    "working_v": 1000,
    "dead_mv": 57_000,
    "noise_mv": 3_000,
    "pack_low_mv": 150_000,
    "pack_high_mv": 1_000_000,
    "pack_over_mv": 999_000,
    "pack_derate_mv": 800_000,
    "pack_under_mv": 700_000,
    "bus_max_mv": 1_000_000,
    "charge_end_mv": 990_000,
    "current_threshold_ma": 5_000,
    "drive_current_ma": 1_000_000,
    "charge_current_ma": 1_000_000,
    "break_ma": 1_000_000,
    "iso_warn_ohm": 49_000_000,
    "iso_warn_clear_ohm": 50_000_000,
    "iso_fault_ohm": 25_000_000,
    "hold_max_ms": 7_200_000,
    "after_run_ms": 1_800_000,
    "crawl_ms": 600_000,
    "ramp_ms": 120_000,
    "fallback_ms": 600_000,
    "coast_ms": 600_000,
}
# The largest capacitances that this voltage allows, with resistors from very small to very large.
BUILDS = {
    "large resistors": TOP
    | {"bus_c_uf": 10_000, "precharge_r_mohm": 10_000_000, "discharge_r_mohm": 100_000_000, "bleed_tau_ms": 3_600_000},
    "small resistors": TOP | {"bus_c_uf": 10_000, "precharge_r_mohm": 10_000, "discharge_r_mohm": 10_000},
    "large budgets": TOP
    | {
        "bus_c_uf": 10_000,
        "precharge_budget_mj": 500_000_000,
        "discharge_budget_mj": 500_000_000,
        "precharge_cool_s": 3_600,
        "discharge_cool_s": 3_600,
    },
    "long precharge": TOP
    | {
        "rc_ms": 60_000,
        "half_rc_ms": 30_000,
        "precharge_min_ms": 90_000,
        "precharge_max_ms": 270_000,
        "settle_max_ms": 450_000,
        "flat_ms": 18_000,
    },
}
DTS = (1, 20, 100)


def values_of(name):
    return device_values("orchard_truck") | BUILDS[name]


readings = st.one_of(
    st.none(), st.sampled_from([0, 1, -1_000_000, 1_000_000, 999_999]), st.integers(-1_000_000, 1_000_000)
)
inputs = st.fixed_dictionaries(
    {
        "pack_mv": readings,
        "bus_mv": readings,
        "current_ma": readings,
        "supply_mv": st.one_of(st.none(), st.integers(0, 100_000)),
        "reference_mv": st.one_of(st.none(), st.integers(0, 10_000)),
        "isolation_ohm": st.one_of(st.none(), st.sampled_from([0, 50_000_000]), st.integers(0, 50_000_000)),
        "isolation_age_ms": st.integers(0, 600_000),
        "speed_mm_s": st.one_of(st.none(), st.integers(0, 100_000)),
        "speed_pulses": st.one_of(st.none(), st.integers(0, 1_000)),
        "late_ms": st.integers(0, 10_000),
        "heap_free": st.integers(0, 1 << 24),
        "bits": st.integers(0, 0x003F1FFF),
        "known": st.sampled_from([0x003F1FFF, 0x003F1FFF, 0]),
        "latch": st.sampled_from([0, 0, 0x003F0060]),
        "loop_low": st.sampled_from([0, 0, 0x3F]),
        "loop_high": st.sampled_from([0, 0, 0x3F]),
        "bad": st.sampled_from([0, 0, 0, 1, 4]),
        "zone": st.integers(-1_000, 4_000),
        "ticks": st.sampled_from([1, 3, 50]),
        "dt": st.sampled_from(DTS),
    }
)


def put(target, case):
    """One case into an Inputs object; a value of None goes with a state that says why."""
    for name in FIELDS:
        if name in case:
            setattr(target, name, case[name])
        elif name.endswith("_state"):
            setattr(target, name, case["bad"])
    target.zone_dc[:] = [case["zone"]] * len(target.zone_dc)
    target.zone_state[:] = [case["bad"]] * len(target.zone_state)


@pytest.fixture(scope="module")
def checked():
    """The policy with every result watched, and what it saw."""
    with watched("loopwarden.policy", "loopwarden.memory") as watch:
        from loopwarden.build import Build
        from loopwarden.memory.ram import RamMemory
        from loopwarden.policy.supervisor import Supervisor
        from loopwarden.signals import Inputs, Outputs

        yield watch, Build, RamMemory, Supervisor, Inputs, Outputs


def accepted(build, values):
    try:
        build(values)
    except ValueError:
        return False
    return True


def at_the_edge(build, key, good, bad):
    """The value of `key` that the device still accepts, next to one that it refuses; `bad` itself if it takes that."""
    values = device_values("orchard_truck") | TOP
    if accepted(build, values | {key: bad}):
        return bad
    assert accepted(build, values | {key: good})
    while abs(good - bad) > 1:
        middle = (good + bad) // 2
        if accepted(build, values | {key: middle}):
            good = middle
        else:
            bad = middle
    return good


@pytest.mark.parametrize(
    ("key", "good", "bad"),
    [("bus_c_uf", 1_000, 100_000), ("precharge_r_mohm", 100_000, 1), ("discharge_r_mohm", 1_000_000, 1)],
)
def test_energies_at_the_edge_of_what_the_device_accepts(checked, key, good, bad):
    """The largest capacitor and the smallest resistors of a 1000 V build, at 1000 V; or the device refuses it."""
    _, build, memory, supervisor, inputs_of, outputs_of = checked
    edge = at_the_edge(build, key, good, bad)
    sup = supervisor(build(device_values("orchard_truck") | TOP | {key: edge}), memory())
    read, out = inputs_of(), outputs_of()
    sup.step(read, out, 20)
    read.pack_mv, read.pack_state, read.bus_mv, read.bus_state = 1_000_000, 0, 0, 0
    r = sup.resistors
    r.precharge_closes()
    out.precharge = out.discharge = 1
    for _ in range(20):
        sup.electrics.step()
        r.step(100)
    assert 0 < r.one_mj(1_000_000) < LIMIT
    assert 0 < r.ending_mj(1_000_000) < LIMIT
    assert {r.discharge_fits(r.one_mj(1_000_000)), r.discharge_fits(r.ending_mj(1_000_000))} <= {0, 1}


STAGES = range(19)


@pytest.mark.parametrize("name", BUILDS)
@settings(max_examples=120)
@given(history=st.lists(st.tuples(st.sampled_from(STAGES), inputs), min_size=1, max_size=6))
def test_no_value_on_the_way_leaves_the_small_integers(checked, name, history):
    """Any readings in any stage, entered straight, for up to 50 ticks; then the watch has the last word."""
    _, build, memory, supervisor, inputs_of, outputs_of = checked
    sup = supervisor(build(values_of(name)), memory())
    read, out = inputs_of(), outputs_of()
    for stage, case in history:
        put(read, case)
        sup.step(read, out, case["dt"])
        sup.phases.enter(stage)
        out.precharge = out.discharge = out.negative = 1
        for _ in range(case["ticks"]):
            sup.step(read, out, case["dt"])


def test_a_whole_drive_at_the_largest_build(checked):
    """Up and down with readings near 1000 V, and the largest magnitude seen is not far from what a word holds."""
    watch, build, memory, supervisor, inputs_of, outputs_of = checked
    sup = supervisor(build(values_of("large budgets")), memory())
    read, out = inputs_of(), outputs_of()
    recorder = Recorder()
    recorder.power_up()
    case = {
        "pack_mv": 980_000,
        "bus_mv": 0,
        "current_ma": 0,
        "supply_mv": 13_500,
        "reference_mv": 1_500,
        "isolation_ohm": 50_000_000,
        "isolation_age_ms": 100,
        "speed_mm_s": None,
        "speed_pulses": 0,
        "late_ms": 0,
        "heap_free": 1 << 17,
        "latch": 0,
        "loop_low": 0,
        "loop_high": 0,
        "known": 0x003F1FFF,
        "bad": 0,
        "zone": 250,
    }
    phases = set()
    closed = 0x003F0000 | 1 << 10
    for tick in range(6_000):
        key = 1 if 20 < tick < 3_000 else 0
        bits = closed | key | (1 << 1 if 160 < tick < 170 else 0)
        bits |= (1 << 8 if out.positive else 0) | (1 << 9 if out.negative else 0)
        if out.negative and (out.precharge or out.positive):
            case["bus_mv"] += (980_000 - case["bus_mv"]) // 5 + 1
        elif out.discharge:
            case["bus_mv"] -= case["bus_mv"] // 50 + 1
        case["bits"] = bits
        put(read, case)
        recorder.add(read, 20)
        sup.step(read, out, 20)
        sup.memory.work(sup)
        phases.add(sup.phase)
    assert phases >= {0, 1, 2, 3, 5, 6}, phases
    assert LIMIT > watch.largest > 500_000_000, (watch.largest, watch.place)
    build_json = json.dumps(values_of("large budgets")).encode()
    files = {"build.json": build_json, "ticks.bin": recorder.data(), "window.txt": b"0 0"}
    script = (GUEST / "tick_cost.py").read_text(encoding="utf-8")
    answer = json.loads(run_wasm(script, path=[FIRMWARE, GUEST], files=files).stdout)
    assert (answer["heap"], answer["heap_at"]) == (0, [])
