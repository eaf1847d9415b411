"""Cooling requests: pump, fan, heater, chiller and valves, for each kind of build, with after-run.

Decides requests only; whether coolant moves is the switches' finding, whether it is too hot the thermal monitor's.
"""

from loopwarden.policy import phases as P
from loopwarden.policy.part import Part

PASSIVE, AIR, LIQUID, CHILLED, HEAT_SHARING = range(5)
_FULL, _DRIVE_LEVEL, _LEAST = 1000, 600, 300  # permille; the least: a pump or fan that runs at all
_HYSTERESIS_DC = 20


class Cooling(Part):
    """Pump, fan and the rest ask in whole turns; the fan's permille is how much the zones ask for together."""

    uses = ("phases", "switches", "thermal")

    def __init__(self, build, faults):
        self.after_ms = self.heating = 0

    def step(self, dt):
        """One turn; dt: ms since the last one."""
        t = self.thermal
        known = t.valid & t.pack_zones
        if known and t.hottest_dc >= self.build.pack_warm_dc:
            self.faults.trip(14, t.hottest_dc)  # pack warm is no fault and has no code: full cooling
        elif self.faults.places[14] and (not known or t.hottest_dc < self.build.pack_warm_dc - _HYSTERESIS_DC):
            self.faults.drop(14)
        if self.build.cool_kind != PASSIVE:
            self._run(dt, known, self.phases.phase)
        self.phases.supply(dt)  # an after-run holds it

    def _run(self, dt, known, phase):
        o = self.outputs
        self.after_ms = self.build.after_run_ms if P.PRECHARGING <= phase <= P.OPENING else max(self.after_ms - dt, 0)
        level = self._wanted(self.build, known) if self.after_ms or phase == P.CHECKING else 0
        self.phases.after_run = 1 if level and self.after_ms else 0  # it holds the board's supply
        o.fan_permille = level
        if self.build.cool_kind >= LIQUID:
            o.pump_permille = max(level, _LEAST) if phase == P.LIVE else level
            level = self.build.coolant_fitted if o.pump_permille else 0
            self.switches.busy |= level ^ self.switches.coolant_asked
            self.switches.coolant_asked = level
        if self.build.cool_kind >= CHILLED:
            self._chill(self.build, o, known)

    def _wanted(self, b, known):
        dc = self.thermal.hottest_dc
        if not known or self.faults.places[14] or dc >= b.cool_full_dc:
            return _FULL  # also when nobody knows (S10)
        level = _DRIVE_LEVEL if max(self.thermal.inverter_dc, self.thermal.motor_dc) >= b.drive_cool_dc else 0
        if dc > b.cool_on_dc:
            return max(level, _LEAST + (_FULL - _LEAST) * (dc - b.cool_on_dc) // (b.cool_full_dc - b.cool_on_dc))
        return max(level, _LEAST) if self.outputs.fan_permille and dc > b.cool_on_dc - _HYSTERESIS_DC else level

    def _chill(self, b, o, known):
        # The three-way valve leads coolant past the chiller: below ambient, where the radiator alone cannot get.
        t = self.thermal
        cold_dc = b.heat_dc + (_HYSTERESIS_DC if self.heating else 0) - t.coldest_dc
        warm_dc = t.hottest_dc - b.chill_dc + (_HYSTERESIS_DC if o.chiller else 0)
        o.chiller = o.chill_valve = 1 if known and o.hv_loads_enable and warm_dc >= 0 else 0
        self.heating = 1 if known and cold_dc > 0 else 0
        o.heat_share = 1 if self.heating and b.cool_kind == HEAT_SHARING and t.motor_dc > t.coldest_dc + 50 else 0
        o.heater = 1 if self.heating and not o.heat_share and o.hv_loads_enable else 0
