"""Every promise that shows at readings and commands, against inputs that may be anything, in any order, at any time.

A machine of hypothesis puts a rig into any phase and then lets readings, states, switches, latches, the fault memory,
the contactors and the step of time do what they like. In every tick a judge looks for a breach:

S1   the first contactor only on a fresh start edge whose checks all passed
S2   the second main only on a bus at the fraction that has stopped rising
S3   off in the second tick after a stop, a crash, an open hard loop
S4   the way down begins only after a stand or the fallback, without S3 or a failed contactor
S5   lamps        S6  discharge        S7  limits: rise, caps, the second after closing, none outside live
S8   a record for every active row
S9   a lock ends by request, button and proven dead bus only, and survives a power cycle
S10  a twin with the same valid readings, and other garbage where none is valid, decides the same; so it does for S14
S11  a heartbeat edge in each step
S12  the heat that the readings tell of stays within the budgets
S13  every lamp, limit and refusal has its answer, whatever the state
S15  what links ask for: the rules `ask` and `clear_what_can_be_cleared`; pairs in test_properties_pairs.py

Judged elsewhere, as it needs the plant or the board: S4, S5 and S12 by true speed, voltage and heat (scenarios, the
campaign of `prove`), S8 over power cuts (tests/memory), S11 by reset and watchdog (tests/board), S14 under MicroPython
(test_same_everywhere.py), S15's coil test (tests/link). What was found is in test_properties_found.py.
"""

import copy
from functools import cache

from hypothesis import note, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule

from loopwarden import signals as S
from loopwarden.naming import SUBJECTS
from loopwarden.words import why

from .hostile import NOT_KNOWN, READINGS, Hostile, state_of

SWITCHES = ("key", "start", "ack", "plug", "service", "stop", "crash", "charged", "coolant", "coil_fault", "lamp_fault")
BITS = (S.KEY, S.START, S.ACK, S.PLUG, S.SERVICE, S.STOP, S.CRASH, S.CHARGED, S.COOLANT, S.COIL_FAULT, S.LOOPS)
LATCHES = (S.STOP, S.CRASH, S.LOOP0, S.LOOP0 << 1, S.LOOP0 << 2)
STEPS_MS = (1, 7, 20, 20, 20, 33, 50, 100)


def off(rig):
    return rig.wake()


def checking(rig):
    return rig.wake().turn_key()


def precharging(rig):
    rig.wake().turn_key().press_start()
    rig.until(lambda r: r.out.negative and r.out.precharge, 2_000)
    return rig


def driving(rig):
    return rig.drive()


def standing(rig):
    return rig.go_live()


def charging(rig):
    rig.plug = 1
    rig.wake().turn_key().press_start()
    rig.until(lambda r: r.phase == "live", 5_000)
    return rig.run(2_000)


def winding(rig):
    rig.drive()
    rig.key = 0
    return rig.run(1_000)


def opening(rig):
    rig.go_live()
    rig.key = 0
    rig.until(lambda r: r.phase == "opening", 40_000)
    return rig


def discharging(rig):
    opening(rig).until(lambda r: r.phase == "discharging", 4_000)
    return rig


def stopped(rig):
    rig.drive()
    rig.latch = S.STOP
    return rig.run(100)


def locked(rig):
    opening(rig).plant.positive.welded = True
    rig.until(lambda r: "POSITIVE_WELDED" in r.faults, 4_000)
    return rig.run(2_000)


BEGINNINGS = (off, checking, precharging, driving, standing, winding, opening, discharging, stopped, locked)


@cache
def begun(name, begin):
    return begin(Hostile(name))


