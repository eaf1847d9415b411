"""Longitudinal motion: a driver who follows a speed trace or holds a pedal, a motor that obeys the granted power.

Without granted power the vehicle coasts; what braking the motor may not do, the friction brakes do.
"""

import csv
from functools import cache
from importlib.resources import files

from loopwarden_sim.plant_parameters import PlantParameters

GRAVITY = 9.81
_AIR_KG_M3 = 1.2
_LOOK_AHEAD_S = 0.3  # how far ahead the driver steers the speed (guess)
_TRACE_TOP_M_S = 131.3 / 3.6  # highest speed of the published trace


@cache
def trace_m_s() -> tuple[float, ...]:
    """The published speed trace, one sample per second; its source stands in the file."""
    text = files("loopwarden_sim").joinpath("data/wltc_class3b.csv").read_text(encoding="utf-8")
    rows = csv.reader(line for line in text.splitlines() if not line.startswith("#"))
    next(rows)  # t_s,speed_kmh
    return tuple(float(speed_kmh) / 3.6 for _, speed_kmh in rows)


class Vehicle:
    """speed_m_s, distance_m and electric_w, the power the motor takes from the bus (negative: gives back).

    throttle, brake   0..1, pedals; they count while no trace is followed
    slope             rise over run; negative is downhill
    """

    efficiency = 0.9  # from bus to wheels and back (guess)

    def __init__(self, parameters: PlantParameters) -> None:
        # Guesses: a loaded utility vehicle of 30 W/kg, a frontal area that grows with its size.
        self.mass_kg = max(parameters.rated_w / 30.0, 150.0)
        self.roll_n = 0.01 * self.mass_kg * GRAVITY
        self.drag = 0.5 * _AIR_KG_M3 * 1.6 * (self.mass_kg / 3500.0) ** (2 / 3)
        self.force_max_n = 3.5 * self.mass_kg
        self.brake_max_n = 7.0 * self.mass_kg
        self.stall_w = 0.02 * parameters.rated_w  # lost in a motor that pushes with full force at no speed
        self.speed_m_s = 0.0
        self.distance_m = 0.0
        self.electric_w = 0.0
        self.motor_loss_w = 0.0
        self.throttle = 0.0
        self.brake = 0.0
        self.slope = 0.0
        self.following = False
        self.trace_s = 0.0
        self.trace_scale = min(1.0, 0.9 * parameters.max_speed_m_s / _TRACE_TOP_M_S)
        self._trace = trace_m_s()

    def step(self, dt_s: float, drive_w: float, regen_w: float) -> None:
        """Advance by one tick with `drive_w` and `regen_w` granted at the bus."""
        v = self.speed_m_s
        if self.following:
            self.trace_s += dt_s
            ahead = self.trace_s + _LOOK_AHEAD_S
            at = int(ahead)
            if at >= len(self._trace) - 1:
                self.following = False
                wanted_m_s = 0.0
                self.brake = 0.3
            else:
                low = self._trace[at]
                wanted_m_s = (low + (self._trace[at + 1] - low) * (ahead - at)) * self.trace_scale
            if v == 0.0 and wanted_m_s == 0.0:
                self.electric_w = self.motor_loss_w = 0.0
                return
            slope_n = self.mass_kg * GRAVITY * self.slope
            resist_n = (self.roll_n if v else 0.0) + self.drag * v * v + slope_n
            force_n = self.mass_kg * (wanted_m_s - v) / _LOOK_AHEAD_S + resist_n
        else:
            if v == 0.0 and self.throttle == 0.0 and self.slope >= 0.0:
                self.electric_w = self.motor_loss_w = 0.0
                return
            resist_n = (self.roll_n if v else 0.0) + self.drag * v * v + self.mass_kg * GRAVITY * self.slope
            force_n = self.throttle * self.force_max_n - self.brake * self.brake_max_n
        if force_n >= 0.0:
            force_n = self._push(force_n, v, drive_w)
        else:
            force_n = max(force_n, -self.brake_max_n)
            self._regenerate(-force_n, v, regen_w)
        speed = v + (force_n - resist_n) / self.mass_kg * dt_s
        self.speed_m_s = speed = speed if speed > 0.0 else 0.0
        self.distance_m += 0.5 * (v + speed) * dt_s

    def _push(self, force_n: float, v: float, drive_w: float) -> float:
        if drive_w <= 0.0:
            self.electric_w = self.motor_loss_w = 0.0
            return 0.0
        force_n = min(force_n, self.force_max_n)
        part = force_n / self.force_max_n
        power_w = force_n * v / self.efficiency + self.stall_w * part * part
        if power_w > drive_w:
            force_n *= drive_w / power_w
            power_w = drive_w
        self.electric_w = power_w
        self.motor_loss_w = power_w - force_n * v
        return force_n

    def _regenerate(self, force_n: float, v: float, regen_w: float) -> None:
        power_w = min(force_n * v * self.efficiency, regen_w) if v > 1.0 else 0.0  # little comes back at a crawl
        self.electric_w = -power_w
        self.motor_loss_w = power_w * (1 / self.efficiency - 1)
