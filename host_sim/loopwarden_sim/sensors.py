"""Sensors: the truth of the plant and what people press, to what the board's converters, counters and latches hold.

Counts, duty, edges and frames only; whether they can be believed is for `loopwarden.convert` to find out.
"""

from typing import cast

from loopwarden.convert.raw import ALL, SUPPLY, ZONE, Raw
from loopwarden.signals import (
    ACK,
    AUX_NEGATIVE,
    AUX_POSITIVE,
    CHARGED,
    COIL_FAULT,
    COOLANT,
    KEY,
    LAMP_FAULT,
    PLUG,
    SERVICE,
    START,
    STOP,
)
from loopwarden_build import can_signals
from loopwarden_build.model import BuildFile, CanMonitor, PulseMotion
from loopwarden_build.sensor_curves import zone_counts
from loopwarden_sim.plant import Plant
from loopwarden_sim.sensor_channel import COUNTS_MAX, NOISE_POINTS, Channel, Noise
from loopwarden_sim.sensor_frames import IsolationFrames, SpeedFrames
from loopwarden_sim.sensor_isolation import IsolationOutput
from loopwarden_sim.sensor_loops import Loops
from loopwarden_sim.sensor_speed import SpeedPulses

_FOUR = 4  # conversions that are summed for one temperature
_TOP = COUNTS_MAX * _FOUR
BUTTONS = {"key": KEY, "start": START, "ack": ACK, "plug": PLUG, "service": SERVICE}
# What a two-state wire can do, and the level that the board then sees.
WIRES = {
    "stop_wire_open": (STOP, 0),
    "aux_positive_wire_open": (AUX_POSITIVE, 0),
    "aux_positive_wire_shorted": (AUX_POSITIVE, 1),
    "aux_negative_wire_open": (AUX_NEGATIVE, 0),
    "aux_negative_wire_shorted": (AUX_NEGATIVE, 1),
    "coolant_wire_open": (COOLANT, 0),
    "coil_driver_fault": (COIL_FAULT, 0),  # the driver chips pull their healthy line down
    "lamp_driver_fault": (LAMP_FAULT, 0),
    "key_wire_open": (KEY, 0),
    "start_button_stuck": (START, 1),
}


