"""Temperatures: pack zones, inverter, motor and coolant between losses, cooling and the air around.

Lumped masses, all guesses that grow with rated power and pack energy; stepped a few times a second.
"""

import math

from loopwarden_sim.plant_parameters import PlantParameters

_PACK_J_PER_K_WH = 6.0  # cells of 170 Wh/kg and 1000 J/kg K
_CHILLED_DEGC = 5.0  # a chiller does not cool below this


class Heat:
    """Temperatures in degC: `pack` one per pack zone, `inverter`, `motor`, `coolant`, `ambient`."""

    def __init__(self, parameters: PlantParameters) -> None:
        self.kind = parameters.cooling_kind
        self.names = [name for name, where in parameters.zones if where == "pack"]
        count = max(len(self.names), 1)
        self.ambient = 20.0
        self.pack = [20.0] * count
        self.inverter = 20.0
        self.motor = 20.0
        self.coolant = 20.0
        size = parameters.rated_w / 100e3
        self._size = size
        self._zone_j_k = _PACK_J_PER_K_WH * parameters.energy_wh / count
        self._inverter_j_k = 15e3 * size
        self._motor_j_k = 60e3 * size
        self._coolant_j_k = 30e3 * size
        # Zones in the middle of a pack get a little warmer: 10 % more of the loss than the outer ones.
        shares = [1.0 + 0.1 * math.sin(math.pi * (i + 1) / (count + 1)) for i in range(count)]
        self._shares = [share / sum(shares) for share in shares]
        self.extra_pack_w = 0.0
        self.extra_inverter_w = 0.0
        self.extra_motor_w = 0.0
        self.runaway_k_s = [0.0] * count  # a failing cell warms its zone at this rate, whatever the cooling
        self.pump_works = True
        self.fan_works = True
        self.chiller_works = True

    @property
    def hottest(self) -> float:
        return max(self.pack)

    @property
    def coldest(self) -> float:
        return min(self.pack)

    @property
    def coolant_moves(self) -> bool:
        return self._flow > 0.2

    _flow = 0.0

    def drive(self, pump: float, fan: float, heater: int, chiller: int, valve: int, share: int) -> None:
        """Take the cooling commands: pump and fan 0..1, the rest 0 or 1."""
        liquid = self.kind in ("liquid", "chilled", "heat_sharing")
        self._flow = pump if liquid and self.pump_works else 0.0
        self._air = fan if self.kind != "passive" and self.fan_works else 0.0
        self._heater_w = 3000.0 * self._size if heater and self._flow else 0.0
        chilling = chiller and valve and self.chiller_works and self._flow and self.kind == "chilled"
        self._chiller_w = 4000.0 * self._size if chilling else 0.0
        self._shared = bool(share) and self.kind == "heat_sharing"

    _air = 0.0
    _heater_w = 0.0
    _chiller_w = 0.0
    _shared = False

    def step(self, dt_s: float, pack_w: float, inverter_w: float, motor_w: float) -> None:
        """Advance with the mean losses of the time since the last step."""
        size, flow, air, ambient, coolant = self._size, self._flow, self._air, self.ambient, self.coolant
        count = len(self.pack)
        to_air = (15.0 + (150.0 * air if self.kind == "air" else 0.0)) * size / count
        to_coolant = 300.0 * size * flow / count
        if self._shared:
            to_coolant *= 2.0  # the valve leads the motor's warm coolant through the pack
        coolant_w = self._heater_w - (self._chiller_w if coolant > _CHILLED_DEGC else 0.0)
        pack_w += self.extra_pack_w
        for i, degc in enumerate(self.pack):
            given_w = to_coolant * (degc - coolant)
            coolant_w += given_w
            heat_w = pack_w * self._shares[i] - given_w - to_air * (degc - ambient)
            self.pack[i] = degc + dt_s * (heat_w / self._zone_j_k + self.runaway_k_s[i])
        given_w = 300.0 * size * flow * (self.inverter - coolant)
        coolant_w += given_w
        lost_w = (15.0 + 100.0 * air) * size * (self.inverter - ambient)
        self.inverter += dt_s * (inverter_w + self.extra_inverter_w - given_w - lost_w) / self._inverter_j_k
        given_w = 200.0 * size * flow * (self.motor - coolant)
        coolant_w += given_w
        lost_w = (25.0 + 100.0 * air) * size * (self.motor - ambient)
        self.motor += dt_s * (motor_w + self.extra_motor_w - given_w - lost_w) / self._motor_j_k
        radiator = (30.0 + (0.0 if self._shared or self._chiller_w else 500.0 * air)) * size
        self.coolant = coolant + dt_s * (coolant_w - radiator * (coolant - ambient)) / self._coolant_j_k