def levels(build, reading):
    """Values on both sides of every line that a reading is held against."""
    lines = {
        "pack_mv": (0, build.pack_low_mv, build.pack_under_mv, build.pack_derate_mv, build.charge_end_mv,
                    build.pack_over_mv, build.pack_high_mv),
        "bus_mv": (-build.noise_mv, 0, build.discharge_stop_mv, build.dead_mv, build.pack_under_mv // 2,
                   build.pack_under_mv, build.charge_end_mv, build.pack_over_mv, build.bus_max_mv),
        "current_ma": (0, build.current_threshold_ma, -build.current_threshold_ma, build.break_ma,
                       build.drive_current_ma, -build.charge_current_ma),
        "supply_mv": (0, build.supply_fail_mv, build.supply_low_mv, build.supply_high_mv),
        "reference_mv": (0, build.reference_mv - build.reference_tol_mv, build.reference_mv + build.reference_tol_mv),
        "isolation_ohm": (0, build.iso_fault_ohm // 2, build.iso_fault_ohm, build.iso_warn_ohm, 4_000_000),
        "speed_mm_s": (0, 1_389, 20_000),
    }[reading]  # fmt: skip
    return st.sampled_from(sorted({value + d for value in lines for d in (-1, 0, 1)}))


ZONES_DC = st.sampled_from((-400, -1, 0, 250, 499, 500, 519, 520, 549, 550, 849, 850, 1_399, 1_400, 2_000))
STATE = st.one_of(st.just(S.OK), st.sampled_from(NOT_KNOWN), st.just(S.QUIET))


class AnyInputs(RuleBasedStateMachine):
    """Rules change what is read; time passes in `run` and in the rules that wait. After each, no promise is broken."""

    name = "orchard_truck"
    also = (charging,)

    def __init__(self):
        super().__init__()
        self.rig = None

    def run(self, ticks, dt=20):
        self.rig.dt = dt
        for _ in range(ticks):
            self.rig.tick()
            assert not self.rig.broken, (self.rig.broken, self.rig.story(), self.rig.held)

    @initialize(data=st.data())
    def begin(self, data):
        # A plain index, so that what hypothesis shrinks towards is a board that is off.
        begin = data.draw(st.sampled_from(BEGINNINGS + self.also), label="begin")
        self.rig = copy.deepcopy(begun(self.name, begin))
        note(f"{self.rig.story()}")

    @rule(ticks=st.integers(1, 40), dt=st.sampled_from(STEPS_MS))
    def pass_time(self, ticks, dt):
        self.run(ticks, dt)

    @rule(ticks=st.integers(20, 60))
    def pass_much_time(self, ticks):
        self.run(ticks, 100)

    @rule(reading=st.sampled_from(READINGS), state=STATE, known=st.booleans(), data=st.data())
    def read(self, reading, state, known, data):
        """A reading is held: any value or none, beside any state."""
        value = data.draw(levels(self.rig.build, reading)) if known else None
        self.rig.held[reading] = value
        self.rig.held[state_of(reading)] = S.OK if reading == "speed_mm_s" and state == S.QUIET else state
        self.run(1)

    @rule(reading=st.sampled_from(READINGS), ticks=st.integers(1, 30))
    def lose(self, reading, ticks):
        """A reading is gone for some ticks."""
        self.rig.held[reading], self.rig.held[state_of(reading)] = None, S.STALE
        self.run(ticks)

    @rule(pulses=st.sampled_from((None, 0, 1, 5)), state=STATE, speed=st.sampled_from((None, 0, 1_389, 20_000)))
    def read_speed(self, pulses, state, speed):
        if state == S.QUIET and pulses:
            state = S.OK  # quiet with pulses is what no edge says; the speed beside it would be looked at
        self.rig.held.update(speed_pulses=pulses, speed_state=state, speed_mm_s=speed)
        self.run(1)

    @rule(dcs=st.lists(st.one_of(st.none(), ZONES_DC), min_size=10, max_size=10), state=STATE, at=st.integers(0, 9))
    def read_zones(self, dcs, state, at):
        states = [S.STALE if dc is None else S.OK for dc in dcs]
        states[at] = state
        self.rig.held.update(zone_dc=dcs, zone_state=states)
        self.run(2)

    @rule(
        age_ms=st.sampled_from((-1, 0, 100, 20_000)),
        late_ms=st.sampled_from((0, 3)),
        heap=st.sampled_from((0, 1 << 17)),
    )
    def read_others(self, age_ms, late_ms, heap):
        self.rig.held.update(isolation_age_ms=age_ms, late_ms=late_ms, heap_free=heap)
        self.run(1)

    @rule()
    def read_everything_again(self):
        self.rig.held.clear()
        self.rig.unreadable = 0
        self.run(1)

    @rule(switch=st.sampled_from(SWITCHES), ticks=st.integers(1, 20))
    def throw(self, switch, ticks):
        setattr(self.rig, switch, 1 - getattr(self.rig, switch))
        self.run(ticks)

    @rule(bits=st.sampled_from(BITS), known=st.booleans())
    def lose_switches(self, bits, known):
        self.rig.unreadable = self.rig.unreadable & ~bits if known else self.rig.unreadable | bits
        self.run(1)

    @rule(bits=st.one_of(st.none(), st.integers(0, 0x003F1FFF)), known=st.one_of(st.none(), st.integers(0, 0x003F1FFF)))
    def any_bits_for_a_tick(self, bits, known):
        self.rig.held.update(bits=bits, known=known)
        self.run(1)
        del self.rig.held["bits"], self.rig.held["known"]

    @rule(latch=st.sampled_from(LATCHES))
    def latch_for_a_tick(self, latch):
        self.rig.latch = latch
        self.run(1)

    @rule(loops=st.integers(0, 7), low=st.integers(0, 7), high=st.integers(0, 7))
    def loops(self, loops, low, high):
        self.rig.loops = loops
        self.rig.held.update(loop_low=low, loop_high=high)
        self.run(3)

    @rule(presses=st.lists(st.tuples(st.sampled_from(("key", "start", "ack")), st.integers(1, 4)), max_size=8))
    def play(self, presses):
        """The key, the start button, the acknowledge button, as fast as anyone likes."""
        for switch, ticks in presses:
            self.throw(switch, ticks)

    @rule(speed=st.sampled_from((0, 500, 10_000)), load=st.sampled_from((0.0, 3.0, 60.0, 400.0, -150.0)))
    def drive(self, speed, load):
        self.rig.speed_mm_s, self.rig.plant.load_a = speed, load
        self.run(5)

    @rule(
        contact=st.sampled_from(("positive", "negative", "precharge", "discharge")),
        stuck=st.booleans(),
        on=st.booleans(),
    )
    def break_contactor(self, contact, stuck, on):
        setattr(getattr(self.rig.plant, contact), "stuck" if stuck else "welded", on)
        self.run(1)

    @rule(
        failed=st.booleans(), ready=st.booleans(), full=st.booleans(), under_load=st.sampled_from((0, 10, 30)),
        forgets=st.booleans(),
    )  # fmt: skip
    def memory_refuses(self, failed, ready, full, under_load, forgets):
        self.rig.remember(failed=failed, ready=ready, nearly_full=full, under_load=under_load)
        if forgets:
            self.rig.remember(positive_proven=False)
        self.run(1)

    @rule(row=st.integers(0, 90))
    def ask(self, row):
        self.rig.ask(row)
        self.run(2)

    @rule()
    def clear_what_can_be_cleared(self):
        """Asked for and acknowledged, whatever the state is."""
        for row in sorted(self.rig.locked):
            self.rig.ask(row)
            self.rig.ack = 0
            self.run(2)
            self.rig.ack = 1
            self.run(2)

    @rule()
    def power_cycle(self):
        lost = self.rig.power_cycle()
        assert not lost, f"S9: rows {sorted(lost)} did not survive"
        self.run(1)

    def good_again(self, ticks):
        """Everything good and off, for so many ticks of 100 ms."""
        self.read_everything_again()
        rig = self.rig
        for switch in SWITCHES:
            setattr(rig, switch, int(switch == "coolant"))
        rig.loops = (1 << len(rig.build.loop_kind)) - 1
        rig.speed_mm_s, rig.plant.load_a = 0, 0.0
        rig.remember(failed=False, ready=True, nearly_full=False)
        self.run(ticks, 100)

    @rule()
    def good_again_and_start(self):
        """Everything good, the key turned off and on, a start press: as near to a drive as the state allows."""
        self.good_again(40)
        rig = self.rig
        rig.key = 1
        self.run(30, 100)
        rig.start = 1
        self.run(10)
        rig.start = 0
        self.run(60)

    @rule(switch=st.sampled_from(("key", "stop")), dt=st.sampled_from((1, 7, 20)), ticks=st.integers(20, 80))
    def end_in_small_steps(self, switch, dt, ticks):
        """Key off or a stop, looked at closely."""
        self.throw(switch, 1)
        self.run(ticks, dt)

    @rule(speed=st.sampled_from((500, 1_000, 5_000)), silence=st.integers(1, 60))
    def roll_fall_silent_and_turn_off(self, speed, silence):
        """S4: how long the wheel has been silent when the key goes off is anything."""
        self.rig.key = 1
        self.rig.speed_mm_s = speed
        self.run(60)
        self.rig.speed_mm_s = 0
        self.run(silence)
        self.rig.key = 0
        self.run(60)

    @rule(reading=st.sampled_from((*READINGS, "zone_dc", "loops", "stop", "service", "ready")), data=st.data())
    def start_with_one_thing_wrong(self, reading, data):
        """Good for long enough, then one thing is not, in just the tick of the press: too short for any fault."""
        self.good_again(20)
        rig = self.rig
        rig.key = 1
        self.run(30, 100)
        if reading in READINGS:
            rig.held[reading] = data.draw(st.one_of(st.none(), levels(rig.build, reading)))
            rig.held[state_of(reading)] = data.draw(st.sampled_from((S.OK, S.OPEN)))
        elif reading == "zone_dc":
            rig.held["zone_dc"] = [data.draw(st.one_of(st.none(), ZONES_DC))] * 10
        elif reading == "ready":
            rig.remember(ready=False)
        else:
            setattr(rig, reading, int(reading != "loops"))
        rig.start = 1
        self.run(1)
        rig.start = 0
        self.read_everything_again()
        self.run(60)

    def teardown(self):
        if self.rig is not None:
            for subject in SUBJECTS:  # S13
                assert why(self.rig.sup, subject).strip(), f"S13: no answer to why, {subject}"


class AnyInputsOfTheCart(AnyInputs):
    name = "bench_cart"
    also = ()


def as_test(machine):
    case = machine.TestCase
    case.settings = settings(max_examples=max(settings().max_examples // 4, 1), stateful_step_count=40)
    return case


TestAnyInputs = as_test(AnyInputs)
TestAnyInputsOfTheCart = as_test(AnyInputsOfTheCart)
