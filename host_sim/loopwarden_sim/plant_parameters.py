"""What the plant is made of, in SI units: from the build file where it says so, and a stated guess where it does not.

A guess belongs to the demo world, is marked as one, and grows with the build's rated power or energy so that a
small cart behaves like a small cart.
"""

from dataclasses import dataclass

from loopwarden_build.model import BleedDischarge, BuildFile, InverterDischarge, ResistorDischarge

# Typical parts are quicker than the longest time their maker promises (guess).
_TYPICAL_TRAVEL = 0.7
_BOUNCE = 0.05


@dataclass
class PlantParameters:
    """Every number of the plant; units in the names (v, a, ohm, f, s, w, j, k, m, kg)."""

    # pack
    charge_table: list[tuple[float, float]]  # rest voltage in V, charge as a fraction
    capacity_ah: float
    pack_ohm: float
    nominal_v: float
    highest_v: float
    charge_end_v: float
    drive_a: float
    charge_a: float
    # bus, contactors, resistors
    bus_f: float
    bleed_ohm: float
    close_s: float
    release_s: float
    bounce_s: float
    precharge_ohm: float
    precharge_cool_s: float
    discharge_kind: str  # resistor, inverter, bleed
    discharge_ohm: float
    discharge_cool_s: float
    discharge_normally_closed: bool
    discharge_release_s: float
    heartbeat_hold_s: float
    supply_v: float
    coil_pull_in_v: float
    coil_drop_out_v: float
    coil_supply_in_hardware: bool  # emergency stop and hard loops break the coil supply by themselves
    # isolation
    isolation_side: str  # pack, bus
    isolation_settle_s: float
    healthy_ohm: float  # both poles and both sides in parallel
    # heat
    cooling_kind: str
    zones: list[tuple[str, str]]  # name, where
    # motion
    max_speed_m_s: float
    # Guesses from here on.
    absorption: float = 0.02  # part of the capacitance that creeps back; a few per cent within a minute is usual
    absorption_s: float = 20.0
    contact_ohm: float = 0.0003
    y_capacitors_f: float = 1e-6  # both poles to chassis together
    monitor_ohm: float = 200e3  # what the isolation monitor itself puts between pole and chassis

    @property
    def rated_w(self) -> float:
        """Most that the drive takes at nominal voltage."""
        return self.nominal_v * self.drive_a

    @property
    def energy_wh(self) -> float:
        return self.nominal_v * self.capacity_ah


def from_build(build: BuildFile) -> PlantParameters:
    """Read a checked build file."""
    pack, contactor, discharge, isolation = build.pack, build.contactor, build.discharge, build.isolation
    discharge_ohm, discharge_cool_s = 1e12, 1.0
    normally_closed, release_s = False, _TYPICAL_TRAVEL * contactor.release_time
    if isinstance(discharge, ResistorDischarge | InverterDischarge):
        discharge_ohm, discharge_cool_s = discharge.resistance, discharge.cooling_time
    if isinstance(discharge, ResistorDischarge) and discharge.normally_closed:
        normally_closed, release_s = True, discharge.release_delay or release_s
    assert isinstance(discharge, ResistorDischarge | InverterDischarge | BleedDischarge)
    return PlantParameters(
        charge_table=sorted(pack.charge_table),
        capacity_ah=pack.capacity,
        pack_ohm=pack.resistance,
        nominal_v=pack.nominal,
        highest_v=pack.highest,
        charge_end_v=pack.charge_end,
        drive_a=pack.drive_current,
        charge_a=pack.charge_current,
        bus_f=build.bus.capacitance,
        bleed_ohm=build.bus.bleed,
        close_s=_TYPICAL_TRAVEL * contactor.close_time,
        release_s=_TYPICAL_TRAVEL * contactor.release_time,
        bounce_s=_BOUNCE * contactor.close_time,
        precharge_ohm=build.precharge.resistance,
        precharge_cool_s=build.precharge.cooling_time,
        discharge_kind=discharge.kind,
        discharge_ohm=discharge_ohm,
        discharge_cool_s=discharge_cool_s,
        discharge_normally_closed=normally_closed,
        discharge_release_s=release_s,
        heartbeat_hold_s=build.build.heartbeat_hold,
        supply_v=build.supply.nominal,
        # A contactor coil usually pulls in at 60 to 70 % of its nominal voltage and holds to far below (guess).
        coil_pull_in_v=min(0.6 * build.supply.nominal, 0.95 * build.supply.failing),
        coil_drop_out_v=0.6 * build.supply.failing,
        coil_supply_in_hardware=True,
        isolation_side=isolation.side,
        isolation_settle_s=isolation.settle,
        # About 10 000 ohm/V is what a healthy build reads (common practice).
        healthy_ohm=10e3 * pack.highest,
        cooling_kind=build.cooling.kind,
        zones=[(zone.name, zone.where) for zone in build.zone],
        max_speed_m_s=build.motion.max_speed if build.motion else 7.0,  # guess: 25 km/h where no speed is fitted
    )
