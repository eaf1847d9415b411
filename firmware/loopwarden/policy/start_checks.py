"""The start checks of S1, each against the readings of this very tick; the first that fails is the refusal's reason.

Decides nothing but yes or no. A debounced fault refuses as well; these catch what has not lasted long enough for one.
"""

from loopwarden import signals as S
from loopwarden.policy import fault_table as T
from loopwarden.policy.part import Part

# Refusals, in the order in which they are looked for. words.py holds a text for each.
FINE, BY_FAULT, STOPPED, LOOP, ISOLATION, BUS_NOT_DEAD, PACK, CURRENT, NOT_STANDING, PLUG = range(10)
PERMIT, PROOF, PRECHARGE_HOT, DISCHARGE_HOT, MEMORY, SUPPLY, TEMPERATURE, PACK_FULL, PACK_COLD, LAMP_TEST = range(
    10, 20
)
COUNT = 20


class StartChecks(Part):
    """`refusal()` is the whole of it."""

    uses = ("electrics", "isolation", "memory", "motion", "resistors", "switches", "thermal")

    def refusal(self, charge):
        """Return FINE or the first reason against a start; charge: 1 for a charge, 0 for a drive. S1, S10."""
        s = self.switches
        if self.faults.worst >= T.REFUSE:
            return BY_FAULT
        if s.cut:
            return STOPPED
        if s.open & (s.hard | s.watched):
            return LOOP
        if s.open & (s.permit_charge if charge else s.permit_drive):
            return PERMIT
        if self.isolation.watching and not self._isolated(self.inputs):
            return ISOLATION
        if not s.plugged if charge else s.word & S.PLUG:
            return PLUG
        if not self.memory.ready or self.memory.failed or self.memory.new:
            return MEMORY
        if not self._supplied(self.inputs.supply_mv):
            return SUPPLY
        if not self.thermal.good():
            return TEMPERATURE
        if self.motion.fitted and (self.motion.moving or not self.motion.quiet()):
            return NOT_STANDING
        return self._electric(charge)

    def _supplied(self, mv):
        b = self.build
        return not self.inputs.supply_state and mv is not None and b.supply_low_mv <= mv <= b.supply_high_mv

    def _isolated(self, i):
        # The monitor's turn may be 160 ms old: this tick's reading has to be there and good as well.
        ohm = i.isolation_ohm
        return self.isolation.good and not i.isolation_state and ohm is not None and ohm >= self.build.iso_fault_ohm

    def _electric(self, charge):
        e = self.electrics
        pack = self.inputs.pack_mv
        if not e.pack_ok or pack <= self.build.pack_under_mv or pack >= self.build.pack_over_mv:
            return PACK
        if self.build.current_fitted and e.low != 1:
            return CURRENT
        if charge:
            if pack >= self.build.charge_end_mv:
                return PACK_FULL
            if self.faults.is_on(19) or self.thermal.coldest_dc < self.build.pack_cold_dc:
                return PACK_COLD
        if not e.dead_ms:
            return BUS_NOT_DEAD
        if not self.resistors.emergency_fits():
            return DISCHARGE_HOT
        if not self.resistors.start_fits():
            return PRECHARGE_HOT
        if not self.positive_open():
            return PROOF
        return FINE

    def positive_open(self):
        """True when the positive main is proven open: by the last opening, or by a contact closed while it is open."""
        # Only a contact that closes when the main opens can prove it: a broken wire must not look like proof (S10).
        word = self.switches.word if self.switches.known is not None and self.switches.known & S.AUX_POSITIVE else -1
        return self.memory.positive_proven or (self.build.feedback == 2 and not word & S.AUX_POSITIVE)
