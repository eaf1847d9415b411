"""Judges the promises that show at the edge of the decisions: from readings and commands alone, at any step of time.

Written from the promises and the build file, not from the policy's code. It believes every valid reading and nothing
else, so it needs no plant: S12 by the plant's own heat, S4 and S5 by true speed and voltage stay with the simulator's
promise monitor. All that it remembers are small integers that stop at the largest figure they are compared with, so
that an exploration can keep it as part of a state.
"""

from collections.abc import Collection
from typing import Any

from loopwarden import signals
from loopwarden_sim.promise_bounds import Bounds
from loopwarden_sim.promise_reactions import CHARGE_CAP, CONTACTOR_FAILED, DRIVE_CAP, START_ALLOWED

PROMISES = ("S1", "S2", "S3", "S4", "S5", "S6", "S7", "S10", "S11")

_DEAD_MS = 1000  # S5: below the dead level for so long before the lamps may go out
_STANDS_MS = 2000  # no pulse for so long, on a line that is read
_CURRENT_WAIT_MS = 2000  # S4: on the way down, for the current to fall
_HELD_MS = 1000  # S7: the bus within 3 % of pack for so long before more than 5 % is granted
_PRESS_MS = 1200  # from the start edge to the first contactor: the mark may take a second, and two ticks
_GAP_MS = 1000  # guess: between the two proofs on the way up everything is off for no longer
_WAITS = frozenset({"PRECHARGE_RESISTOR_HOT", "DISCHARGE_RESISTOR_HOT"})  # why an earlier press was refused
_STEP_MOST_MS = 100  # the longest step that the supervisor takes


