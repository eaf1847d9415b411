"""The plant: commands in, one tick of physics, the truth in attributes. It knows nothing of counts or of decisions."""

import math
from typing import Protocol

from loopwarden_sim.plant_circuit import Circuit
from loopwarden_sim.plant_heat import Heat
from loopwarden_sim.plant_leakage import Leakage
from loopwarden_sim.plant_parameters import PlantParameters
from loopwarden_sim.plant_vehicle import Vehicle

_SLOW_TICKS = 10  # temperatures, leakage and rest voltage are stepped this rarely
# An inverter is set up a little below what the pack may give, so that other loads have room (guess: 3 %).
_PER_LIMIT = 0.95e-3  # of the rated current per permille: the inverter leaves room for the loads beside it (guess)
_INVERTER_SHARE = 0.3  # of the drive's losses (guess); the rest warms the motor


class Commands(Protocol):
    """The outputs of the policy that move something."""

    positive: int
    negative: int
    precharge: int
    discharge: int
    inverter_enable: int
    charger_enable: int
    hv_loads_enable: int
    hold: int
    drive_limit_permille: int
    charge_limit_permille: int
    pump_permille: int
    fan_permille: int
    heater: int
    chiller: int
    chill_valve: int
    heat_share: int
    heartbeat: int


class Plant:
    """One vehicle or bench. Its parts are public: circuit, vehicle, heat, leakage.

    supply_v          low-voltage supply; `coil_broken` says that stop button or a hard loop interrupts the coils
    plugged           the charger is connected; `charger_max_a` and `charger_end_v` are its own settings
    loads_w           what the other high-voltage loads take once enabled
    emf_v_per_m_s     a turning motor without power feeds the bus from this voltage per speed; 0 never
    """

    def __init__(self, parameters: PlantParameters) -> None:
        self.parameters = parameters
        self.circuit = Circuit(parameters)
        self.vehicle = Vehicle(parameters)
        self.heat = Heat(parameters)
        self.leakage = Leakage(parameters)
        self.supply_v = parameters.supply_v
        self.coil_broken = False
        self.plugged = False
        self.charger_max_a = parameters.charge_a
        # The charger goes a little higher than the supervisor lets it (guess).
        self.charger_end_v = 1.004 * parameters.charge_end_v
        self.charger_done = False
        self.loads_w = 0.003 * parameters.rated_w
        self.emf_v_per_m_s = 0.0
        self.precharge_heat_j = 0.0
        self.discharge_heat_j = 0.0
        self.coil_power = False  # coils are supplied: voltage, hardware chain and heartbeat are all there
        self._beat = -1
        self._beat_age_s = math.inf
        self._word = 0
        self._slow_s = 0.0
        self._ticks = 0
        self._joined = 0
        self._pack_j = 0.0
        self._loss_j = 0.0
        self._heated = (0.0, 0.0)
        self.refresh()

    def step(self, outputs: Commands, dt_s: float) -> None:
        """Advance by one tick under these commands."""
        circuit = self.circuit
        self._coils(outputs, dt_s)
        vehicle = self.vehicle
        live_v = circuit.bus_v
        drive_w = regen_w = 0.0
        if outputs.inverter_enable and live_v > 1.0:
            parameters = self.parameters
            drive_w = outputs.drive_limit_permille * _PER_LIMIT * parameters.drive_a * live_v
            regen_w = outputs.charge_limit_permille * _PER_LIMIT * parameters.charge_a * live_v
        vehicle.step(dt_s, drive_w, regen_w)
        circuit.motor_w = vehicle.electric_w
        self._loss_j += vehicle.motor_loss_w * dt_s
        circuit.loads_w = self.loads_w if outputs.hv_loads_enable else 0.0
        if self.plugged:
            self._charge(outputs)
        else:
            circuit.charger_a = 0.0
        if self.emf_v_per_m_s:
            # Only an unpowered motor feeds back by itself; a powered one obeys its limits.
            circuit.emf_v = 0.0 if outputs.inverter_enable else self.emf_v_per_m_s * vehicle.speed_m_s
            circuit.settled = circuit.settled and not circuit.emf_v
        circuit.step(dt_s)
        self._ticks += 1
        self._slow_s += dt_s
        if self._ticks % _SLOW_TICKS == 0 or self._poles() != self._joined:
            heat = self.heat
            heat.drive(
                outputs.pump_permille * 0.001,
                outputs.fan_permille * 0.001,
                outputs.heater,
                outputs.chiller,
                outputs.chill_valve,
                outputs.heat_share,
            )
            self._slow()

    def refresh(self) -> None:
        """Take up a fault or a quantity that was set from outside."""
        self.circuit.rest()
        if not (self.circuit.negative.closed and (self.circuit.positive.closed or self.circuit.precharge.closed)):
            self.circuit.pack_v = self.circuit.ocv_v
        self._connect()
        self.circuit.disturb()

    def _coils(self, outputs: Commands, dt_s: float) -> None:
        parameters = self.parameters
        if outputs.heartbeat != self._beat:
            self._beat = outputs.heartbeat
            self._beat_age_s = 0.0
        else:
            self._beat_age_s += dt_s
        # Between drop-out and pull-in voltage a coil that holds goes on holding.
        enough_v = parameters.coil_drop_out_v if self.coil_power else parameters.coil_pull_in_v
        power = (
            self.supply_v >= enough_v
            and self._beat_age_s <= parameters.heartbeat_hold_s
            and not (self.coil_broken and parameters.coil_supply_in_hardware)
        )
        word = outputs.positive | outputs.negative << 1 | outputs.precharge << 2 | outputs.discharge << 3
        if power == self.coil_power and word == self._word:
            return
        self.coil_power = power
        self._word = word
        circuit = self.circuit
        circuit.positive.command(outputs.positive if power else 0)
        circuit.negative.command(outputs.negative if power else 0)
        circuit.precharge.command(outputs.precharge if power else 0)
        # The discharge has a supply of its own: it must work with the stop button pressed.
        alive = self.supply_v >= enough_v and self._beat_age_s <= parameters.heartbeat_hold_s
        wanted = outputs.discharge if alive else 0
        if parameters.discharge_normally_closed:
            circuit.discharge.command(1 - wanted if alive else 0)
        elif parameters.discharge_kind != "bleed":
            circuit.discharge.command(wanted)
        circuit.disturb()

    def _charge(self, outputs: Commands) -> None:
        """A current source that gives way at its end voltage, as constant-current, constant-voltage chargers do."""
        circuit = self.circuit
        if not (outputs.charger_enable and circuit.settled):
            circuit.charger_a = 0.0
            self.charger_done = False
            return
        granted_a = self.charger_max_a * outputs.charge_limit_permille * 0.001
        room_a = max((self.charger_end_v - circuit.ocv_v) / self.parameters.pack_ohm, 0.0)
        circuit.charger_a = min(granted_a, room_a)
        self.charger_done = room_a < 0.05 * self.charger_max_a

    def _slow(self) -> None:
        circuit, heat = self.circuit, self.heat
        dt_s = self._slow_s
        self._slow_s = 0.0
        pack_w = (circuit.pack_j - self._pack_j) / dt_s
        loss_w = self._loss_j / dt_s
        self._pack_j = circuit.pack_j
        self._loss_j = 0.0
        heat.step(dt_s, pack_w, _INVERTER_SHARE * loss_w, (1 - _INVERTER_SHARE) * loss_w)
        self._resistors(dt_s)
        circuit.rest()
        self._connect()
        self.leakage.advance(dt_s)
        if circuit.settled:
            circuit.absorb_slowly(dt_s)
        else:
            circuit.disturb()

    def _resistors(self, dt_s: float) -> None:
        """Heat that lies in the two resistors now; what came in this time cools by half of it."""
        circuit, parameters = self.circuit, self.parameters
        made = (circuit.precharge_j - self._heated[0], circuit.discharge_j - self._heated[1])
        self._heated = (circuit.precharge_j, circuit.discharge_j)
        fade = math.exp(-0.5 * dt_s / parameters.precharge_cool_s)
        self.precharge_heat_j = (self.precharge_heat_j * fade + made[0]) * fade
        fade = math.exp(-0.5 * dt_s / parameters.discharge_cool_s)
        self.discharge_heat_j = (self.discharge_heat_j * fade + made[1]) * fade

    def _poles(self) -> int:
        """Bit 0: negative pole closed; bit 1: positive pole closed, through the precharge resistor or without."""
        circuit = self.circuit
        return circuit.negative.closed | (circuit.positive.closed | circuit.precharge.closed) << 1

    def _connect(self) -> None:
        circuit, leakage = self.circuit, self.leakage
        self._joined = self._poles()
        leakage.degc = max(self.heat.ambient, self.heat.coolant)
        leakage.update(self._joined & 1, self._joined >> 1, circuit.pack_v)
        circuit.leak_v, circuit.leak_ohm = leakage.path_v, leakage.path_ohm
