"""Cooling requests: pump, fan, heater, chiller and valves, for each kind of build, with after-run.

Decides requests only; whether coolant moves is the switches' finding, whether it is too hot the thermal monitor's.
"""

from micropython import const

from loopwarden.policy import phases as P
from loopwarden.policy.part import Part

PASSIVE, AIR, LIQUID, CHILLED, HEAT_SHARING = range(5)
_FULL = const(1000)
_LEAST = const(300)  # a pump or fan that runs at all
_DRIVE_LEVEL = const(600)
_HYSTERESIS_DC = const(20)


class Cooling(Part):
    """Attribute level_permille: how much the zones ask for together."""

    uses = ("phases", "switches", "thermal")

    def __init__(self, build, faults):
        self.level_permille = self.after_ms = self.chilling = self.heating = 0

    def step(self, dt):
        """One turn; dt: ms since the last one."""
        t = self.thermal
        known = t.valid & t.pack_zones
        if known and t.hottest_dc >= self.build.pack_warm_dc:
            self.faults.trip(14, t.hottest_dc)  # pack warm is no fault and has no code: full cooling
        elif not known or t.hottest_dc < self.build.pack_warm_dc - _HYSTERESIS_DC:
            self.faults.drop(14)
        if self.build.cool_kind != PASSIVE:
            self._run(dt, known)
        self.phases.supply(dt)  # an after-run holds it

    def _run(self, dt, known):
        phase = self.phases.phase
        running = P.PRECHARGING <= phase <= P.OPENING
        self.after_ms = self.build.after_run_ms if running else max(self.after_ms - dt, 0)
        level = self._wanted() if known else _FULL  # nobody knows: cool (S10)
        if self.after_ms == 0 and phase != P.CHECKING:
            level = 0
        self.phases.after_run = 1 if level and phase != P.CHECKING else 0  # it holds the board's supply
        self.level_permille = level
        o = self.outputs
        o.fan_permille = level
        if self.build.cool_kind >= LIQUID:
            level = max(level, _LEAST) if phase == P.LIVE else level
            o.pump_permille = level
            level = self.build.coolant_fitted if level else 0
            if level != self.switches.coolant_asked:
                self.switches.coolant_asked = level
                self.switches.busy = 1
        if self.build.cool_kind >= CHILLED:
            self._chill(o, known)

    def _wanted(self):
        b = self.build
        dc = self.thermal.hottest_dc
        level = _DRIVE_LEVEL if max(self.thermal.inverter_dc, self.thermal.motor_dc) >= b.drive_cool_dc else 0
        if self.faults.places[14] or dc >= b.cool_full_dc:
            return _FULL
        if dc > b.cool_on_dc:
            return max(level, _LEAST + (_FULL - _LEAST) * (dc - b.cool_on_dc) // (b.cool_full_dc - b.cool_on_dc))
        return max(level, _LEAST) if self.level_permille and dc > b.cool_on_dc - _HYSTERESIS_DC else level

    def _chill(self, o, known):
        # The three-way valve leads coolant past the chiller: below ambient, where the radiator alone cannot get.
        b = self.build
        level = b.chill_dc - (_HYSTERESIS_DC if self.chilling else 0)
        self.chilling = 1 if known and o.hv_loads_enable and self.thermal.hottest_dc >= level else 0
        o.chiller = o.chill_valve = self.chilling
        cold = self.thermal.coldest_dc
        self.heating = 1 if known and cold < b.heat_dc + (_HYSTERESIS_DC if self.heating else 0) else 0
        o.heat_share = 1 if self.heating and b.cool_kind == HEAT_SHARING and self.thermal.motor_dc > cold + 50 else 0
        o.heater = 1 if self.heating and not o.heat_share and o.hv_loads_enable else 0
