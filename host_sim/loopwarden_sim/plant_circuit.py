"""The high-voltage circuit: pack, contactors, resistors, bus capacitors, and what draws from or feeds the bus.

Between two moves of a contact the circuit is linear, so its transient is an exponential and is taken exactly, with
its integrals: heat in each resistor and energy from the pack come out of the same formula. Once both main contacts
are at rest the bus follows the pack within a fraction of a millisecond, and one implicit step per tick does.
"""

import math

from loopwarden_sim.plant_contactor import Contactor
from loopwarden_sim.plant_parameters import PlantParameters

_SEGMENT_S = 0.0005  # with a constant-power load the exponential is renewed this often
_COULOMB_PER_AH = 3600.0


class Circuit:
    """Voltages in V, currents in A (positive leaves the pack), energies in J since the start.

    drawn_j         taken from the pack's source; = pack_j + precharge_j + discharge_j + bleed_j + load_j - fed_j
                    + what the bus capacitors gained
    pack_j          heat inside the pack and in the contacts
    bleed_j         heat in the bleed and in a short or extra load on the bus
    load_j, fed_j   inverter and other loads; charger, back EMF and leaks
    """

    def __init__(self, parameters: PlantParameters) -> None:
        self._parameters = parameters
        travel = (parameters.close_s, parameters.release_s, parameters.bounce_s)
        self.positive = Contactor(*travel)
        self.negative = Contactor(*travel)
        self.precharge = Contactor(*travel)
        self.discharge = Contactor(
            parameters.close_s,
            parameters.discharge_release_s,
            parameters.bounce_s,
            normally_closed=parameters.discharge_normally_closed,
        )
        self.contactors = (self.positive, self.negative, self.precharge, self.discharge)
        self.charge = 0.8  # fraction of the capacity
        self.ocv_v = 0.0
        self.ocv_factor = 1.0  # below 1: cells have failed
        self.pack_connected = True
        self.source_v = 0.0  # a bench source in the place of a pack that is not connected
        self.bus_v = 0.0
        self.pack_a = 0.0
        self.precharge_ohm = parameters.precharge_ohm
        self.discharge_ohm = parameters.discharge_ohm
        self.bleed_ohm = parameters.bleed_ohm
        self.extra_ohm = math.inf  # a short or a load across the bus
        self.motor_w = 0.0
        self.loads_w = 0.0
        self.charger_a = 0.0
        self.emf_v = 0.0
        self.emf_ohm = 1.0
        self.leak_v = 0.0
        self.leak_ohm = math.inf
        self.drawn_j = 0.0
        self.pack_j = 0.0
        self.precharge_j = 0.0
        self.discharge_j = 0.0
        self.bleed_j = 0.0
        self.load_j = 0.0
        self.fed_j = 0.0
        self._lockout_v = 0.5 * parameters.nominal_v  # loads give up below it (guess)
        self._over_v = 1.15 * parameters.highest_v  # regeneration gives up above it (guess)
        self._absorbed_v = 0.0
        self._pack_s = 0.0
        self._precharging = False
        self._discharge_s = 0.0
        self._rest_s = 0.0
        self._leak_s = 0.0
        self._stiff = False
        self.settled = False  # no contact moves and the bus lies on the pack
        self.rest()
        self.pack_v = self.ocv_v

    def rest(self) -> None:
        """Take the rest voltage from the charge table: straight lines between its points."""
        if not self.pack_connected:
            self.ocv_v = self.source_v
            return
        table = self._parameters.charge_table
        low_v, low = table[0]
        for high_v, high in table[1:]:
            if self.charge <= high or high_v == table[-1][0]:
                self.ocv_v = (low_v + (high_v - low_v) * (self.charge - low) / (high - low)) * self.ocv_factor
                return
            low_v, low = high_v, high

    def disturb(self) -> None:
        """Call after a command, a fault or a new resistance: the next step looks at the contacts again."""
        self.settled = False
        self._route()

    def step(self, dt_s: float) -> None:
        """Advance by one tick."""
        if self.settled:
            self._follow(dt_s)
            return
        if self.emf_v or self.leak_v:
            self._route()
        left_s = dt_s
        while left_s > 1e-9:
            due_s = min(c.due_s for c in self.contactors)
            busy = (self.motor_w or self.loads_w) and self.bus_v > self._lockout_v
            part_s = min(left_s, due_s, _SEGMENT_S) if busy else min(left_s, due_s)
            if part_s > 0:
                self._segment(part_s)
            left_s -= part_s
            if due_s < math.inf:
                for contactor in self.contactors:
                    if contactor.due_s < math.inf:
                        contactor.advance(part_s)
                self._route()
        self._absorb(dt_s)
        at_rest = all(c.due_s == math.inf for c in self.contactors)
        self.settled = at_rest and self._stiff and abs(self.bus_v - self.pack_v) < 0.05 * self.pack_v

    def _route(self) -> None:
        """Conductances of the paths that the contacts make now."""
        parameters = self._parameters
        self._stiff = bool(self.negative.closed and self.positive.closed)
        self._precharging = False
        self._leak_s = 0.0
        if self._stiff:
            self._pack_s = 1 / (parameters.pack_ohm + parameters.contact_ohm)
        elif self.negative.closed and self.precharge.closed:
            self._pack_s = 1 / (parameters.pack_ohm + self.precharge_ohm)
            self._precharging = True
        else:
            self._pack_s = 0.0
            self._leak_s = 1 / self.leak_ohm
        self._discharge_s = 1 / self.discharge_ohm if self.discharge.closed else 0.0
        self._rest_s = 1 / self.bleed_ohm + 1 / self.extra_ohm

    def _follow(self, dt_s: float) -> None:
        """Both main contacts at rest: one implicit step, the bus on the pack behind its resistance."""
        old_v = self.bus_v
        load_a = (self.motor_w + self.loads_w) / old_v
        stored_s = self._parameters.bus_f / dt_s
        pack_s = self._pack_s
        rest_s = self._rest_s + self._discharge_s
        ocv_v = self.ocv_v
        bus_v = (pack_s * ocv_v - load_a + self.charger_a + stored_s * old_v) / (pack_s + rest_s + stored_s)
        pack_a = pack_s * (ocv_v - bus_v)
        moved_c = pack_a * dt_s
        self.bus_v = bus_v
        self.pack_a = pack_a
        self.pack_v = bus_v
        self.charge -= moved_c / (_COULOMB_PER_AH * self._parameters.capacity_ah)
        self.drawn_j += ocv_v * moved_c
        self.pack_j += (ocv_v - bus_v) * moved_c
        self.load_j += load_a * bus_v * dt_s
        self.fed_j += self.charger_a * bus_v * dt_s
        self.bleed_j += self._rest_s * bus_v * bus_v * dt_s
        if self._discharge_s:
            self.discharge_j += self._discharge_s * bus_v * bus_v * dt_s
        if bus_v < self._lockout_v or bus_v > self._over_v:
            self.settled = False

    def _segment(self, dt_s: float) -> None:
        """Exact transient with the contacts as they are; v(t) = end + (start - end) exp(-rate t)."""
        v0, ocv_v = self.bus_v, self.ocv_v
        load_w = self.motor_w + self.loads_w
        if v0 <= self._lockout_v or (load_w < 0 and v0 > self._over_v):
            load_w = 0.0
        load_a = load_w / v0 if load_w else 0.0
        feed_s, feed_a = self._leak_s, self._leak_s * self.leak_v
        if self.emf_v > v0:
            feed_s += 1 / self.emf_ohm
            feed_a += self.emf_v / self.emf_ohm
        pack_s = self._pack_s
        total_s = pack_s + self._discharge_s + self._rest_s + feed_s
        end = (pack_s * ocv_v + feed_a + self.charger_a - load_a) / total_s
        rate = total_s / self._parameters.bus_f
        fade = math.exp(-rate * dt_s)
        gap = v0 - end
        self.bus_v = v1 = max(end + gap * fade, 0.0)
        sum_v = end * dt_s + gap * (1 - fade) / rate
        sum_v2 = end * end * dt_s + 2 * end * gap * (1 - fade) / rate + gap * gap * (1 - fade * fade) / (2 * rate)
        self.discharge_j += self._discharge_s * sum_v2
        self.bleed_j += self._rest_s * sum_v2
        self.load_j += load_a * sum_v
        self.fed_j += (feed_a + self.charger_a) * sum_v - feed_s * sum_v2
        if pack_s:
            moved_c = pack_s * (ocv_v * dt_s - sum_v)
            heat_ohm_j = pack_s * pack_s * (ocv_v * ocv_v * dt_s - 2 * ocv_v * sum_v + sum_v2)  # integral of i^2
            self.charge -= moved_c / (_COULOMB_PER_AH * self._parameters.capacity_ah)
            self.drawn_j += ocv_v * moved_c
            inner_ohm = self._parameters.pack_ohm
            if self._precharging:
                self.pack_j += inner_ohm * heat_ohm_j
                self.precharge_j += self.precharge_ohm * heat_ohm_j
            else:
                self.pack_j += heat_ohm_j / pack_s
            self.pack_a = pack_s * (ocv_v - v1)
            self.pack_v = ocv_v - self.pack_a * inner_ohm
        else:
            self.pack_a = 0.0
            self.pack_v = ocv_v

    def _absorb(self, dt_s: float) -> None:
        """Dielectric absorption: a small part of the capacitors takes part slowly, and gives it back slowly."""
        parameters = self._parameters
        if not parameters.absorption:
            return
        step_v = (self.bus_v - self._absorbed_v) * (1 - math.exp(-dt_s / parameters.absorption_s))
        self._absorbed_v += step_v
        if not self._stiff:
            self.bus_v = max(self.bus_v - parameters.absorption * step_v, 0.0)

    def absorb_slowly(self, dt_s: float) -> None:
        """The same while the bus lies on the pack, where its effect on the bus is nothing."""
        self._absorbed_v += (self.bus_v - self._absorbed_v) * (1 - math.exp(-dt_s / self._parameters.absorption_s))
