"""Heat in the precharge and discharge resistors: counted, cooled by a model, held against the budgets (S12).

Every rounding errs to the hot side. Only time since power-up cools: what a board slept through is not known to it.
While the precharge contactor is commanded closed and the bus does not move, nobody can tell "not closed yet" from
"closed onto a short": that heat is kept in doubt, and counts unless the bus then rises as a sound one does.
"""

from loopwarden.policy.part import Part

_MOST_MJ = 0x0FFFFFFF  # far above every budget: heat stays a small integer


def store_mj(c_uf, mv):
    """Energy C*V^2/2 in mJ of a capacitance in uF (up to 10 000) at a voltage in mV (up to 1 000 000), rounded up."""
    dv = mv // 100 + 1
    return (dv * dv // 1000 + 1) * c_uf // 200 + 1


def heat_mj(mv, r_mohm, dt):
    """Heat in mJ of a resistor in mohm (1000 and more) at a voltage in mV over dt ms, rounded up."""
    dv = mv // 100 + 1  # tenths of a volt, so that its square times 10 stays below 2**30 at 1000 V
    return (10 * dv * dv // (r_mohm // 10) + 1) * dt // 10 + 1


class Resistors(Part):
    """Attributes precharge_mj, discharge_mj: heat now; energy_mj: precharge energy since travel time (trapezoid).

    start_mv: bus when the precharge contactor was commanded. A contactor commanded open still carries current for its
    release time: the tails.
    """

    uses = ("electrics", "phases")

    def __init__(self, build, faults):
        self.precharge_mj = self.discharge_mj = self.energy_mj = self.doubt_mj = self.apart_mv = self.start_mv = 0
        self.precharge_tail_ms = self.discharge_tail_ms = self.cool_ms = self.last_mv = 0

    def precharge_closes(self):
        """The precharge contactor is commanded closed now: energies count from command plus travel time."""
        b = self.build
        self.energy_mj = 0
        self.start_mv = self.inputs.bus_mv if self.electrics.bus_ok else 0
        pack = self.inputs.pack_mv if self.electrics.pack_ok else b.pack_over_mv
        self.apart_mv = max(pack - self.start_mv, 0)  # across the resistor at the beginning of the next step

    def precharge_ends(self):
        """Aborted or done: what is still in doubt counts."""
        self.precharge_mj = min(self.precharge_mj + self.doubt_mj, _MOST_MJ)
        self.doubt_mj = 0

    def step(self, dt):
        """Count one tick's heat."""
        o = self.outputs
        if o.precharge:
            self.precharge_tail_ms = self.build.release_ms + dt
        if o.discharge and self.build.discharge_kind == 0:
            self.discharge_tail_ms = self.build.release_ms + dt
        if self.precharge_tail_ms > 0:
            self.precharge_tail_ms -= dt
            self._precharge(dt)
        if self.discharge_tail_ms > 0:
            self.discharge_tail_ms -= dt
            self._discharge(dt)
        else:
            self.last_mv = 0

    def cool(self, dt):
        """One turn of cooling; dt: ms since the last one. Whole seconds only, so that rounding errs to the hot side."""
        self.cool_ms += dt
        while self.cool_ms >= 1000:  # what is left over would cool heat of later
            self.cool_ms -= 1000
            self.precharge_mj -= self.precharge_mj // self.build.precharge_cool_s
            self.discharge_mj -= self.discharge_mj // self.build.discharge_cool_s

    def _precharge(self, dt):
        # An unreadable voltage counts as the highest one there can be (S10).
        e = self.electrics
        bus = self.inputs.bus_mv if e.bus_ok else 0
        mv = abs((self.inputs.pack_mv if e.pack_ok else self.build.pack_over_mv) - bus)
        half = heat_mj(self.apart_mv, self.build.precharge_r_mohm, dt)
        half = (half + heat_mj(mv, self.build.precharge_r_mohm, dt) + 1) // 2
        self.apart_mv = mv
        if e.bus_ok and bus <= self.start_mv + 2 * self.build.noise_mv and self.phases.phase == 2:  # precharging
            self.doubt_mj = min(self.doubt_mj + half, _MOST_MJ)
        else:
            self.precharge_mj = min(self.precharge_mj + half, _MOST_MJ)
        if self.phases.t_ms >= self.build.close_ms:
            self.energy_mj = min(self.energy_mj + half, _MOST_MJ)

    def _discharge(self, dt):
        # The greater of the tick's two ends: the bus falls while it is on.
        mv = max(self.inputs.bus_mv, 0) if self.electrics.bus_ok else self.build.pack_over_mv
        mj = heat_mj(max(mv, self.last_mv), self.build.discharge_r_mohm, dt)
        self.discharge_mj = min(self.discharge_mj + mj, _MOST_MJ)
        self.last_mv = mv

    def one_mj(self, mv):
        """C*V^2/2 of this build's bus in mJ."""
        return store_mj(self.build.bus_c_uf, mv)

    def ending_mj(self, mv):
        """Heat in mJ of a discharge that is on and is switched off now: its release time, and a tick at either end."""
        return heat_mj(mv, self.build.discharge_r_mohm, self.build.release_ms + 2 * self.build.tick_ms)

    def discharge_fits(self, mj):
        """True when so much more heat fits the discharge budget, or no resistor of ours carries it (S12)."""
        return self.build.discharge_kind or self.discharge_mj + mj <= self.build.discharge_budget_mj
