"""What the policy is put through where every tick counts: heap, digest, integers, instructions.

Each story drives a rig and is recorded, so that the same ticks run under CPython and both MicroPythons. `STORIES` maps
its name to (build name, changes of the build, function).
"""

import json
import math
from functools import cache

from loopwarden import signals as S

from .guest.replay import Recorder
from .rig import Rig, device_build, device_values

TRUCK = "orchard_truck"
CART = "bench_cart"


def down(rig, within_ms=250_000):
    """Key off, until off and dead."""
    rig.key = 0
    rig.until(lambda r: r.phase in ("off", "locked out") and not r.memory.mark, within_ms)
    return rig.run(2_000)


def day(rig):
    """Up, a drive with pedal and temperatures moving, down."""
    rig.go_live()
    for k in range(1500):
        rig.speed_mm_s = 9_000 + 5_000 * math.sin(k / 90)
        rig.plant.load_a = 80 * math.sin(k / 50)
        rig.zones_dc = [250 + k // 25 + z for z in range(len(rig.zones_dc))]
        rig.isolation_ohm = 4_000_000 - 500 * k
        rig.tick()
    down(rig.stand())


def hot(rig):
    """Everything gets hot, past every level, and cools again while the drive winds down."""
    rig.drive()
    for k in range(2500):
        rise = min(k, 1400) - max(k - 1600, 0)
        rig.zones_dc = [250 + rise // 3 + z for z in range(len(rig.zones_dc))]
        if len(rig.zones_dc) > 4:
            rig.zones_dc[3:] = [250 + rise // 2, 250 + rise]
        rig.tick()
    down(rig.stand())


def emergency(rig):
    """Emergency stop at speed, roll out, back to dead; acknowledged and started again."""
    rig.drive()
    rig.stop = 1
    rig.run(400)
    rig.stop = 0
    rig.stand()
    down(rig)
    rig.ack = 1
    rig.run(200)
    rig.ack = 0
    rig.turn_key().press_start()
    rig.run(2_000)


def charge(rig):
    """Plugged in, charged to the end, out."""
    rig.plug = 1
    rig.wake().turn_key().press_start()
    rig.until(lambda r: r.phase == "live", 5_000)
    rig.plant.load_a = -50.0
    rig.run(4_000)
    rig.charged = 1
    rig.run(8_000)
    rig.plug = 0
    down(rig)


def sick(rig):
    """Faults one after the other, each left standing."""
    rig.drive()
    rig.isolation_ohm = rig.build.iso_warn_ohm // 2 + rig.build.iso_fault_ohm // 2
    rig.run(8_000)
    rig.coolant = 0
    rig.run(7_000)
    rig.held["supply_mv"] = 9_000
    rig.run(2_000)
    rig.speed_mm_s = None
    rig.run(2_000)
    rig.isolation_ohm = rig.build.iso_fault_ohm // 3
    rig.run(5_000)
    rig.plant.load_a = 0.0
    down(rig)


def blind(rig):
    """Live and rolling, then nothing can be read any more."""
    rig.drive()
    rig.run(200)
    unknown(rig)
    rig.run(3_000)
    rig.held.clear()
    rig.unreadable = 0
    rig.run(3_000)


def unknown(rig):
    """From the next tick on no input can be read."""
    for name, value in vars(S.Inputs()).items():
        if name.endswith("_state") and not isinstance(value, list):
            rig.held[name] = S.OPEN
        elif value is None:
            rig.held[name] = None
    rig.held["zone_dc"] = [None] * S.ZONES_MAX
    rig.held["zone_state"] = [S.OPEN] * S.ZONES_MAX
    rig.unreadable = 0x003F1FFF


def all_bad(rig):
    """Live and rolling, then every reading is valid and wrong in one and the same tick."""
    rig.drive()
    worst(rig)
    rig.run(3_000)


def all_bad_at_once_from_cold(rig):
    """The same at the second tick after power-up: nothing has counted yet."""
    rig.run(40)
    worst(rig)
    rig.run(3_000)


def worst(rig):
    b = rig.build
    rig.loops, rig.stop, rig.crash, rig.coil_fault, rig.lamp_fault, rig.coolant, rig.plug = 0, 1, 1, 1, 1, 0, 1
    rig.start = 1
    rig.latch = 0x003F0060
    rig.isolation_ohm = 0
    rig.zones_dc = [1500] * len(rig.zones_dc)
    rig.speed_mm_s = 0
    rig.held.update(
        loop_low=0x15,
        loop_high=0x2A,
        pack_mv=b.pack_high_mv - 1,
        bus_mv=b.bus_max_mv,
        current_ma=1_000_000,
        supply_mv=5_000,
        reference_mv=0,
        late_ms=40,
        heap_free=1000,
    )


def chatter(rig):
    """Every second tick bad, for as long as it takes: all that can count does."""
    rig.drive()
    for k in range(600):
        if k % 2:
            worst(rig)
        else:
            rig.held.clear()
            rig.loops, rig.stop, rig.crash, rig.coil_fault, rig.lamp_fault, rig.coolant, rig.plug = 7, 0, 0, 0, 0, 1, 0
            rig.start, rig.latch, rig.isolation_ohm, rig.zones_dc = 0, 0, 4_000_000, [250] * len(rig.zones_dc)
        rig.tick()


def repeated(rig):
    """Start, abort, start: until the precharge resistor is too hot."""
    rig.wake()
    for _ in range(12):
        rig.turn_key().press_start()
        rig.run(400)
        rig.key = 0
        rig.run(25_000)


def weld(contact):
    """A story: that contactor is welded from the drive on."""

    def story(rig):
        rig.drive(load_a=0.0)
        getattr(rig.plant, contact).welded = True
        rig.stand()
        down(rig)
        rig.turn_key().press_start()
        rig.run(25_000)

    return story


def flat(rig):
    """A short on the bus, three starts."""
    rig.plant.leak_ohm = 0.5
    rig.wake()
    for _ in range(3):
        rig.turn_key().press_start()
        rig.key = 0
        rig.run(25_000)


STORIES = {
    "day": (TRUCK, {}, day),
    "hot": (TRUCK, {}, hot),
    "emergency": (TRUCK, {}, emergency),
    "charge": (TRUCK, {}, charge),
    "sick": (TRUCK, {}, sick),
    "blind": (TRUCK, {}, blind),
    "all bad": (TRUCK, {}, all_bad),
    "all bad from cold": (TRUCK, {}, all_bad_at_once_from_cold),
    "chatter": (TRUCK, {}, chatter),
    "repeated starts": (TRUCK, {}, repeated),
    "positive welded": (TRUCK, {"feedback": 0}, weld("positive")),
    "precharge welded": (TRUCK, {}, weld("precharge")),
    "negative welded": (TRUCK, {"feedback": 0}, weld("negative")),
    "flat": (TRUCK, {}, flat),
    "bleed only": (TRUCK, {"discharge_kind": 2, "proof_ms": 30_000, "discharge_window_ms": 180_000}, day),
    "air cooled": (TRUCK, {"cool_kind": 1}, hot),
    "heat sharing": (TRUCK, {"cool_kind": 4, "heat_dc": 400}, hot),
    "cart": (CART, {}, day),
    "cart, all bad": (CART, {}, all_bad),
    "cart, blind": (CART, {}, blind),
}


@cache
def told(name):
    """The recording of a story: (build as JSON, ticks, number of ticks)."""
    build_name, changes, story = STORIES[name]
    rig = Rig(device_build(build_name, **changes))
    recorder = Recorder()
    recorder.power_up()
    rig.recorder = lambda r: recorder.add(r.inputs, r.dt)
    story(rig)
    values = device_values(build_name) | changes
    return json.dumps(values).encode(), recorder.data(), recorder.ticks
