"""Watches the promises S1 to S7, S10, S12 to S15 at every tick, on the physical truth, the readings and the commands.

Written from the promises and sequences, not from the policy's code, so that a mistake there is not repeated here. It
judges and never acts. Most ticks change nothing: the cheap tests come first, the thorough ones run when a command, a
lamp or a reading's validity changes, and a slow round looks at limits ten times a second.
"""

import hashlib
from collections import deque
from collections.abc import Callable, Collection
from dataclasses import dataclass
from math import inf
from operator import attrgetter
from typing import Any, Protocol

from loopwarden import signals
from loopwarden_sim.promise_bounds import HIGH_VOLTAGE_V, Bounds
from loopwarden_sim.promise_reactions import (
    CHARGE_CAP,
    CONTACTOR_FAILED,
    DISCHARGE_GIVEN_UP,
    DRIVE_CAP,
    START_ALLOWED,
    WINDS_DOWN,
    WINDS_DOWN_FAST,
)

PROMISES = ("S1", "S2", "S3", "S4", "S5", "S6", "S7", "S10", "S12", "S13", "S14", "S15")

_MAIN_LAMP_MS = 1000  # S5: below the dead level for so long before the lamps may go out
_EDGE_FRESH_MS = 1000  # guess: a start edge older than this is not the one that asked for this start
_GAP_MS = 1000  # guess: between the two proofs on the way up everything is off for no longer
_HOLD_MS = 1000  # after both mains closed: drive at 5 %, charge at 0, until the bus has held so long
_GRACE_MS = 600  # a cap has to bite within this: 0.5 s to zero, standing, and a tick or two
_STANDING_KMH = 1.0  # below it a wheel pulse may be seconds apart: no sensor of this class can tell it from standing
_JUMP_MM_S = 1389  # from above 5 km/h to nothing no vehicle comes to a stand (common practice)
_DOWN_MS = 3000  # the ramp at standstill, the wait for the current, and a contactor's own time
_STANDS_MS = 3000  # no pulse for 2 s proves standing; a second for the last pulse at a crawl
_SLOW_MS = 100
_TEST_MS = 2000  # S15: a coil test lasts no longer
_PROVEN_DEAD_MS = 10_000

# Everything commanded, in one C-level read; the heartbeat changes every tick and is watched by itself.
COMMANDS = tuple(name for name in vars(signals.Outputs()) if name != "heartbeat")
_READ = attrgetter(*COMMANDS)
_OFF = tuple(int(name == "lamp_hv") for name in COMMANDS)  # S11: the off state has the high-voltage lamps lit

_HV = COMMANDS.index("lamp_hv")
_LAMPS = (
    (COMMANDS.index("lamp_caution"), "caution lamp"),
    (COMMANDS.index("lamp_stop"), "stop lamp"),
    (_HV, "hv lamp"),
)


class Truth(Protocol):
    """The physical facts the promises are held against, as the plant has them after this tick's step."""

    @property
    def bus_v(self) -> float: ...
    @property
    def pack_v(self) -> float: ...
    @property
    def speed_kmh(self) -> float: ...
    @property
    def positive_closed(self) -> bool: ...
    @property
    def negative_closed(self) -> bool: ...
    @property
    def estop(self) -> bool: ...
    @property
    def crash(self) -> bool: ...
    @property
    def hard_loop_open(self) -> bool: ...
    @property
    def precharge_heat_j(self) -> float: ...
    @property
    def discharge_heat_j(self) -> float: ...


@dataclass(frozen=True)
class Breach:
    """One promise not kept: which, in which tick, and what was seen."""

    promise: str
    tick: int
    t_ms: int
    seen: str

    def __str__(self) -> str:
        return f"{self.promise} broken at {self.t_ms / 1000:.3f} s (tick {self.tick}): {self.seen}"


def _no_text(subject: str) -> str:
    return f"{subject} 0"


