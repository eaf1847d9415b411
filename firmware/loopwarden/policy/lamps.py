"""Lamps: ready, caution, stop, and the two high-voltage lamps that never go out on anything but a measurement (S5)."""

from micropython import const

from loopwarden.policy import phases as P
from loopwarden.policy import signals as S

_DEAD_MS = const(1000)
_TEST_MS = const(2000)


class Lamps:
    """Holds references only; writes the lamp outputs."""

    def __init__(self, faults):
        self.faults = faults
        self.outputs = None
        self.phases = None
        self.electrics = None
        self.switches = None

    def step(self):
        """One tick."""
        o = self.outputs
        p = self.phases
        # S5: out only with nothing commanded or reported closed and the bus validly dead for 1 s without a break.
        # A contactor in its release time may still conduct, so the lamp stays lit from precharging until all have let go.
        # The lamp test leaves it alone: it is lit from power-up until the bus has proven itself, which tests it.
        if o.positive or o.negative or o.precharge or self.electrics.dead_ms < _DEAD_MS or self._reported():
            o.lamp_hv = 1
        elif P.PRECHARGING <= p.phase <= P.OPENING or p.stage == P.ALL_OPEN:
            o.lamp_hv = 1
        else:
            o.lamp_hv = 0
        if p.stage == P.READY and p.t_ms < _TEST_MS:
            o.lamp_ready = 1
            o.lamp_caution = 1
            o.lamp_stop = 1
            return
        f = self.faults
        o.lamp_ready = 1 if p.stage == P.DRIVE and p.solid else 0
        o.lamp_caution = f.caution
        o.lamp_stop = f.stop

    def _reported(self):
        return self.electrics.build.feedback and self.switches.word & (S.AUX_POSITIVE | S.AUX_NEGATIVE)