class Sensors:
    """Writes `raw` once a tick.

    pressed          signals bits of the buttons and contacts that are on
    stop, crash      the demands themselves; stop_pulse_s and crash_pulse_s: one pulse of that length, from now
    estop, crashed   whether the input, as its filter defines it, demanded something in the tick that ended
    voltages_swapped, contacts_swapped   two plugs were put in each other's place: pack and bus, or both feedbacks
    wired            which sensor lies on each temperature channel
    """

    def __init__(self, build: BuildFile, plant: Plant, raw: Raw, seed: int) -> None:
        self.raw = raw
        self._plant = plant
        noise = Noise(seed)
        self._noise = noise.table
        self._at = 0
        pack, bus, supply = build.voltage_sense.pack, build.voltage_sense.bus, build.supply
        self.pack = Channel(
            noise, 7, zero=pack.zero_counts, gain=_gain(pack.zero_counts, pack.full_counts, pack.full_scale)
        )
        self.bus = Channel(
            noise, 11, zero=bus.zero_counts, gain=_gain(bus.zero_counts, bus.full_counts, bus.full_scale)
        )
        self.supply = Channel(noise, 13, zero=0, gain=_gain(0, supply.full_counts, supply.full_scale))
        self.channels = {"pack_voltage": self.pack, "bus_voltage": self.bus, "supply_sense": self.supply}
        self.current: Channel | None = None
        if build.current_sense:
            sense = build.current_sense
            gain = _gain(sense.zero_counts, sense.full_counts, sense.full_scale)
            self.current = Channel(noise, 17, zero=sense.zero_counts, gain=gain)
            self.channels["current"] = self.current
        self.reference: Channel | None = None
        self._reference_v = 0.0
        if build.reference_sense:
            self._reference_v = build.reference_sense.volts
            gain = COUNTS_MAX / build.reference_sense.full_scale
            self.reference = Channel(noise, 19, zero=0, gain=gain)
            self.channels["reference"] = self.reference
        # The mean of four conversions is quieter by two; summed it is twice one conversion's noise.
        self.zones = [
            Channel(
                noise,
                23 + i,
                zero=0.0,
                gain=_FOUR,
                noise_counts=1.4,
                open_counts=_TOP,
                short_counts=0,
                top=_TOP,
            )
            for i in range(len(build.zone))
        ]
        self._curves = build.zone
        self.zone_names = [zone.name for zone in build.zone]
        self._places = _places(build)
        self.wired = list(range(len(build.zone)))
        self.voltages_swapped = self.contacts_swapped = False
        self._zone_counts: list[int | None] = []
        self._normally_closed = build.contactor.feedback == "normally_closed"
        self._feedback = build.contactor.feedback != "none"
        self.loops = Loops(build)
        self.isolation = _isolation(build)
        self._worse_pole = build.isolation.measures == "the worse pole"
        self.speed = _speed(build)
        self._filter_s = build.inputs.stop_pulse
        self._crash_s = build.inputs.crash if build.inputs.crash else 0.0
        self._coolant = build.inputs.coolant_feedback == "fitted"
        self._charged = build.inputs.charger_done == "fitted"
        self.pressed = 0
        self.stop = False
        self.crash = False
        self.coil_supply_off = False  # by the service switch
        self.stop_pulse_s = 0.0
        self.crash_pulse_s = 0.0
        self._crash_length_s = 0.0
        self._crash_left_s = 0.0
        self.wires: dict[str, tuple[int, int]] = {}
        self.estop = False
        self.crashed = False
        self.connect(raw)

    def connect(self, raw: Raw) -> None:
        """Write into `raw` from now on; temperatures are all sampled once, as a board does when it starts."""
        self.raw = raw
        self._zone_counts = cast("list[int | None]", raw.zone_counts16)
        for index in range(len(self.zones)):
            self._temperature(index)

    def sample(self, dt_s: float) -> None:
        """Sample the plant at the end of a tick of `dt_s`."""
        raw, plant = self.raw, self._plant
        circuit = plant.circuit
        raw.pack_counts = self.pack.counts(circuit.pack_v)
        raw.bus_counts = self.bus.counts(circuit.bus_v)
        if self.voltages_swapped:
            raw.pack_counts, raw.bus_counts = raw.bus_counts, raw.pack_counts
        if self.current:
            raw.current_counts = self.current.counts(circuit.pack_a)
        if raw.turn == SUPPLY or raw.turn == ALL:
            raw.supply_counts = self.supply.counts(plant.supply_v)
            if self.reference:
                raw.reference_counts = self.reference.counts(self._reference_v)
        if raw.turn & ZONE or raw.turn == ALL:
            self._temperature(raw.zone)
        self._at = at = (self._at + 29) % NOISE_POINTS
        jitter = self._noise[at]
        self._levels(raw, dt_s)
        self.loops.sample(raw, dt_s, jitter)
        leakage = plant.leakage
        ohm = 1.0 / leakage.reading_s
        self.isolation.sample(raw, ohm * leakage.worse_factor if self._worse_pole else ohm, dt_s, jitter)
        if self.speed:
            self.speed.sample(raw, plant.vehicle.speed_m_s, dt_s, jitter)

    def _levels(self, raw: Raw, dt_s: float) -> None:
        circuit = self._plant.circuit
        levels = self.pressed | COIL_FAULT | LAMP_FAULT | STOP
        latched = 0
        if self._feedback:
            positive, negative = circuit.positive.closed, circuit.negative.closed
            if self._normally_closed:
                positive, negative = 1 - positive, 1 - negative
            if self.contacts_swapped:
                positive, negative = negative, positive
            levels |= AUX_POSITIVE * positive | AUX_NEGATIVE * negative
        if self._coolant and self._plant.heat.coolant_moves:
            levels |= COOLANT
        if self._charged and self._plant.charger_done:
            levels |= CHARGED
        self.estop = False
        if self.stop or self.stop_pulse_s:
            latched = self._stop(dt_s)
            if self.stop or self.stop_pulse_s:
                levels &= ~STOP
        if self.wires:
            for bit, level in self.wires.values():
                levels = levels | bit if level else levels & ~bit
            if not levels & STOP:
                latched = STOP
                self.estop = True
        raw.levels = levels
        raw.latched = latched
        raw.crash_us = 0
        self.crashed = False
        if self.crash or self.crash_pulse_s or self._crash_left_s:
            self._crash(raw, dt_s)
        else:
            self._crash_length_s = 0.0

    def coils_broken(self) -> bool:
        """Whether stop button, a hard loop or the service switch interrupts the coil supply by its own contacts."""
        return self.stop or self.stop_pulse_s > 0.0 or self.loops.coil_broken or self.coil_supply_off

    @property
    def crash_stays(self) -> bool:
        """Whether the crash signal is still on at the end of the tick."""
        return self.crash or self._crash_left_s > 0.0

    def _stop(self, dt_s: float) -> int:
        """Latch a demand that is longer than the hardware filter; a pulse ends by itself."""
        seen = self.stop or self.stop_pulse_s >= self._filter_s
        self.estop = seen
        self.stop_pulse_s = max(self.stop_pulse_s - dt_s, 0.0)
        if 0 < self.stop_pulse_s < self._filter_s:
            self.stop_pulse_s = self._filter_s  # the rest of a pulse that already passed the filter
        return STOP if seen else 0

    def _crash(self, raw: Raw, dt_s: float) -> None:
        """Length so far of the pulse; a crash signal that stays is one long pulse."""
        if self.crash_pulse_s:
            self._crash_left_s = self.crash_pulse_s
            self._crash_length_s = self.crash_pulse_s = 0.0
        on_s = dt_s if self.crash else min(self._crash_left_s, dt_s)
        self._crash_left_s = max(self._crash_left_s - dt_s, 0.0)
        self._crash_length_s = min(self._crash_length_s + on_s, 9.0)
        raw.crash_us = round(self._crash_length_s * 1e6)
        self.crashed = bool(self._crash_s) and self._crash_length_s >= self._crash_s
        if not self.crash and self._crash_left_s == 0.0:
            self._crash_length_s = 0.0

    def _temperature(self, index: int) -> None:
        sensor = self.wired[index]
        place, number = self._places[sensor]
        heat = self._plant.heat
        degc = heat.pack[number] if place == "pack" else heat.inverter if place == "inverter" else heat.motor
        channel = self.zones[index]
        if channel.fault == "offset":  # offset and noise are meant in degrees, which a divider's counts are not
            degc += channel.amount
            counts: int | None = round(_FOUR * zone_counts(self._curves[sensor], degc))
        elif channel.fault == "noisy":
            self._at = (self._at + 31) % NOISE_POINTS
            degc += channel.amount * self._noise[self._at]
            counts = round(_FOUR * zone_counts(self._curves[sensor], degc))
        else:
            counts = channel.counts(zone_counts(self._curves[sensor], degc))
        self._zone_counts[index] = None if counts is None else counts * 16 // _FOUR


def _isolation(build: BuildFile) -> IsolationOutput | IsolationFrames:
    reading = can_signals.isolation_reading(build)
    if reading is not None and isinstance(build.isolation, CanMonitor):
        return IsolationFrames(reading, build.isolation.period)
    return IsolationOutput(build)


def _speed(build: BuildFile) -> SpeedPulses | SpeedFrames | None:
    if isinstance(build.motion, PulseMotion):
        return SpeedPulses(build.motion.per_pulse)
    reading = can_signals.speed_reading(build)
    return SpeedFrames(reading, build.motion.period) if reading is not None and build.motion is not None else None


def _gain(zero: int, full: int, scale: float) -> float:
    return (full - zero) / scale


def _places(build: BuildFile) -> list[tuple[str, int]]:
    """Per zone: whose temperature it is, and which of the pack's."""
    places: list[tuple[str, int]] = []
    pack = 0
    for zone in build.zone:
        places.append((zone.where, pack))
        pack += zone.where == "pack"
    return places
