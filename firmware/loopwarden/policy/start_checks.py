"""The start checks of S1, each against the readings of this very tick; the first that fails is the refusal's reason.

Decides nothing but yes or no. A debounced fault refuses as well; these catch what has not lasted long enough for one.
"""

from micropython import const

from loopwarden.policy import fault_table as T
from loopwarden.policy import signals as S

# Refusals, in the order in which they are looked for. words.py holds a text for each.
FINE = const(0)
BY_FAULT = const(1)
STOPPED = const(2)
LOOP = const(3)
ISOLATION = const(4)
BUS_NOT_DEAD = const(5)
PACK = const(6)
CURRENT = const(7)
NOT_STANDING = const(8)
PLUG = const(9)
PERMIT = const(10)
PROOF = const(11)
PRECHARGE_HOT = const(12)
DISCHARGE_HOT = const(13)
MEMORY = const(14)
SUPPLY = const(15)
TEMPERATURE = const(16)
PACK_FULL = const(17)
PACK_COLD = const(18)
LAMP_TEST = const(19)
COUNT = const(20)


class StartChecks:
    """Holds references only; `refusal()` is the whole of it."""

    def __init__(self, build, faults, memory, monitors, resistors):
        self.build = build
        self.faults = faults
        self.memory = memory
        self.switches, self.motion, self.electrics, self.isolation, self.thermal, self.health = monitors
        self.resistors = resistors
        self.inputs = None

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
        if self.isolation.watching and not self.isolation.good:
            return ISOLATION
        if charge:
            if not s.plugged:
                return PLUG
        elif s.plug:
            return PLUG
        if not self.memory.ready or self.memory.failed or self.memory.new:
            return MEMORY
        if not self.health.supply_ok:
            return SUPPLY
        if not self.thermal.good():
            return TEMPERATURE
        if self.motion.fitted and self.motion.moving:
            return NOT_STANDING
        return self._electric(charge)

    def _electric(self, charge):
        e = self.electrics
        pack = self.inputs.pack_mv
        if not e.pack_ok or pack <= self.build.pack_under_mv or pack >= self.build.pack_over_mv:
            return PACK
        if self.build.current_fitted and not self.motion.current_low:
            return CURRENT
        if charge:
            if pack >= self.build.charge_end_mv:
                return PACK_FULL
            if self.faults.is_on(19) or self.thermal.coldest_dc < self.build.pack_cold_dc:
                return PACK_COLD
        if not e.dead_ms:
            return BUS_NOT_DEAD
        if not self.resistors.discharge_fits(pack):
            return DISCHARGE_HOT
        if not self.resistors.start_fits(pack):
            return PRECHARGE_HOT
        if not self.positive_open():
            return PROOF
        return FINE

    def positive_open(self):
        """1 when the positive main is proven open: by the last opening, or by a contact that is closed while it is open."""
        if self.memory.positive_proven:
            return 1
        # Only a contact that closes when the main opens can prove it: a broken wire must not look like proof (S10).
        s = self.switches
        return self.build.feedback == 2 and not s.word & S.AUX_POSITIVE and s.known is not None and s.known & S.AUX_POSITIVE
