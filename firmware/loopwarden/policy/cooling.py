"""Cooling requests: pump, fan, heater, chiller and valves, for each kind of build, with after-run.

Decides requests only; whether coolant moves is the switches' finding, whether it is too hot the thermal monitor's.
"""

from micropython import const

from loopwarden.policy import phases as P

PASSIVE = const(0)
AIR = const(1)
LIQUID = const(2)
CHILLED = const(3)
HEAT_SHARING = const(4)

_FULL = const(1000)
_HYSTERESIS_DC = const(20)


class Cooling:
    """Attribute level_permille: how much the hottest zone asks for; full: 1 at full cooling."""

    def __init__(self, build, faults):
        self.build = build
        self.faults = faults
        self.outputs = None
        self.phases = None
        self.thermal = None
        self.switches = None
        self.level_permille = 0
        self.after_ms = 0
        self.chilling = 0
        self.heating = 0

    def step(self, dt):
        """One turn; dt: ms since the last one."""
        p = self.phases
        if self.build.cool_kind == PASSIVE:
            self._warm()
            return
        if P.PRECHARGING <= p.phase <= P.OPENING:
            self.after_ms = self.build.after_run_ms
        elif self.after_ms > 0:
            self.after_ms = max(self.after_ms - dt, 0)
        self._warm()
        level = self._wanted()
        if self.after_ms == 0 and p.phase != P.CHECKING:
            level = 0
        # After-run holds the supply only while it still cools something.
        p.after_run = 1 if level and p.phase != P.CHECKING else 0
        self.level_permille = level
        self._ask(self.outputs, level)

    def _warm(self):
        # Pack warm is no fault and has no code: full cooling.
        t = self.thermal
        if t.valid & t.pack_zones and t.hottest_dc >= self.build.pack_warm_dc:
            self.faults.trip(14, t.hottest_dc)
        elif not t.valid & t.pack_zones or t.hottest_dc < self.build.pack_warm_dc - _HYSTERESIS_DC:
            self.faults.drop(14)

    def _wanted(self):
        b = self.build
        t = self.thermal
        if not t.valid & t.pack_zones and t.pack_zones:
            return _FULL  # nobody knows: cool (S10)
        dc = t.hottest_dc
        level = 0
        if self.faults.slots_on[14] or dc >= b.cool_full_dc:
            level = _FULL
        elif dc > b.cool_on_dc:
            level = 300 + 700 * (dc - b.cool_on_dc) // (b.cool_full_dc - b.cool_on_dc)
        elif self.level_permille and dc > b.cool_on_dc - _HYSTERESIS_DC:
            level = 300
        if max(t.inverter_dc, t.motor_dc) >= b.drive_cool_dc:
            level = max(level, 600)
        return level

    def _ask(self, o, level):
        kind = self.build.cool_kind
        o.fan_permille = level
        if kind == AIR:
            return
        o.pump_permille = max(level, 300) if self.phases.phase == P.LIVE else level
        asked = 1 if o.pump_permille and self.build.coolant_fitted else 0
        if asked != self.switches.coolant_asked:
            self.switches.coolant_asked = asked
            self.switches.again()
        if kind >= CHILLED:
            self._chill(o)
        if kind == HEAT_SHARING:
            o.heat_share = 1 if self._cold() and self.thermal.motor_dc > self.thermal.coldest_dc + 50 else 0
        o.heater = 1 if self._cold() and self.phases.phase == P.LIVE and not o.heat_share else 0

    def _chill(self, o):
        # The three-way valve leads coolant past the chiller: below ambient, where the radiator alone cannot get.
        dc = self.thermal.hottest_dc
        if dc >= self.build.chill_dc and o.hv_loads_enable:
            self.chilling = 1
        elif dc < self.build.chill_dc - _HYSTERESIS_DC or not o.hv_loads_enable:
            self.chilling = 0
        o.chiller = self.chilling
        o.chill_valve = self.chilling

    def _cold(self):
        dc = self.thermal.coldest_dc
        if dc < self.build.heat_dc:
            self.heating = 1
        elif dc > self.build.heat_dc + _HYSTERESIS_DC:
            self.heating = 0
        return self.heating and self.thermal.valid & self.thermal.pack_zones