class PromiseMonitor:
    """Judges one run; call `tick` after each step of the supervisor.

    inputs, outputs   the objects the supervisor is bound to
    truth             the plant (see `Truth`)
    active            returns the names of the faults active now
    why               returns the device's answer about a subject; asked when a lamp or limit changes (S13)
    bus_sensor_lies   set while the scenario falsifies the bus reading: then the lamps can only follow the reading
    discharge_welded  set once the discharge contact has welded: its resistor then heats by itself while the bus is
                      live, which no reading shows; only the resistor's own thermal cut-out ends that
    """

    def __init__(
        self,
        bounds: Bounds,
        inputs: Any,  # device code carries no annotations
        outputs: Any,
        truth: Truth,
        *,
        active: Callable[[], Collection[str]] = tuple,
        why: Callable[[str], str] = _no_text,
    ) -> None:
        self.bounds = bounds
        self.inputs = inputs
        self.outputs = outputs
        self.truth = truth
        self.active = active
        self.why = why
        self.bus_sensor_lies = self.discharge_welded = False
        self.breaches: list[Breach] = []
        self.exercised: dict[str, int] = dict.fromkeys(PROMISES, 0)
        self.ticks = 0
        self.t_ms = 0
        self._seen: set[tuple[str, str]] = set()
        self._digest = hashlib.blake2b(digest_size=16)
        dt = bounds.tick_ms
        self._dt_ms = dt
        self._slow_every = max(1, _SLOW_MS // dt)
        self._slow_ms = self._slow_every * dt
        self._discharge_budget_j = inf if bounds.discharge_budget_j is None else bounds.discharge_budget_j
        self._rise = bounds.rise_permille_s * dt // 1000 + 1
        crash = signals.CRASH if bounds.crash_fitted else 0
        self._s3_mask = bounds.hard_loops | signals.STOP | crash
        self._aux_mask = 0 if bounds.feedback == "none" else signals.AUX_POSITIVE | signals.AUX_NEGATIVE
        self._pack_zones = [n for n, zone in enumerate(bounds.zones) if zone.where == "pack"]
        self._proven = True  # until this run closes the positive main, its proof is the memory's affair
        self._forget()

    def _forget(self) -> None:
        """Everything that does not outlive the board's supply."""
        self._snap: tuple[int, ...] = _OFF
        self._heartbeat: int | None = None
        self._was_start = True  # a button held at power-up gives no edge
        self._edge_tick: int | None = None
        self._refusal_tick: int | None = None
        self._s3_deadline: int | None = None
        self._s3_tick: int | None = None
        self._s3_truth = 0
        self._tested: int | None = None  # coil that a coil test has on (S15), as an index into COMMANDS
        self._test_tick = 0
        self._fell_tick: int | None = None  # last time a contactor command fell
        self._alone = True  # since everything was off last, only the precharge contactor was commanded
        self._pulses = 0
        self._discharge_tick: int | None = None
        self._dead_ms = 0
        self._path_tick: int | None = None  # precharge and negative both commanded
        self._rising: list[tuple[int | None, int | None]] = []
        self._live_tick: int | None = None
        self._stood_tick: int | None = None  # last time it stood while the limits came down
        self._granted = False  # inverter enabled since both mains closed
        self._loaded = False  # the loads were on since both mains closed
        self._with_plug = False
        self._zero_ms = 0  # both limits at zero and no current: the fallback's own count
        self._proof_from_mv: int | None = None
        self._idle_ms = 0
        self._still_ms = 0
        self._untold_ms = self._pulses_ms = self._last_mm_s = 0
        self._opened = False
        self._asked_ms: dict[str, int] = {}
        self._names: frozenset[str] = frozenset()
        self._wound: frozenset[str] = frozenset()  # rows that wound down at the last look
        self._cap_ms: dict[str, int] = {}
        self._hottest: deque[int] = deque(maxlen=max(1, 3000 // self._slow_ms))
        self._was_bad = False
        self._slow_drive = 0
        self._slow_charge = 0

    @property
    def digest(self) -> str:
        """One number over every command of every tick so far: equal runs have equal digests (S14)."""
        return self._digest.hexdigest()

    def _breach(self, promise: str, what: str, seen: str = "") -> None:
        """Record a breach; the same kind is recorded once a run, at its first tick."""
        if (promise, what) not in self._seen:
            self._seen.add((promise, what))
            self.breaches.append(Breach(promise, self.ticks, self.t_ms, f"{what}{': ' if seen else ''}{seen}"))

    def dark_tick(self) -> None:
        """One tick without a running board: unpowered or in reset. Only physics can break a promise now."""
        self.ticks += 1
        self.t_ms += self._dt_ms
        self._heat()
        if not self.outputs.lamp_hv and self.truth.bus_v > HIGH_VOLTAGE_V:
            self._breach("S5", "the supply was let go above 60 V", f"bus at {self.truth.bus_v:.1f} V")

    def power_off(self) -> None:
        """The board has lost its supply or was reset: every command is off from here on (S11)."""
        if any(self._snap[:3]) or any(_READ(self.outputs)[:3]):
            self._proven = False  # S1: what opened without its proof needs one
        self._forget()
        self._digest.update(b"off")

    def tick(self) -> None:
        """Judge the tick that has just ended: world stepped, inputs filled, supervisor stepped."""
        self.ticks += 1
        self.t_ms += self._dt_ms
        i = self.inputs
        o = self.outputs
        w = self.truth
        bounds = self.bounds

        snap = _READ(o)
        old = self._snap
        # S3
        mask = self._s3_mask
        demand = (i.latch | (i.bits ^ bounds.hard_loops) | ~i.known) & mask
        if demand or self._s3_truth or w.estop or w.crash or w.hard_loop_open or self._s3_deadline is not None:
            self._stop(demand, snap)

        start = i.bits & i.known & signals.START
        if start and not self._was_start:
            self._edge_tick = self.ticks
            if not (snap[0] or snap[1] or snap[2]) and i.bits & signals.KEY:
                self.exercised["S1"] += 1
                self._refusal_tick = self.ticks + _EDGE_FRESH_MS // self._dt_ms
        self._was_start = bool(start)

        # S5: the second below the dead level is the bus's own; a contactor keeps the lamps lit while it is closed
        bus_mv = i.bus_mv
        if bus_mv is None or bus_mv >= bounds.dead_mv or i.bus_state:
            self._dead_ms = 0
        else:
            self._dead_ms += self._dt_ms
        if not snap[_HV]:
            closed = snap[0] or snap[1] or snap[2] or (i.bits | ~i.known) & self._aux_mask
            if closed or self._dead_ms < _MAIN_LAMP_MS or w.bus_v > HIGH_VOLTAGE_V:
                self._lamps_out(snap)

        if w.precharge_heat_j > bounds.precharge_budget_j or w.discharge_heat_j > self._discharge_budget_j:
            self._heat()

        if self._live_tick is not None and abs(w.speed_kmh) <= _STANDING_KMH:
            falling = snap[8] < self._slow_drive or snap[9] < self._slow_charge or not (snap[8] or snap[9])
            self._stood_tick = self.ticks if falling else None

        was_tested = self._tested
        if snap[0] or snap[1] or snap[2] or snap[3] or was_tested is not None:
            self._coil_test(old, snap)
        if snap != old:
            self._changed(old, snap, was_tested is not None or self._tested is not None)
        if snap[3] and self._tested is None:
            self._discharging(snap)
        if self._path_tick is not None:
            self._rising.append((bus_mv, i.pack_mv))
        if self._proof_from_mv is not None:
            self._prove(bus_mv)
        if self.ticks % self._slow_every == 0:
            self._slow(snap)

        # S14
        if o.heartbeat == self._heartbeat:
            self._digest.update(b"stuck%d" % self.ticks)
        self._heartbeat = o.heartbeat

    # S3 ------------------------------------------------------------------------------------------------------------

    def _stop(self, demand: int, snap: tuple[int, ...]) -> None:
        w = self.truth
        on = snap[0] or snap[1] or snap[2] or snap[4] or snap[8] or snap[9]
        if demand:
            self._s3_tick = self.ticks
            if self._s3_deadline is None:
                self._s3_deadline = self.ticks + 1  # the edge lies before this tick: the next one is the second
                if on or any(self._snap[:3]):
                    self.exercised["S3"] += 1
        if self._s3_deadline is not None and self.ticks >= self._s3_deadline:
            if on:
                self._breach("S3", "still commanded two ticks after the edge", self._commanded(snap))
            if not demand:
                self._s3_deadline = None
        # The same, on what really happened: the wiring in between must not have lost it.
        self._s3_truth = self._s3_truth + 1 if w.estop or w.crash or w.hard_loop_open else 0
        if self._s3_truth > 2 and on:
            what = "emergency stop" if w.estop else "crash" if w.crash else "hard loop open"
            self._breach("S3", f"{what} for three ticks and still commanded", self._commanded(snap))

    @staticmethod
    def _commanded(snap: tuple[int, ...]) -> str:
        return ", ".join(f"{name}={value}" for name, value in zip(COMMANDS[:10], snap, strict=False) if value)

    # S5 ------------------------------------------------------------------------------------------------------------

    def _lamps_out(self, snap: tuple[int, ...]) -> None:
        i = self.inputs
        if snap[0] or snap[1] or snap[2]:
            seen = f"commanded: {self._commanded(snap)}"
        elif (i.bits | ~i.known) & self._aux_mask:
            seen = "a feedback contact reports closed"
        elif i.bus_mv is None or i.bus_state:
            seen = "no valid bus reading"
        elif self._dead_ms < _MAIN_LAMP_MS:
            seen = f"bus reads {i.bus_mv} mV, dead for {self._dead_ms} ms"
        elif self.bus_sensor_lies:
            return  # the reading is believed by all rules, and falsified on purpose
        else:
            seen = f"bus reads {i.bus_mv} mV and is at {self.truth.bus_v:.1f} V"
        self._breach("S5", "high-voltage lamps out", seen)

    # S12 -----------------------------------------------------------------------------------------------------------

    def _heat(self) -> None:
        w = self.truth
        bounds = self.bounds
        if w.precharge_heat_j > bounds.precharge_budget_j:
            seen = f"{w.precharge_heat_j:.1f} J of {bounds.precharge_budget_j:.1f} J"
            self._breach("S12", "precharge resistor above its budget", seen)
        if w.discharge_heat_j > self._discharge_budget_j and not self.discharge_welded:
            seen = f"{w.discharge_heat_j:.1f} J of {self._discharge_budget_j:.1f} J"
            self._breach("S12", "discharge resistor above its budget", seen)

    # What changed --------------------------------------------------------------------------------------------------

    def _changed(self, old: tuple[int, ...], snap: tuple[int, ...], tested: bool) -> None:
        positive, negative, precharge = snap[0], snap[1], snap[2]
        self._digest.update(b"%d%r" % (self.ticks, snap))
        if tested:
            self._test_changed(old, snap)
        elif snap[:3] != old[:3]:
            self._contactors(old, snap)
        if snap[3] and not old[3] and not tested:
            self._discharge_starts(snap)
        elif old[3] and not snap[3]:
            self._discharge_tick = None
        if snap[5] and not (positive and negative):
            self._breach("S7", "charger enabled while not live")
        if snap[4]:
            if self._with_plug and self.inputs.bits & self.inputs.known & signals.PLUG:
                self._breach("S1", "inverter enabled with the charge plug in since before closing")
            self._granted = self._granted or self._live_tick is not None
        self._loaded = bool(snap[0] and snap[1] and (self._loaded or snap[6]))
        if self._loaded and (snap[8] or snap[9]) and not (snap[4] or snap[5] or snap[6]):
            self._breach(
                "S7", "a limit with loads, inverter and charger off again", f"drive {snap[8]}, charge {snap[9]}"
            )
        if snap[8] != old[8] or snap[9] != old[9]:
            self._limits_moved(old, snap)
        for index, subject in _LAMPS:
            if snap[index] and not old[index]:
                self._ask(subject)
        if old[_HV] and not snap[_HV]:
            self.exercised["S5"] += 1
        if precharge and negative and not positive:
            if self._path_tick is None:
                self._path_tick = self.ticks
                self._rising.clear()
        else:
            self._path_tick = None
        self._snap = snap

    def _contactors(self, old: tuple[int, ...], snap: tuple[int, ...]) -> None:
        positive, negative = snap[0], snap[1]
        any_now = bool(positive or negative or snap[2])
        any_before = bool(old[0] or old[1] or old[2])
        if any_now and not any_before:
            self._first_command(snap)
        if positive and negative and not (old[0] and old[1]):
            self._second_main(snap)
        if old[0] and old[1] and not (positive and negative):
            self._opens()
        if snap[0] < old[0] or snap[1] < old[1] or snap[2] < old[2]:
            self._fell_tick = self.ticks
        if positive or negative:
            self._alone = False
        if old[0] and not positive:
            mv = self.inputs.bus_mv
            self._proof_from_mv = mv if negative else None
        elif not negative:
            self._proof_from_mv = None
        if positive:
            self._proven = False
        if not any_now:
            self._pulses = 0
            self._opened = True

    # S15 -----------------------------------------------------------------------------------------------------------

    def _coil_test(self, old: tuple[int, ...], snap: tuple[int, ...]) -> None:
        """Whether the one coil that is on is the exception; what is on and is not, is judged as everything else."""
        on = [coil for coil in range(4) if snap[coil]]
        if not on:
            self._tested = None
            return
        begins = not any(old[:4])
        wrong = self._no_test(on, snap) if begins or self._tested is not None else "a drive"
        if self._tested is not None and on != [self._tested]:
            wrong = "one coil after the other without a pause"
        if wrong:
            if self._tested is not None:
                self._breach("S15", "a coil test goes on", f"{self._commanded(snap)}: {wrong}")
            self._tested = None
            return
        if begins:
            self._tested, self._test_tick = on[0], self.ticks
            self.exercised["S15"] += 1
            fell_ms = (self.ticks - self._fell_tick) * self._dt_ms if self._fell_tick is not None else None
            if fell_ms is not None and fell_ms < self.bounds.release_ms:
                self._breach("S15", "a coil test before the release time of the last command is over", f"{fell_ms} ms")
        if (self.ticks - self._test_tick) * self._dt_ms >= _TEST_MS:  # it stays on until the next tick at least
            self._breach("S15", "a coil test is longer than 2 s", self._commanded(snap))

    def _no_test(self, on: list[int], snap: tuple[int, ...]) -> str:
        """Why what is on is no coil test, "" where it is one: jumper, nothing connected on either side, one coil."""
        i = self.inputs
        w = self.truth
        dead_mv = self.bounds.dead_mv
        if len(on) != 1 or any(snap[4:7]) or any(snap[8:10]):
            return "more than one coil is on"
        if not i.bits & i.known & signals.SERVICE:
            return "the service input does not read high"
        if (i.latch | (i.bits ^ self.bounds.hard_loops) | ~i.known) & self._s3_mask or w.estop or w.crash:
            return "emergency stop, crash or an open hard loop"
        if self._dead_ms < _PROVEN_DEAD_MS or w.bus_v > HIGH_VOLTAGE_V:
            return f"the bus was not dead for 10 s, it is at {w.bus_v:.1f} V"
        if i.pack_state or i.pack_mv is None or i.pack_mv >= dead_mv or w.pack_v > HIGH_VOLTAGE_V:
            return f"the pack side is not dead, it is at {w.pack_v:.1f} V"
        return ""

    def _test_changed(self, old: tuple[int, ...], snap: tuple[int, ...]) -> None:
        if snap[0]:
            self._proven = False  # the proof holds until the positive main is commanded again
        if snap[0] < old[0] or snap[1] < old[1] or snap[2] < old[2]:
            self._fell_tick = self.ticks
        if any(snap[:3]) and self._tested is None:  # what goes on is none any more: as if it began now
            self._first_command(snap)

    # S1 ------------------------------------------------------------------------------------------------------------

    def _first_command(self, snap: tuple[int, ...]) -> None:
        gap_ms = (self.ticks - self._fell_tick) * self._dt_ms if self._fell_tick is not None else None
        goes_on = self._alone and gap_ms is not None and gap_ms <= _GAP_MS and not snap[0] and not snap[2]
        self._alone = not (snap[0] or snap[1])
        self._refusal_tick = None
        if goes_on:  # second proof of the same start: negative alone after precharge alone
            i = self.inputs
            if i.bus_state or i.bus_mv is None or i.bus_mv >= self.bounds.dead_mv:
                self._breach("S1", "negative closed onto a bus not validly dead", f"{i.bus_mv} mV")
            return
        self.exercised["S10"] += 1
        self.exercised["S12"] += 1
        self._with_plug = self.bounds.plug_fitted and bool(self.inputs.bits & signals.PLUG)
        for what, seen in self._start_checks():
            self._breach("S1", f"closed although {what}", seen)
        self._edge_tick = None  # one edge, one start

    def _start_checks(self) -> list[tuple[str, str]]:
        """Every start check that fails on this tick's readings: what, and the value."""
        i = self.inputs
        w = self.truth
        bounds = self.bounds
        failed: list[tuple[str, str]] = []

        def check(good: bool, what: str, seen: object = "") -> None:
            if not good:
                failed.append((what, str(seen)))

        charge = self._with_plug
        check(bool(i.bits & i.known & signals.KEY), "the key is off")
        check(not (i.bits | ~i.known) & signals.SERVICE, "the service input is high or unread")
        fresh = self._edge_tick is not None and (self.ticks - self._edge_tick) * self._dt_ms <= _EDGE_FRESH_MS
        check(fresh, "there was no fresh start edge")
        permits = bounds.charge_permits if charge else bounds.drive_permits
        loops = bounds.hard_loops | bounds.other_loops | permits
        closed = i.bits & i.known & ~i.latch & loops
        check(closed == loops and not w.hard_loop_open, "a loop does not read closed", f"{closed ^ loops:#x}")
        check(not (i.loop_low | i.loop_high) & (loops >> 16), "a loop reads shorted")
        calm = signals.STOP | (signals.CRASH if bounds.crash_fitted else 0)
        check(not (i.bits | ~i.known | i.latch) & signals.STOP and not w.estop, "the emergency stop is in or unread")
        check(not (i.bits | ~i.known | i.latch) & calm & signals.CRASH and not w.crash, "there is a crash signal")
        if bounds.plug_fitted:
            check(bool(i.known & signals.PLUG), "the plug input is not read")
        # S10: a reading counts only in its one good state
        check(not i.bus_state and i.bus_mv is not None and i.bus_mv < bounds.dead_mv, "the bus is not dead", i.bus_mv)
        plausible = (
            not i.pack_state and i.pack_mv is not None and bounds.pack_low_mv <= i.pack_mv <= bounds.pack_high_mv
        )
        check(plausible, "the pack voltage is not plausible", i.pack_mv)
        if bounds.current_fitted:
            none = not i.current_state and i.current_ma is not None and abs(i.current_ma) <= bounds.current_threshold_ma
            check(none, "the pack current is not plausible", i.current_ma)
        if bounds.isolation_while_plugged or not charge:
            sound = (
                not i.isolation_state and i.isolation_ohm is not None and i.isolation_ohm >= bounds.isolation_fault_ohm
            )
            check(sound, "isolation is not valid and above its limit", i.isolation_ohm)
        if bounds.speed_fitted:
            read = i.speed_state in (signals.OK, signals.QUIET)
            # One that began to roll since the last slow look has given no pulse yet.
            untold = i.speed_state == signals.QUIET and self._still_ms > 0
            stands = abs(w.speed_kmh) <= _STANDING_KMH or untold
            check(read and stands, "it is not known to stand", f"{w.speed_kmh:.1f} km/h")
        ranged = not i.supply_state and i.supply_mv is not None
        ranged = ranged and bounds.supply_low_mv <= (i.supply_mv or 0) <= bounds.supply_high_mv
        check(ranged, "the supply is not in range", i.supply_mv)
        for number, zone in enumerate(bounds.zones):
            dc = i.zone_dc[number]
            if not i.zone_state[number] and dc is not None:
                check(dc < zone.trip_dc, "a temperature is at its trip", f"zone {number} {dc / 10:.1f} degC")
            elif zone.where == "pack":
                covered = any(not i.zone_state[other] for other in zone.covered_by)
                check(covered, "a pack zone is not valid and not covered", f"zone {number}")
        by_contact = bounds.feedback == "normally_closed" and not (i.bits | ~i.known) & signals.AUX_POSITIVE
        check(self._proven or by_contact, "the positive pole is not proven open")
        need_j = w.precharge_heat_j + bounds.start_heat_j
        check(need_j <= bounds.precharge_budget_j, "the precharge budget does not cover a start", f"{need_j:.0f} J")
        need_j = w.discharge_heat_j + bounds.discharge_heat_j
        room = need_j <= self._discharge_budget_j or self.discharge_welded
        check(room, "the discharge budget does not cover one", f"{need_j:.0f} J")
        refusing = sorted(set(self.active()) - START_ALLOWED)
        check(not refusing and not (charge and "PACK_COLD" in self.active()), "a fault refuses it", " ".join(refusing))
        return failed

    # S2 ------------------------------------------------------------------------------------------------------------

    def _second_main(self, snap: tuple[int, ...]) -> None:
        self.exercised["S2"] += 1
        i = self.inputs
        bounds = self.bounds
        dt = self._dt_ms
        self._live_tick = self.ticks
        self._granted = bool(snap[4])
        self._asked_ms.clear()
        if self._path_tick is None:
            self._breach("S2", "second main closed without precharge")
            return
        if i.bus_state or i.pack_state or i.bus_mv is None or i.pack_mv is None:
            self._breach("S2", "second main closed without valid bus and pack readings")
            return
        seen = f"bus {i.bus_mv} mV, pack {i.pack_mv} mV"
        if i.bus_mv * 1000 < i.pack_mv * bounds.fraction_permille:
            self._breach("S2", "second main closed below the precharge fraction", seen)
            return
        back = bounds.half_rc_ms // dt
        before_mv = self._rising[-back][0] if back <= len(self._rising) else None
        if before_mv is None or (i.bus_mv - before_mv) * 100 >= i.pack_mv:
            self._breach("S2", "second main closed while the bus was still rising", f"{seen}, before {before_mv} mV")
        reached = next(
            n
            for n, (bus_mv, pack_mv) in enumerate([*self._rising, (i.bus_mv, i.pack_mv)])
            if bus_mv is not None and pack_mv is not None and bus_mv * 1000 >= pack_mv * bounds.fraction_permille
        )
        reached_ms = reached * dt
        if not bounds.fraction_min_ms - dt <= reached_ms <= bounds.fraction_max_ms + bounds.close_ms + 2 * dt:
            span = f"{bounds.fraction_min_ms} to {bounds.fraction_max_ms} ms"
            self._breach("S2", "second main closed outside the precharge window", f"{reached_ms} ms, window {span}")
        took_ms = (self.ticks - self._path_tick) * dt
        if took_ms > bounds.settle_max_ms + bounds.close_ms + 2 * dt:
            self._breach("S2", "second main closed after the settling time", f"{took_ms} ms")

    # S4 ------------------------------------------------------------------------------------------------------------

    def _opens(self) -> None:
        """Both mains were commanded closed, and now they are not."""
        self.exercised["S4"] += 1
        w = self.truth
        bounds = self.bounds
        live_ms = self._live_ms()
        self._live_tick = None
        self._ask("phase")
        if self._s3_tick is not None and self.ticks - self._s3_tick <= 2:
            return
        if self._contactor_failed(live_ms):
            return
        if self._with_plug:
            return  # a charge drives nothing: any stop of it opens, once its current has fallen
        unknown = not bounds.speed_fitted or self.inputs.speed_state != signals.OK
        if unknown and self._zero_ms >= bounds.fallback_ms - 2 * self._slow_ms:
            return
        # It stood while the limits came down, which is for good; that it rolls away since then stops nothing.
        stood = self._stood_tick is not None and (self.ticks - self._stood_tick) * self._dt_ms <= _DOWN_MS
        if abs(w.speed_kmh) > _STANDING_KMH and not stood:
            self._breach("S4", "opened while moving", f"{w.speed_kmh:.1f} km/h")
        elif not bounds.speed_fitted and self._granted:
            self._breach("S4", "opened with the speed unknown before the fallback", f"after {self._zero_ms} ms at zero")

    def _contactor_failed(self, live_ms: int) -> bool:
        """A contactor or the bus really failed, or the device says so of a contactor."""
        w = self.truth
        if CONTACTOR_FAILED & set(self.active()):
            return True
        return live_ms > 2 * self.bounds.close_ms and not (w.positive_closed and w.negative_closed)

    # S6 ------------------------------------------------------------------------------------------------------------

    def _discharge_starts(self, snap: tuple[int, ...]) -> None:
        self.exercised["S6"] += 1
        self._discharge_tick = self.ticks
        if snap[0] or snap[1]:
            self._pulses += 1
            if self._pulses > 1:
                self._breach("S6", "a second proof pulse in one opening")
        if self.bounds.discharge_kind == "bleed":
            self._breach("S6", "discharge asked for in a build without one")
        if self._fell_tick is not None:
            since_ms = (self.ticks - self._fell_tick) * self._dt_ms
            if since_ms < self.bounds.release_ms:
                seen = f"{since_ms} ms after the last command, release takes {self.bounds.release_ms} ms"
                self._breach("S6", "discharge on before the release time is over", seen)

    def _discharging(self, snap: tuple[int, ...]) -> None:
        i = self.inputs
        bounds = self.bounds
        on_ms = (self.ticks - (self._discharge_tick or self.ticks)) * self._dt_ms
        if bounds.discharge_kind == "inverter" and abs(self.truth.speed_kmh) > _STANDING_KMH:
            self._breach("S6", "the inverter asked to discharge while moving", f"{self.truth.speed_kmh:.1f} km/h")
        if snap[0] or snap[1] or snap[2]:
            if snap[2] or (snap[0] and snap[1]):
                self._breach("S6", "discharge on with a path commanded closed", self._commanded(snap))
            elif on_ms > bounds.proof_pulse_ms + 2 * self._dt_ms:
                self._breach("S6", "the proof pulse is too long", f"{on_ms} ms, at most {bounds.proof_pulse_ms} ms")
        elif on_ms > bounds.discharge_window_ms + bounds.close_ms + 2 * self._dt_ms and (
            i.bus_state or i.bus_mv is None or i.bus_mv >= bounds.dead_mv
        ):
            self._breach("S6", "discharge stays on though the bus does not fall", f"{i.bus_mv} mV after {on_ms} ms")

    def _prove(self, bus_mv: int | None) -> None:
        """The positive pole is proven when the bus falls with the negative main still closed."""
        start_mv = self._proof_from_mv
        if bus_mv is None or start_mv is None:
            return
        if start_mv - bus_mv >= max(10_000, start_mv * 3 // 100) * 9 // 10:  # a tenth for the readings' error
            self._proven = True

    # S7 ------------------------------------------------------------------------------------------------------------

    def _limits_moved(self, old: tuple[int, ...], snap: tuple[int, ...]) -> None:
        self.exercised["S7"] += 1
        drive, charge = snap[8], snap[9]
        if not (0 <= drive <= 1000 and 0 <= charge <= 1000):
            self._breach("S7", "a limit outside 0 to 1000", f"drive {drive}, charge {charge}")
        if max(drive - old[8], charge - old[9]) > self._rise:
            seen = f"drive {old[8]} to {drive}, charge {old[9]} to {charge} in one tick"
            self._breach("S7", "a limit rises faster than the build allows", seen)
        if (drive or charge) and not (snap[0] and snap[1]):
            self._breach("S7", "a limit above zero while not live", f"drive {drive}, charge {charge}")
        self._after_closing(snap)
        if drive < old[8]:
            self._ask("drive limit")
        if charge < old[9]:
            self._ask("charge limit")

    def _live_ms(self) -> int:
        return 0 if self._live_tick is None else (self.ticks - self._live_tick) * self._dt_ms

    def _after_closing(self, snap: tuple[int, ...]) -> None:
        if self._live_tick is None:
            return
        live_ms = self._live_ms()
        if live_ms < _HOLD_MS and (snap[8] > 50 or snap[9] > 0):
            self._breach("S7", "more than 5 % before the bus has held", f"drive {snap[8]}, charge {snap[9]}")
        if live_ms < self.bounds.isolation_settle_ms and snap[8] > 200:
            self._breach("S7", "more than 20 % before an isolation reading settled", f"drive {snap[8]}")
        if snap[8] and self._with_plug and self.inputs.bits & self.inputs.known & signals.PLUG:
            self._breach("S7", "a drive limit above zero while charging", f"drive {snap[8]}")

    def _cap(self, promise: str, key: str, bad: bool, after_ms: int, drive: int, charge: int, seen: str) -> None:
        """Once `bad` has held for `after_ms`, neither limit may be above its cap."""
        if not bad:
            self._cap_ms.pop(key, None)
            return
        held_ms = self._cap_ms.get(key, 0)
        if held_ms == 0:
            self.exercised[promise] += 1
        self._cap_ms[key] = held_ms + self._slow_ms
        if held_ms > after_ms:
            o = self.outputs
            if o.drive_limit_permille > drive or o.charge_limit_permille > charge:
                now = f"drive {o.drive_limit_permille}, charge {o.charge_limit_permille}; at most {drive} and {charge}"
                self._breach(promise, f"limit above its cap: {key}", f"{seen}{now}")

    def _slow(self, snap: tuple[int, ...]) -> None:
        """Ten times a second: what lasts, rather than what changes."""
        i = self.inputs
        self._refused()
        self._unread()
        live = bool(snap[0] and snap[1])
        standing = abs(self.truth.speed_kmh) <= _STANDING_KMH
        # The fallback's own count. Unread current is no proof of none (S10).
        quiet = not self.bounds.current_fitted or (
            i.current_ma is not None and abs(i.current_ma) <= self.bounds.current_threshold_ma
        )
        # Without a speed input nobody can know that it stands: the coast time runs from the opening.
        rests = standing if self.bounds.speed_fitted else not (snap[0] or snap[1] or snap[2])
        self._still_ms = self._still_ms + self._slow_ms if rests else 0
        # So long the readings themselves may say that it does not stand, or cannot say that it does.
        if i.speed_state == signals.OK and i.speed_mm_s is not None:
            self._last_mm_s = i.speed_mm_s
        slowed = i.speed_state == signals.QUIET and self._last_mm_s <= _JUMP_MM_S  # else a wire may have come off
        told = quiet and (not self.bounds.speed_fitted or slowed or i.speed_state == signals.OK)
        self._untold_ms = 0 if told or live else self._untold_ms + self._slow_ms
        self._pulses_ms = 0 if i.speed_pulses else self._pulses_ms + self._slow_ms
        self._zero_ms = self._zero_ms + self._slow_ms if quiet and not (snap[8] or snap[9]) else 0
        if live:
            self._live_round(snap, self._still_ms >= _STANDS_MS)
        else:
            self._hottest.clear()
            self._cap_ms.clear()
            self._idle(snap)
        self._slow_drive, self._slow_charge = snap[8], snap[9]
        if i.bits & i.known & signals.ACK and not (snap[0] or snap[1] or snap[2]):
            self._proven = True  # the meter check, acknowledged at the vehicle

    def _live_round(self, snap: tuple[int, ...], standing: bool) -> None:
        bounds = self.bounds
        self._after_closing(snap)
        names = frozenset(self.active())
        for name in names:
            drive, charge = DRIVE_CAP.get(name, 1000), CHARGE_CAP.get(name, 1000)
            if name == "PLUG_WHILE_DRIVING" and standing:
                drive = 0
            if drive < 1000 or charge < 1000:
                self._cap("S7", name, True, _GRACE_MS, drive, charge, "")
        for name in set(self._cap_ms) - names:
            if name in self._names:
                del self._cap_ms[name]
        self._names = names
        winding = names & WINDS_DOWN
        fast = names & WINDS_DOWN_FAST
        wound = (winding | fast) & self._wound
        self._wound = winding | fast
        if wound and (snap[8] > self._slow_drive or snap[9] > self._slow_charge):
            seen = f"drive {self._slow_drive} to {snap[8]}, charge {self._slow_charge} to {snap[9]}"
            self._breach("S7", "a limit rises while a fault winds it down", f"{' '.join(wound)}, {seen}")
        self._cap("S7", "wind-down ramp", bool(winding), bounds.ramp_ms + _GRACE_MS, 100, 100, "")
        self._cap("S7", "wind-down crawl", bool(winding), bounds.ramp_ms + bounds.crawl_ms + _GRACE_MS, 0, 0, "")
        self._cap("S7", "fast wind-down", bool(fast), bounds.ramp_fast_ms + _GRACE_MS, 0, 0, "")
        self._measured(standing)

    def _measured(self, standing: bool) -> None:
        """Caps that follow from a reading, whatever the device calls it (S7), or from there being none (S10)."""
        i = self.inputs
        bounds = self.bounds
        valid = [dc for n in self._pack_zones if not i.zone_state[n] and (dc := i.zone_dc[n]) is not None]
        if valid:
            self._hottest.append(max(valid))
            least = min(self._hottest)
            if len(self._hottest) == self._hottest.maxlen and least > bounds.pack_hot_dc:
                span = bounds.pack_trip_dc - bounds.pack_hot_dc
                cap = 1000 - 800 * min(least - bounds.pack_hot_dc, span) // span + 50  # a twentieth for turns and error
                self._cap("S7", "hot pack", True, 0, cap, cap, f"{least / 10:.1f} degC, ")
            else:
                self._cap("S7", "hot pack", False, 0, 0, 0, "")
            self._cap(
                "S7", "cold pack", min(valid) < bounds.pack_cold_dc - 5, 2000, 1000, 0, f"{min(valid) / 10} degC, "
            )
        if bounds.isolation_warn_ohm is not None:
            low = not i.isolation_state and i.isolation_ohm is not None and i.isolation_ohm < bounds.isolation_warn_ohm
            low = low and self._live_ms() >= bounds.isolation_settle_ms  # what was read before closing is history
            self._cap("S7", "low isolation", low, 7000, 800, 1000, f"{i.isolation_ohm} ohm, ")
        speed_bad = bounds.speed_fitted and i.speed_state not in (signals.OK, signals.QUIET)
        unread = any(i.zone_state[: len(bounds.zones)])
        bad = i.pack_state or i.bus_state or i.isolation_state or i.current_state or speed_bad or unread
        if bad or self._was_bad:
            self._without_reading(standing, len(valid), speed_bad, unread)
        self._was_bad = bool(bad)

    def _without_reading(self, standing: bool, valid: int, speed_bad: bool, unread: bool) -> None:
        i = self.inputs
        bounds = self.bounds
        self._cap("S10", "pack voltage unread", bool(i.pack_state) and standing, 1000, 200, 200, "")
        self._cap("S10", "bus voltage unread", bool(i.bus_state), bounds.ramp_fast_ms + 1000, 0, 0, "")
        self._cap("S10", "isolation unread", bool(i.isolation_state), bounds.isolation_lost_ms + 1500, 500, 1000, "")
        if bounds.current_fitted:
            self._cap("S10", "current unread", bool(i.current_state), 1000, 500, 500, "")
        if bounds.speed_fitted:
            self._cap("S10", "speed unread", speed_bad, 1500, 500, 1000, "")
        self._cap("S10", "a temperature unread", unread, 1500, 500, 1000, "")
        wind_ms = 6000 + bounds.ramp_ms + bounds.crawl_ms
        self._cap("S10", "no pack temperature read", not valid, wind_ms, 0, 0, "")

    # S10 -----------------------------------------------------------------------------------------------------------

    def _unread(self) -> None:
        """A reading and its state must say the same: a value for an unread quantity is a default in disguise."""
        i = self.inputs
        for name, value, state in (
            ("bus", i.bus_mv, i.bus_state),
            ("pack", i.pack_mv, i.pack_state),
            ("current", i.current_ma, i.current_state),
            ("supply", i.supply_mv, i.supply_state),
            ("isolation", i.isolation_ohm, i.isolation_state),
        ):
            if bool(state) != (value is None):
                self._breach("S10", f"{name} reading and its state contradict each other", f"{value}, state {state}")

    # S12, standing -------------------------------------------------------------------------------------------------

    def _idle(self, snap: tuple[int, ...]) -> None:
        """Opened, standing, the bus above the dead level, and no discharge: it may not wait for a resistor to cool."""
        i = self.inputs
        bounds = self.bounds
        if snap[0] or snap[1] or snap[2] or snap[3] or not self._opened or bounds.discharge_kind != "resistor":
            self._idle_ms = 0
            return
        if self._dead_ms >= _PROVEN_DEAD_MS:
            self._opened = False  # it is over; a bus that comes up again is fed, which is another matter
        above = not i.bus_state and i.bus_mv is not None and i.bus_mv >= bounds.dead_mv
        stands_ms = _STANDS_MS if bounds.speed_fitted else bounds.coast_ms + 1000
        known = self._pulses_ms >= stands_ms and (not self._untold_ms or self._untold_ms > bounds.fallback_ms + 1000)
        # A bus that is only said to be live is discharged as far as the heat goes that the same readings tell of.
        if not above or not known or self._still_ms < stands_ms or self.bus_sensor_lies:
            self._idle_ms = 0
            return
        if self._idle_ms == 0:
            self.exercised["S12"] += 1
        self._idle_ms += self._slow_ms
        if self._idle_ms > 3000 and not DISCHARGE_GIVEN_UP & set(self.active()):
            self._breach("S12", "a discharge at standstill is kept waiting", f"bus {i.bus_mv} mV")

    # S13 -----------------------------------------------------------------------------------------------------------

    def _ask(self, subject: str) -> None:
        """Ask why, at most once a second for each subject: an answer, with a figure in it."""
        if self.t_ms - self._asked_ms.get(subject, -_SLOW_MS * 10) < _SLOW_MS * 10:
            return
        self._asked_ms[subject] = self.t_ms
        self.exercised["S13"] += 1
        text = self.why(subject)
        if not text.strip():
            self._breach("S13", f"no answer to why, {subject}")
        elif subject != "phase" and not any(letter.isdigit() for letter in text):
            self._breach("S13", f"no measured value in the answer to why, {subject}", text)

    def _refused(self) -> None:
        """A start edge that closed nothing is a refusal, and has a reason."""
        if self._refusal_tick is not None and self.ticks >= self._refusal_tick:
            self._refusal_tick = None
            self._ask("start")