class EdgeJudge:
    """Call `tick` after each step of the supervisor; it returns what was broken in it, as (promise, what was seen).

    inputs, outputs   the objects that the supervisor is bound to
    press_most_ms     from the start edge to the first contactor
    """

    def __init__(
        self,
        bounds: Bounds,
        inputs: Any,
        outputs: Any,
        *,
        press_most_ms: int = _PRESS_MS,
    ) -> None:
        self.bounds = bounds
        self.inputs = inputs
        self.outputs = outputs
        self.press_most_ms = press_most_ms
        crash = signals.CRASH if bounds.crash_fitted else 0
        self._stops = bounds.hard_loops | signals.STOP | crash
        self._aux = 0 if bounds.feedback == "none" else signals.AUX_POSITIVE | signals.AUX_NEGATIVE
        self._pack_zones = [n for n, zone in enumerate(bounds.zones) if zone.where == "pack"]
        self._pulse_most_ms = bounds.proof_pulse_ms
        self._on_most_ms = bounds.discharge_window_ms + bounds.close_ms
        self.power_off()

    def power_off(self) -> None:
        """The board has just come up, or was reset: every command is off, and nothing is remembered (S11)."""
        self.positive = self.negative = self.precharge = self.discharge = 0  # the commands of the last tick
        self.drive = self.charge = self.rise = 0  # the limits of the last tick; what is left of the allowed rise
        self.heartbeat = -1
        self.stopped = 0  # 1: a stop demand was seen in the last tick
        self.start_low = 0  # 1: the start input was read low
        self.press_ms = self.press_most_ms + 1  # since the last start edge whose checks all passed
        self.plug_in = 0  # at the last one
        self.dead_ms = 0
        self.fell_ms = _GAP_MS + 1  # since a contactor command fell; no release time is as long
        self.tests_only = 0  # of the start under way only precharge, alone, was commanded yet
        self.live = self.held_ms = 0  # both mains closed and their loads enabled; the bus near pack since
        self.closed_ms = self.isolation_read = 0  # since both mains are closed
        self.granted = 0  # the inverter was enabled with a limit above zero since then
        self.quiet_ms = self.zero_ms = 0
        self.down_ms = 0  # S4: since it stood for sure; once the way down has begun the current may take 2 s to fall
        self.pulses = self.pulse_ms = self.above_ms = 0
        self.path = 0  # precharge and negative are both commanded, without positive
        self.window: tuple[int | None, ...] = ()  # bus readings since then, as far back as half an R*C
        self.window_ms: tuple[int, ...] = ()
        self.broken: list[tuple[str, str]] = []

    def tick(self, dt_ms: int, active: Collection[str]) -> list[tuple[str, str]]:
        """Judge the step that has just ended; active: names of the rows that are active after it."""
        i, o = self.inputs, self.outputs
        self.broken = []
        positive, negative, precharge = o.positive, o.negative, o.precharge
        closed = positive or negative or precharge
        self._readings(i, dt_ms)
        self._stop(i, o, closed)
        self._press(i, dt_ms, active)
        if closed and not (self.positive or self.negative or self.precharge):
            self._first_command(active)
        self.window_ms = tuple(ms + dt_ms for ms in self.window_ms)
        if positive and negative and not (self.positive and self.negative):
            self._second_main(i)
        if self.live and not (positive and negative):
            self._opens(i, active)
        fell = self.positive > positive or self.negative > negative or self.precharge > precharge
        self.fell_ms = 0 if fell else min(self.fell_ms + dt_ms, _GAP_MS + 1)
        if positive or negative:
            self.tests_only = 0
        self._lamps(i, o, closed)
        self._discharges(i, o, dt_ms, closed)
        self._path(i, dt_ms, precharge and negative and not positive)
        self._limits(i, o, dt_ms, active)
        if o.heartbeat == self.heartbeat:
            self._break("S11", "no heartbeat edge in a step that ended")
        self.heartbeat = o.heartbeat
        self.positive, self.negative, self.precharge = positive, negative, precharge
        return self.broken

    def _break(self, promise: str, seen: str) -> None:
        self.broken.append((promise, seen))

    # What the readings say, as far as they say anything (S10)

    def _bus(self) -> int | None:
        i = self.inputs
        return None if i.bus_state else i.bus_mv

    def _pack(self) -> int | None:
        i = self.inputs
        return None if i.pack_state else i.pack_mv

    def _readings(self, i: Any, dt_ms: int) -> None:
        bus = self._bus()
        dead = bus is not None and bus < self.bounds.dead_mv
        self.dead_ms = min(self.dead_ms + dt_ms, _DEAD_MS) if dead else 0
        read = i.speed_pulses is not None and i.speed_state in (signals.OK, signals.QUIET)
        self.quiet_ms = min(self.quiet_ms + dt_ms, _STANDS_MS) if read and not i.speed_pulses else 0
        stands = self.quiet_ms >= _STANDS_MS
        most = _CURRENT_WAIT_MS + 3 * _STEP_MOST_MS
        self.down_ms = 0 if stands else most if self.outputs.inverter_enable else min(self.down_ms + dt_ms, most)

    def _demand(self) -> int:
        i = self.inputs
        bits = 0 if i.bits is None else i.bits
        known = 0 if i.bits is None or i.known is None else i.known
        return int((i.latch | (bits ^ self.bounds.hard_loops) | ~known) & self._stops)

    # S3

    def _stop(self, i: Any, o: Any, closed: int) -> None:
        on = closed or o.inverter_enable or o.charger_enable or o.drive_limit_permille or o.charge_limit_permille
        if self.stopped and on:
            self._break("S3", "still commanded in the second tick after a stop, a crash or an open hard loop")
        self.stopped = 1 if self._demand() else 0

    # S1

    def _press(self, i: Any, dt_ms: int, active: Collection[str]) -> None:
        bits = 0 if i.bits is None else i.bits
        known = 0 if i.bits is None or i.known is None else i.known
        pressed = bits & known & signals.START
        self.press_ms = min(self.press_ms + dt_ms, self.press_most_ms + 1)
        # A press while one that passed its checks is under way, or a contactor is closed, asks for nothing; one that
        # fails a check as well.
        under_way = self.press_ms <= self.press_most_ms
        if pressed and self.start_low and not under_way and not (self.positive or self.negative or self.precharge):
            self.plug_in = 1 if bits & known & signals.PLUG and self.bounds.plug_fitted else 0
            self.press_ms = self.press_most_ms + 1 if self._fails(active) else 0
        if known & signals.START:
            self.start_low = 0 if pressed else 1

    def _first_command(self, active: Collection[str]) -> None:
        if self.tests_only and self.fell_ms <= _GAP_MS and self.outputs.negative:
            if self._bus() is None:
                self._break("S1", "the second proof of a start closes without a bus reading")
            return
        if self.press_ms > self.press_most_ms:
            self._break("S1", "a contactor closes without a fresh start edge whose checks all passed")
        elif failed := self._fails(active):
            self._break("S1", f"a contactor closes although {failed}")
        self.press_ms = self.press_most_ms + 1  # one edge, one start
        self.tests_only = 1

    def _fails(self, active: Collection[str]) -> str:
        """The first start check that fails on this tick's readings, "" for none."""
        i, b = self.inputs, self.bounds
        bits = 0 if i.bits is None else i.bits
        known = 0 if i.bits is None or i.known is None else i.known
        charge = self.plug_in
        loops = b.hard_loops | b.other_loops | (b.charge_permits if charge else b.drive_permits)
        stops = signals.STOP | (signals.CRASH if b.crash_fitted else 0)
        bus, pack = self._bus(), self._pack()
        checks = (
            (not bits & known & signals.KEY, "the key is off or unread"),
            ((bits | ~known) & signals.SERVICE, "the service input is high or unread"),
            ((bits | ~known | i.latch) & stops, "there is a stop or a crash"),
            (bits & known & ~i.latch & loops != loops, "a loop does not read closed"),
            ((i.loop_low | i.loop_high) & loops >> 16, "a loop reads shorted"),
            (b.plug_fitted and not known & signals.PLUG, "the plug is not read"),
            (bus is None or bus >= b.dead_mv, "the bus is not validly dead"),
            (pack is None or not b.pack_low_mv <= pack <= b.pack_high_mv, "the pack voltage is not plausible"),
            (b.current_fitted and not self._no_current(), "current flows or is unread"),
            ((b.isolation_while_plugged or not charge) and not self._isolated(), "isolation is not validly good"),
            (b.speed_fitted and self.quiet_ms < _STANDS_MS, "it is not known to stand"),
            (not self._supplied(), "the supply is not validly in range"),
            (self._too_hot(), "a temperature is at its trip or not read"),
        )
        for failed, what in checks:
            if failed:
                return what
        refusing = set(active) - START_ALLOWED - _WAITS
        if refusing or (charge and "PACK_COLD" in active):
            return "a fault refuses it"
        return ""

    def _no_current(self) -> bool:
        i = self.inputs
        if i.current_state or i.current_ma is None:
            return False
        return bool(abs(i.current_ma) <= self.bounds.current_threshold_ma)

    def _isolated(self) -> bool:
        i = self.inputs
        if i.isolation_state or i.isolation_ohm is None:
            return False
        return bool(i.isolation_ohm >= self.bounds.isolation_fault_ohm)

    def _supplied(self) -> bool:
        i = self.inputs
        if i.supply_state or i.supply_mv is None:
            return False
        return bool(self.bounds.supply_low_mv <= i.supply_mv <= self.bounds.supply_high_mv)

    def _too_hot(self) -> bool:
        i = self.inputs
        for n, zone in enumerate(self.bounds.zones):
            dc = i.zone_dc[n]
            if dc is not None and not i.zone_state[n]:
                if dc >= zone.trip_dc:
                    return True
            elif not any(i.zone_dc[other] is not None and not i.zone_state[other] for other in zone.covered_by):
                return True
        return False

    # S2

    def _second_main(self, i: Any) -> None:
        bus, pack = self._bus(), self._pack()
        b = self.bounds
        if not self.path:
            self._break("S2", "the second main closes without precharge")
        elif bus is None or pack is None:
            self._break("S2", "the second main closes without valid bus and pack readings")
        elif bus * 1000 < pack * b.fraction_permille:
            self._break("S2", "the second main closes below the precharge fraction")
        else:
            # Looked at in windows of that length or a tick more, end to end.
            spans = [mv for mv, ms in zip(self.window, self.window_ms, strict=True) if ms >= b.half_rc_ms]
            if not any(mv is not None and abs(bus - mv) * 100 < pack for mv in spans):
                self._break("S2", "the second main closes while the bus still rises")

    def _path(self, i: Any, dt_ms: int, commanded: int) -> None:
        """The bus readings of the last half R*C while precharge and negative are closed."""
        if not commanded:
            self.path, self.window, self.window_ms = 0, (), ()
            return
        self.path = 1
        # None is needed beyond a window and a step.
        keep = [n for n, ms in enumerate(self.window_ms) if ms < self.bounds.half_rc_ms + _STEP_MOST_MS]
        self.window = (*(self.window[n] for n in keep), self._bus())
        self.window_ms = (*(self.window_ms[n] for n in keep), 0)

    # S4

    def _opens(self, i: Any, active: Collection[str]) -> None:
        b = self.bounds
        if self.stopped or CONTACTOR_FAILED & set(active):
            return
        if self.zero_ms >= b.fallback_ms:
            return
        if not b.speed_fitted:
            if self.granted:
                self._break("S4", "opened with the speed unknown before the fallback")
        elif self.down_ms > _CURRENT_WAIT_MS + 2 * _STEP_MOST_MS:
            self._break("S4", "opened without 2 s of silence on a line that is read, and before the fallback")

    # S5

    def _lamps(self, i: Any, o: Any, closed: int) -> None:
        if o.lamp_hv:
            return
        bits = 0 if i.bits is None else i.bits
        known = 0 if i.bits is None or i.known is None else i.known
        if closed:
            self._break("S5", "high-voltage lamps out with a contactor commanded")
        elif (bits | ~known) & self._aux:
            self._break("S5", "high-voltage lamps out with a main reported closed, or its contact unread")
        elif self.dead_ms < _DEAD_MS:
            self._break("S5", "high-voltage lamps out without 1 s of a validly dead bus")

    # S6

    def _discharges(self, i: Any, o: Any, dt_ms: int, closed: int) -> None:
        b = self.bounds
        if not closed and self.fell_ms > 0:
            self.pulses = 0
        if not o.discharge:
            self.discharge = self.pulse_ms = self.above_ms = 0
            return
        if not self.discharge:
            self.pulses += 1 if closed else 0
            if self.fell_ms < b.release_ms:
                self._break("S6", "discharge on before the release time of the last command is over")
        if b.discharge_kind == "bleed":
            self._break("S6", "discharge asked for in a build without one")
        if o.precharge or (o.positive and o.negative):
            self._break("S6", "discharge on with a path from the pack commanded closed")
        if closed:
            self.pulse_ms += dt_ms
            if self.pulses > 1:
                self._break("S6", "a second proof pulse in one opening")
            if self.pulse_ms > self._pulse_most_ms + 2 * max(dt_ms, b.tick_ms):
                self._break("S6", "the proof pulse is longer than its time")
        else:
            bus = self._bus()
            self.above_ms = self.above_ms + dt_ms if bus is None or bus >= b.dead_mv else 0
            if self.above_ms > self._on_most_ms + 2 * dt_ms:
                self._break("S6", "discharge stays on although the bus does not fall")
        self.discharge = 1

    # S7, and the fallback that S4 counts by

    def _limits(self, i: Any, o: Any, dt_ms: int, active: Collection[str]) -> None:
        b = self.bounds
        drive, charge = o.drive_limit_permille, o.charge_limit_permille
        both = o.positive and o.negative
        if both and o.hv_loads_enable:
            self.live = 1
            self.granted = 1 if self.granted or (o.inverter_enable and (drive or charge)) else 0
        elif not both:
            self.granted = self.live = self.held_ms = self.rise = self.closed_ms = self.isolation_read = 0
        # At standstill of the limits nothing may be saved up beyond a permille.
        if drive > self.drive or charge > self.charge:
            self.rise += b.rise_permille_s * dt_ms
            most = self.rise // 1000 + 1
            if drive - self.drive > most or charge - self.charge > most:
                self._break("S7", f"a limit rises faster than the build allows: {max(drive, charge)}")
            self.rise %= 1000
        if not (0 <= drive <= 1000 and 0 <= charge <= 1000):
            self._break("S7", "a limit outside 0 to 1000")
        if (drive or charge) and not both:
            self._break("S7", "a limit above zero while not live")
        if (drive or charge) and self.live and not (o.hv_loads_enable or o.inverter_enable or o.charger_enable):
            self._break("S7", "a limit above zero with loads, inverter and charger off again")
        if both:
            bus, pack = self._bus(), self._pack()
            if bus is not None and pack is not None:  # an unread tick says nothing either way
                near = (pack - bus) * 100 <= pack * 3
                self.held_ms = min(self.held_ms + dt_ms, _HELD_MS) if near or self.held_ms >= _HELD_MS else 0
            if self.held_ms < _HELD_MS and (drive > 50 or charge):
                self._break("S7", "more than 5 % before the bus has held for a second")
            self.closed_ms = min(self.closed_ms + dt_ms, b.isolation_settle_ms)
            if not i.isolation_state and i.isolation_ohm is not None and self.closed_ms >= b.isolation_settle_ms:
                self.isolation_read = 1
            if drive > 200 and not self.isolation_read:
                self._break("S7", "more than 20 % before an isolation reading settled")
            if drive or charge:
                for name in active:
                    if drive > DRIVE_CAP.get(name, 1000) or charge > CHARGE_CAP.get(name, 1000):
                        self._break("S7", f"a limit above the cap of {name}")
                if self.plug_in and drive:
                    self._break("S7", "a drive limit above zero in a charge")
        # What is not read is not known to flow: else a drive with both sensors dead would never end.
        quiet = not b.current_fitted or i.current_state or i.current_ma is None or self._no_current()
        self.zero_ms = min(self.zero_ms + dt_ms, b.fallback_ms) if both and quiet and not (drive or charge) else 0
        self.drive, self.charge = drive, charge
