"""Lamps: ready, caution, stop, and the two high-voltage lamps that never go out on anything but a measurement (S5)."""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy import phases as P
from loopwarden.policy.part import Part

_DEAD_MS = const(1000)
_TEST_MS = const(2000)


class Lamps(Part):
    """Writes the lamp outputs."""

    uses = ("electrics", "phases", "switches")

    def step(self):
        """One tick."""
        o = self.outputs
        p = self.phases
        # S5: out only with nothing commanded or reported closed and the bus validly dead for 1 s without a break.
        # A contactor in its release time may still conduct: lit from precharging until all have let go.
        # The lamp test leaves it alone: it is lit from power-up until the bus has proven itself, which tests it.
        if P.PRECHARGING <= p.phase <= P.OPENING or p.stage == P.ALL_OPEN:
            o.lamp_hv = 1
        elif o.positive or o.negative or o.precharge or self.electrics.dead_ms < _DEAD_MS or self._reported():
            o.lamp_hv = 1
        else:
            o.lamp_hv = 0
        if p.stage == P.READY and p.t_ms < _TEST_MS:
            o.lamp_ready = o.lamp_caution = o.lamp_stop = 1
            return
        o.lamp_ready = 1 if p.stage == P.DRIVE and p.solid else 0
        o.lamp_caution = self.faults.caution
        o.lamp_stop = self.faults.stop

    def _reported(self):
        return self.build.feedback and self.switches.word & (S.AUX_POSITIVE | S.AUX_NEGATIVE)
