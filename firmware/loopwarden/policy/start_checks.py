"""The start checks of S1, each against the readings of this very tick; the first that fails is the refusal's reason.

Decides nothing but yes or no. A debounced fault refuses as well; these catch what has not lasted long enough for one.
"""

from loopwarden import signals as S
from loopwarden.policy import fault_table as T
from loopwarden.policy.part import Part

# Refusals, in the order in which they are looked for. words.py holds a text for each.
COUNT = 21
FINE, BY_FAULT, STOPPED, LOOP, ISOLATION, BUS_NOT_DEAD, PACK, CURRENT, NOT_STANDING, PLUG = range(10)
PERMIT, PROOF, PRECHARGE_HOT, DISCHARGE_HOT, MEMORY, SUPPLY = range(10, 16)
TEMPERATURE, PACK_FULL, PACK_COLD, LAMP_TEST, SERVICE = range(16, COUNT)


class StartChecks(Part):
    """`refusal()` is the whole of it."""

    uses = ("electrics", "isolation", "memory", "motion", "resistors", "switches", "thermal")

    def refusal(self, charge):
        """Return FINE or the first reason against a start; charge: 1 for a charge, 0 for a drive. S1, S10."""
        i, b = self.inputs, self.build
        s, m, n = self.switches, self.memory, self.isolation
        return (
            ((s.word | ~(s.known or 0)) & S.SERVICE and SERVICE)  # S15: a coil test and a start exclude each other
            or (self.faults.worst >= T.REFUSE and BY_FAULT)
            or (s.cut and STOPPED)
            or (s.open & (s.hard | s.watched) and LOOP)
            or (s.open & (s.permit_charge if charge else s.permit_drive) and PERMIT)
            # The monitor's turn may be 160 ms old: this tick's reading has to be there and good as well.
            or (n.watching and (not n.good or i.isolation_state or i.isolation_ohm is None) and ISOLATION)
            or (n.watching and i.isolation_ohm < b.iso_fault_ohm and ISOLATION)
            or ((not s.plugged if charge else s.word & S.PLUG) and PLUG)
            or ((m.failed or m.new or not m.ready) and MEMORY)
            or (
                (i.supply_state or i.supply_mv is None or not b.supply_low_mv <= i.supply_mv <= b.supply_high_mv)
                and SUPPLY
            )
            or (not self.thermal.good(i) and TEMPERATURE)
            or (self.motion.fitted and (self.motion.moving or not self.motion.quiet()) and NOT_STANDING)
            or ((not self.electrics.pack_ok or not b.pack_under_mv < i.pack_mv < b.pack_over_mv) and PACK)
            or (b.current_fitted and self.electrics.low != 1 and CURRENT)
            or (charge and i.pack_mv >= b.charge_end_mv and PACK_FULL)
            or (charge and (self.faults.places[19] or self.thermal.coldest_dc < b.pack_cold_dc) and PACK_COLD)
            or (not self.electrics.dead_ms and BUS_NOT_DEAD)
            or (not self.resistors.discharge_fits(b.discharge_emergency_mj) and DISCHARGE_HOT)
            or (self.resistors.precharge_mj + b.precharge_start_mj > b.precharge_budget_mj and PRECHARGE_HOT)
            or (not self.positive_open() and PROOF)
            or FINE
        )

    def positive_open(self):
        """True when the positive main is proven open: by the last opening, or by a contact closed while it is open."""
        # Only a contact that closes when the main opens can prove it: a broken wire must not look like proof (S10).
        word = self.switches.word if self.switches.known is not None and self.switches.known & S.AUX_POSITIVE else -1
        return self.memory.positive_proven or (self.build.feedback == 2 and not word & S.AUX_POSITIVE)
