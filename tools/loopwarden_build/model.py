"""The build file's tables and keys: what each holds, in which range, and why.

Decides what one key may say on its own; how keys must fit together is in cross_checks.py. Every quantity is a float in
the base unit of units.py (V, A, ohm, F, J, s, degC, fraction); None stands for a written "none".
"""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag

from loopwarden_build.dbc import Dbc, DbcName
from loopwarden_build.quantity import OrNone, Quantity

Fitted = Literal["fitted", "none"]
Counts = Annotated[int, Field(ge=0, le=4095)]  # the board's converter has 12 bits
ASCII = r"^[ -~]+$"  # what every serial terminal shows
PLACE = r"^(GP([0-9]|1[0-9]|2[0-9])|(converter|shift-in|shift-out) ([0-9]|1[0-5])|none)$"
Text = Annotated[str, Field(min_length=1, max_length=60, pattern=ASCII)]

_RestVolts = Annotated[float, Quantity("V", 5, 1000, "rest voltage of the pack")]
_Charge = Annotated[float, Quantity("fraction", 0, 1, "charge at that rest voltage")]
_Duty = Annotated[float, Quantity("fraction", 0, 1, "duty cycle")]
_Frequency = Annotated[float, Quantity("Hz", 0.5, 1000, "frequency; the lowest that is measured within a few seconds")]
_LeakOhm = Annotated[float, Quantity("ohm", 0, 50e6, "isolation resistance; above 50 Mohm the board's integers end")]
DutyBand = Annotated[tuple[_Duty, _Duty], Field(strict=False)]
FrequencyBand = Annotated[tuple[_Frequency, _Frequency], Field(strict=False)]

_VOLTAGE = "above 1000 V the board's integers end"
_CURRENT = "above 1000 A the board's integers end"
_CAPACITANCE = "above 10 mF the board's integers end"
_PRECHARGE_OHM = "below 1 ohm the board's integers end"
_DISCHARGE_OHM = "below 10 ohm the board's integers end"


class Table(BaseModel):
    """A table of the build file: a key that is not known is an error, and nothing is converted silently."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Build(Table):
    """Name, pace and supply of the board itself."""

    name: Text = Field(description="what this build is called on every page")
    schema_: Literal[1] = Field(alias="schema", description="version of this file's layout; this program reads 1")
    chip: Literal["rp2040", "rp2350"] = Field(description="the chip on the board")
    tick: Annotated[float, Quantity("s", 0.005, 0.050, "period of the supervising loop")]
    heartbeat_hold: Annotated[
        float,
        Quantity("s", 0.010, 0.100, "how long the coil drive holds without a heartbeat; promise S11 ends at 100 ms"),
    ]
    hold_relay: bool = Field(description="a relay keeps the board supplied after key off, until the bus is proven dead")
    supply_through_key: bool | None = Field(
        default=None, description="without a hold relay: whether turning the key off takes the board's supply away"
    )


class Pack(Table):
    """The battery pack, as seen at its two poles."""

    nominal: Annotated[float, Quantity("V", 12, 1000, f"nominal voltage; {_VOLTAGE}")]
    lowest: Annotated[float, Quantity("V", 10, 1000, f"lowest voltage in use; {_VOLTAGE}")]
    highest: Annotated[float, Quantity("V", 12, 1000, f"highest working voltage; {_VOLTAGE}")]
    over: Annotated[float, Quantity("V", 12, 1100, f"above it the contactors open; {_VOLTAGE}")]
    low: Annotated[float, Quantity("V", 10, 1000, f"below it the drive limit is ramped down; {_VOLTAGE}")]
    under: Annotated[float, Quantity("V", 5, 1000, f"below it the drive is wound down; {_VOLTAGE}")]
    charge_end: Annotated[float, Quantity("V", 12, 1000, f"a charge ends here; {_VOLTAGE}")]
    capacity: Annotated[float, Quantity("Ah", 0.1, 10_000, "capacity from full to empty")]
    resistance: Annotated[float, Quantity("ohm", 0.0001, 100, "inner resistance, joints and cables included")]
    drive_current: Annotated[float, Quantity("A", 1, 1000, f"most that may be drawn; {_CURRENT}")]
    charge_current: Annotated[float, Quantity("A", 0.1, 1000, f"most that may flow back; {_CURRENT}")]
    over_current_time: Annotated[
        float, Quantity("s", 0, 60, "how long more current than that is taken for a passing peak")
    ]
    charge_table: list[Annotated[tuple[_RestVolts, _Charge], Field(strict=False)]] = Field(
        min_length=2,
        max_length=40,
        description="rest voltage of the pack to charge, from empty to full; the lay-up advice reads it",
    )


class Bus(Table):
    """What lies behind the contactors."""

    capacitance: Annotated[
        float, Quantity("F", 1e-6, 0.01, f"all capacitors behind the contactors together; {_CAPACITANCE}")
    ]
    capacitance_tolerance: Annotated[float, Quantity("fraction", 0, 0.3, "how far the capacitance may be off")]
    bleed: Annotated[
        float, Quantity("ohm", 100, 1e6, "resistance that always drains the bus: the slowest way it goes dead")
    ]


class VoltageChannel(Table):
    """A voltage divider on the board's converter: counts rise straight from zero volts to full scale."""

    proof: Literal["live_zero", "none"] = Field(
        description="how the channel proves that it measures: live_zero is an offset that a broken wire cannot give; "
        "test_pulse and second_channel are not supported by this version"
    )
    full_scale: Annotated[float, Quantity("V", 5, 1500, "voltage at full_counts")]
    zero_counts: Counts = Field(description="converter counts at 0 V")
    full_counts: Counts = Field(description="converter counts at full_scale")
    error: Annotated[float, Quantity("V", 0.01, 50, "most that the reading is off, converter and divider together")]


class VoltageSense(Table):
    """The two voltage channels that every build needs."""

    pack: VoltageChannel
    bus: VoltageChannel


class CurrentSense(Table):
    """A pack current sensor with its zero in the middle of the converter; positive drives, negative charges."""

    zero_counts: Counts = Field(description="converter counts at 0 A")
    full_counts: Counts = Field(description="converter counts at full_scale")
    full_scale: Annotated[float, Quantity("A", 1, 1200, "current at full_counts")]
    error: Annotated[float, Quantity("A", 0.001, 100, "most that the reading is off")]
    threshold: Annotated[float, Quantity("A", 0.01, 100, "less than this counts as no current")]


class Supply(Table):
    """The board's own low-voltage supply."""

    nominal: Annotated[float, Quantity("V", 4, 60, "usual voltage of the supply")]
    failing: Annotated[float, Quantity("V", 3, 60, "below it the coils are about to let go: fast wind-down")]
    low: Annotated[float, Quantity("V", 3, 60, "below it the drive limit is halved")]
    high: Annotated[float, Quantity("V", 4, 80, "above it no start")]
    full_scale: Annotated[float, Quantity("V", 5, 100, "supply voltage at full_counts; 0 counts are 0 V")]
    full_counts: Counts = Field(description="converter counts at full_scale")


class ReferenceSense(Table):
    """A known voltage on one converter channel, which tells when the converter itself is off."""

    volts: Annotated[float, Quantity("V", 0.1, 5, "the known voltage")]
    full_scale: Annotated[float, Quantity("V", 1, 5.5, "converter input at 4095 counts")]
    tolerance: Annotated[float, Quantity("fraction", 0.001, 0.2, "how far the reading may be off")]


class Contactor(Table):
    """The two main contactors, alike."""

    rated_voltage: Annotated[float, Quantity("V", 12, 2000, "voltage they can break")]
    rated_current: Annotated[float, Quantity("A", 1, 2000, "current they carry all day")]
    break_current: Annotated[float, Quantity("A", 0.1, 1000, "opening above it counts as opened under load")]
    close_time: Annotated[float, Quantity("s", 0.001, 0.5, "longest time from command to closed, bounce included")]
    release_time: Annotated[float, Quantity("s", 0.001, 0.5, "longest time from command to open, coil diode included")]
    feedback: Literal["none", "normally_open", "normally_closed"] = Field(
        description="auxiliary contact; only one that is closed while the main is open (normally_closed) proves it open"
    )
    inspect_after: int = Field(ge=1, le=1000, description="openings under load after which an inspection is asked for")


class Precharge(Table):
    """The resistor and contactor across the positive main that fill the bus gently."""

    resistance: Annotated[float, Quantity("ohm", 1, 100e3, f"precharge resistor; {_PRECHARGE_OHM}")]
    tolerance: Annotated[float, Quantity("fraction", 0, 0.3, "how far the resistance may be off")]
    fraction: Annotated[
        float, Quantity("fraction", 0.90, 0.99, "part of pack voltage at which the positive main may close")
    ]
    pulse_energy: Annotated[float, Quantity("J", 0.001, 100e3, "energy it takes in one pulse from cold, data sheet")]
    cooling_time: Annotated[float, Quantity("s", 1, 3600, "thermal time constant: heat falls to 37 % in this time")]
    continuous: Annotated[float, Quantity("W", 0.1, 10e3, "power it stands for ever, as mounted")]
    rated_voltage: Annotated[float, Quantity("V", 12, 5000, "voltage across it that it stands")]


class ResistorDischarge(Table):
    """A discharge resistor switched by its own contactor."""

    kind: Literal["resistor"]
    resistance: Annotated[float, Quantity("ohm", 10, 1e6, f"discharge resistor; {_DISCHARGE_OHM}")]
    tolerance: Annotated[float, Quantity("fraction", 0, 0.3, "how far the resistance may be off")]
    pulse_energy: Annotated[float, Quantity("J", 0.001, 100e3, "energy it takes in one pulse from cold, data sheet")]
    cooling_time: Annotated[float, Quantity("s", 1, 3600, "thermal time constant: heat falls to 37 % in this time")]
    rated_voltage: Annotated[float, Quantity("V", 12, 5000, "voltage across it and its contactor that they stand")]
    window: Annotated[float, Quantity("s", 0.05, 60, "the bus must be below the dead level by then")]
    normally_closed: bool = Field(description="the contact closes by itself when the board is off")
    release_delay: Annotated[
        float | None, Quantity("s", 0.01, 10, "hardware delay before it closes by itself", none=True)
    ]


class InverterDischarge(Table):
    """Discharge by the inverter itself, asked for over a line, and only at standstill."""

    kind: Literal["inverter"]
    resistance: Annotated[
        float, Quantity("ohm", 10, 1e6, f"the resistance that it acts like, from its data sheet; {_DISCHARGE_OHM}")
    ]
    tolerance: Annotated[float, Quantity("fraction", 0, 0.3, "how far that resistance may be off")]
    pulse_energy: Annotated[float, Quantity("J", 0.001, 100e3, "energy it takes in one discharge, data sheet")]
    cooling_time: Annotated[float, Quantity("s", 1, 3600, "time constant after which it can take the next one")]
    window: Annotated[float, Quantity("s", 0.05, 60, "the bus must be below the dead level by then")]


class BleedDischarge(Table):
    """No active discharge: the bus goes dead through its bleed alone."""

    kind: Literal["bleed"]
    window: Annotated[
        float, Quantity("s", 1, 3600, "how long the bus may stay above the dead level; the card prints it")
    ]


class LevelLoop(Table):
    """An interlock loop read as one level: high while it is closed."""

    name: Text = Field(description="where the loop runs, in the words of whoever looks for it")
    kind: Literal["hard", "watched", "permit_drive", "permit_charge"] = Field(
        description="hard carries the coil supply itself; watched is read only; permits are a cell monitor's contacts"
    )
    sense: Literal["level"]


class ToggledLoop(Table):
    """An interlock loop that the board drives with a changing level and reads back."""

    name: Text = Field(description="where the loop runs, in the words of whoever looks for it")
    kind: Literal["hard", "watched", "permit_drive", "permit_charge"] = Field(
        description="a hard loop carries the coil supply, so it must be read as a level"
    )
    sense: Literal["toggled"]


class ResistorLoop(Table):
    """An interlock loop closed by a resistor at its far end, read in converter counts."""

    name: Text = Field(description="where the loop runs, in the words of whoever looks for it")
    kind: Literal["hard", "watched", "permit_drive", "permit_charge"] = Field(
        description="a hard loop carries the coil supply, so it must be read as a level"
    )
    sense: Literal["resistor"]
    ground_below: Counts = Field(description="fewer counts: the loop is shorted to ground")
    closed_counts: Annotated[tuple[Counts, Counts], Field(strict=False)] = Field(
        description="lowest and highest counts of a closed loop"
    )
    supply_above: Counts = Field(description="more counts: the loop is shorted to supply; between is open")


class Monitor(Table):
    """What every isolation monitor has in common."""

    measures: Literal["both poles in parallel", "the worse pole"] = Field(
        description="what its reading means; the same leak can pass as one and fail as the other"
    )
    side: Literal["pack", "bus"] = Field(description="which side of the main contactors it measures")
    settle: Annotated[float, Quantity("s", 0, 60, "time from closing until the reading counts")]
    fault: Annotated[float, Quantity("ohm/V", 100, 40e3, "below it no start; a line monitor's own response value")]
    ac_protected: bool = Field(
        description="the AC side has two layers of solid insulation or is mechanically robust: 100 ohm/V are legal"
    )
    active_while_plugged: bool | None = Field(
        default=None, description="with a charge plug: whether this monitor stays on while plugged in"
    )


class LineMonitor(Monitor):
    """A monitor with a good/bad line, wired so that a broken wire reads bad."""

    output: Literal["line"]
    warn: Literal["none"] = Field(description='a good/bad line cannot warn, so "none"')


class DutyMonitor(Monitor):
    """A monitor whose duty cycle says the resistance."""

    output: Literal["duty"]
    warn: Annotated[float, Quantity("ohm/V", 100, 40e3, "below it: caution and a little less power")]
    period: Annotated[float, Quantity("s", 0.001, 2, "one cycle of its output; none for three periods means lost")]
    table: list[Annotated[tuple[_Duty, _LeakOhm], Field(strict=False)]] = Field(
        min_length=2,
        max_length=40,
        description="duty cycle to resistance, from the data sheet; straight between points",
    )
    fault_duty: Annotated[tuple[float, float] | None, OrNone(DutyBand)] = Field(
        description="lowest and highest duty cycle by which it reports its own fault"
    )


class FrequencyMonitor(Monitor):
    """A monitor whose frequency says the resistance."""

    output: Literal["frequency"]
    warn: Annotated[float, Quantity("ohm/V", 100, 40e3, "below it: caution and a little less power")]
    table: list[Annotated[tuple[_Frequency, _LeakOhm], Field(strict=False)]] = Field(
        min_length=2, max_length=40, description="frequency to resistance, from the data sheet; straight between points"
    )
    fault_frequency: Annotated[tuple[float, float] | None, OrNone(FrequencyBand)] = Field(
        description="lowest and highest frequency by which it reports its own fault"
    )


_DBC = "DBC file beside the build file that describes the frames"
_DbcFile = Annotated[Dbc, DbcName(_DBC)]
_FramePeriod = Annotated[
    float, Quantity("s", 0.005, 2, "from one frame to the next, as it is sent; none for three periods means lost")
]
_Counter = Annotated[
    Text, Field(description='signal that counts the frames, "none" where there is none: a repeated frame tells nothing')
]


class CanMonitor(Monitor):
    """A monitor whose CAN frame says the resistance."""

    output: Literal["can"]
    warn: Annotated[float, Quantity("ohm/V", 100, 40e3, "below it: caution and a little less power")]
    dbc: _DbcFile = Field(description=_DBC)
    message: Text = Field(description="name of the message in the DBC file")
    signal: Text = Field(description="signal of that message that says the resistance")
    counter: _Counter
    fault_signal: Text = Field(
        description='signal by which it reports its own fault, anything but 0 being one; "none" where it has none'
    )
    period: _FramePeriod


class NtcZone(Table):
    """A temperature zone with an NTC from the converter input to ground, pulled up to the converter's reference."""

    name: Text = Field(description="where the sensor sits")
    where: Literal["pack", "inverter", "motor"] = Field(description="whose limits apply")
    sensor: Literal["ntc"]
    r25: Annotated[float, Quantity("ohm", 100, 1e6, "resistance at 25 degC")]
    beta: Annotated[float, Quantity("K", 2000, 6000, "B constant of the data sheet")]
    pull_up: Annotated[float, Quantity("ohm", 100, 1e6, "resistor to the converter's reference")]
    covered_by: list[Text] = Field(max_length=9, description="zones close enough to stand in when this sensor fails")


class Pt1000Zone(Table):
    """A temperature zone with a Pt1000 from the converter input to ground, pulled up to the converter's reference."""

    name: Text = Field(description="where the sensor sits")
    where: Literal["pack", "inverter", "motor"] = Field(description="whose limits apply")
    sensor: Literal["pt1000"]
    pull_up: Annotated[float, Quantity("ohm", 100, 1e6, "resistor to the converter's reference")]
    covered_by: list[Text] = Field(max_length=9, description="zones close enough to stand in when this sensor fails")


class PackLimits(Table):
    """Temperatures of the pack's zones."""

    cold: Annotated[float, Quantity("degC", -40, 20, "below it no charging")]
    warm: Annotated[float, Quantity("degC", 0, 80, "from here full cooling")]
    hot: Annotated[float, Quantity("degC", 0, 80, "from here less power")]
    trip: Annotated[float, Quantity("degC", 0, 80, "from here wind down")]
    cell_max: Annotated[float, Quantity("degC", 20, 90, "highest temperature of the cell's data sheet")]
    sensor_error: Annotated[float, Quantity("K", 0, 10, "how far a reading may be off the hottest cell")]
    spread: Annotated[float, Quantity("K", 1, 50, "zones further apart than this are a sign")]


class PowerLimits(Table):
    """Temperatures of the inverter's or the motor's zones."""

    hot: Annotated[float, Quantity("degC", 20, 200, "from here less power")]
    trip: Annotated[float, Quantity("degC", 20, 200, "from here wind down")]


class Limits(Table):
    """Temperature limits."""

    pack: PackLimits
    inverter: Annotated[PowerLimits | None, OrNone(PowerLimits)]
    motor: Annotated[PowerLimits | None, OrNone(PowerLimits)]


class PulseMotion(Table):
    """A speed sensor that gives pulses along the way."""

    output: Literal["pulses"] = Field(default="pulses", description="what gives the speed; pulses where it is left out")
    per_pulse: Annotated[float, Quantity("m", 0.001, 1, "way from one pulse to the next")]
    max_speed: Annotated[float, Quantity("m/s", 0.5, 100, "a higher reading is implausible")]


class CanMotion(Table):
    """A speed that arrives as CAN frames."""

    output: Literal["can"] = Field(description="what gives the speed")
    dbc: _DbcFile = Field(description=_DBC)
    message: Text = Field(description="name of the message in the DBC file")
    signal: Text = Field(description="signal of that message that says the speed")
    counter: _Counter
    period: Annotated[
        float,
        Quantity(
            "s", 0.005, 0.1, "from one frame to the next; three missing mean lost, before 500 ms of it are a jump"
        ),
    ]
    max_speed: Annotated[float, Quantity("m/s", 0.5, 100, "a higher reading is implausible")]


def _motion_output(raw: Any) -> str:
    """What [motion] is: build files from before there were frames do not say that theirs are pulses."""
    return str(raw.get("output", "pulses")) if isinstance(raw, dict) else "pulses"


_Motion = Annotated[
    Annotated[PulseMotion, Tag("pulses")] | Annotated[CanMotion, Tag("can")],
    Discriminator(
        _motion_output,
        custom_error_type="union_tag_invalid",
        custom_error_context={"discriminator": "output", "tag": "", "expected_tags": ""},  # load.py words it
    ),
]


class Timing(Table):
    """How long the sequences take."""

    ramp: Annotated[float, Quantity("s", 1, 120, "wind-down while moving: from full to crawl")]
    ramp_fast: Annotated[float, Quantity("s", 0.5, 60, "the same where it is urgent, straight to zero")]
    crawl: Annotated[float, Quantity("s", 0, 600, "time at 10 % to reach the roadside; may be 0")]
    fallback: Annotated[
        float, Quantity("s", 5, 600, "both limits 0 for this long counts as standing where speed is unknown")
    ]
    coast: Annotated[
        float, Quantity("s", 1, 600, "longest time until it has rolled out, after which a bus must be dead")
    ]
    limit_rise: Annotated[float, Quantity("fraction/s", 0.01, 10, "how fast a limit may come back")]
    creep: Annotated[float, Quantity("s", 10, 120, "watch after a discharge for voltage that comes back")]
    hold_max: Annotated[float, Quantity("s", 60, 7200, "longest that the hold relay keeps the board supplied")]
    proof_max: Annotated[
        float, Quantity("s", 1, 600, "longest watch of a bleeding bus to prove the positive main open")
    ]
    after_run: Annotated[float, Quantity("s", 0, 1800, "cooling after key off")]


class InputLines(Table):
    """Two-state inputs; key, start, acknowledge, stop and the service jumper are always there."""

    stop_pulse: Annotated[
        float, Quantity("s", 0.0001, 0.010, "shortest emergency stop pulse that the hardware latches")
    ]
    crash: Annotated[float | None, Quantity("s", 0.001, 0.5, "shortest pulse that means a crash", none=True)]
    plug: Fitted = Field(description="charge plug contact")
    charger_done: Fitted = Field(description="line by which the charger says that it is done")
    coolant_feedback: Fitted = Field(description="flow switch or pump feedback")
    coil_feedback: Fitted = Field(description="feedback of the coil drivers")
    lamp_feedback: Fitted = Field(description="feedback of the lamp drivers")


class PassiveCooling(Table):
    """No pump, no fan."""

    kind: Literal["passive"]


class ActiveCooling(Table):
    """A fan or a pump."""

    kind: Literal["air", "liquid"]
    on: Annotated[float, Quantity("degC", 0, 80, "hottest pack zone: cooling begins")]
    full: Annotated[float, Quantity("degC", 0, 80, "hottest pack zone: full cooling")]
    drive_on: Annotated[float, Quantity("degC", 0, 150, "inverter or motor zone: cooling begins")]


class ChilledCooling(Table):
    """A pump and a valve that switches to below-ambient cooling."""

    kind: Literal["chilled"]
    on: Annotated[float, Quantity("degC", 0, 80, "hottest pack zone: cooling begins")]
    full: Annotated[float, Quantity("degC", 0, 80, "hottest pack zone: full cooling")]
    chill: Annotated[float, Quantity("degC", 0, 80, "hottest pack zone: the valve turns to the chiller")]
    heat_below: Annotated[
        float | None, Quantity("degC", -40, 25, "coldest pack zone: the heater is asked for", none=True)
    ]
    drive_on: Annotated[float, Quantity("degC", 0, 150, "inverter or motor zone: cooling begins")]


class SharedCooling(Table):
    """A pump and a valve that lets motor heat warm a cold pack."""

    kind: Literal["heat_sharing"]
    on: Annotated[float, Quantity("degC", 0, 80, "hottest pack zone: cooling begins")]
    full: Annotated[float, Quantity("degC", 0, 80, "hottest pack zone: full cooling")]
    heat_below: Annotated[float, Quantity("degC", -40, 25, "coldest pack zone: motor heat is led to the pack")]
    drive_on: Annotated[float, Quantity("degC", 0, 150, "inverter or motor zone: cooling begins")]


class LimitLine(Table):
    """How the limits reach the inverter."""

    kind: Literal["duty", "enable_only"] = Field(
        description="duty: 10 to 90 %, all else means zero; enable_only for an inverter that cannot do that"
    )


class RatedPart(Table):
    """One more part whose ratings are to be looked at: fuse, cable, connector, charger inlet."""

    name: Text = Field(description="which part")
    voltage: Annotated[float, Quantity("V", 1, 5000, "rated DC voltage of the part")]
    current: Annotated[float | None, Quantity("A", 0.01, 5000, "rated current of the part", none=True)]
    carries: Literal["drive", "charge", "none"] = Field(description="which of the pack's currents flows through it")


class Pulls(Table):
    """External resistors that hold every line where it is safe while the board does not: its own are too weak."""

    inputs: Annotated[
        float, Quantity("ohm", 1000, 8000, "at each two-state input, to ground; an RP2350 may need 8 kohm or less")
    ]
    drivers: Annotated[float, Quantity("ohm", 1000, 10_000, "at the input of each driver, to ground: off in reset")]
    held_high: Annotated[
        float,
        Quantity("ohm", 1000, 10_000, "to 3.3 V, at selects, register enable and the bus's data in: none answers"),
    ]


class CanFrames(Table):
    """The frames that the board sends on a CAN bus; what is in them stands in loopwarden.dbc."""

    first_id: int = Field(
        ge=0,
        le=0x7FA,
        description="identifier, 0 to 0x7FA, of the first of six frames (11 bits), the others follow it one by one",
    )


class Card(Table):
    """The one-page card for whoever works on the build."""

    disconnect: list[Annotated[str, Field(min_length=1, max_length=200, pattern=ASCII)]] = Field(
        min_length=1, max_length=12, description="where and how to disconnect, one step each"
    )


class BuildFile(Table):
    """A whole build file."""

    build: Build
    pack: Pack
    bus: Bus
    voltage_sense: VoltageSense
    current_sense: Annotated[CurrentSense | None, OrNone(CurrentSense)]
    supply: Supply
    reference_sense: Annotated[ReferenceSense | None, OrNone(ReferenceSense)]
    contactor: Contactor
    precharge: Precharge
    discharge: ResistorDischarge | InverterDischarge | BleedDischarge = Field(
        discriminator="kind", description="what discharges the bus on demand; bleed where nothing does"
    )
    loop: list[Annotated[LevelLoop | ToggledLoop | ResistorLoop, Field(discriminator="sense")]] = Field(
        min_length=1, max_length=6, description="interlock loops; the board has room for six, and none is not safe"
    )
    isolation: LineMonitor | DutyMonitor | FrequencyMonitor | CanMonitor = Field(
        discriminator="output", description="what the monitor's output does"
    )
    zone: list[Annotated[NtcZone | Pt1000Zone, Field(discriminator="sensor")]] = Field(
        min_length=1, max_length=10, description="temperature zones; the board has room for ten and the pack needs one"
    )
    limits: Limits
    motion: Annotated[PulseMotion | CanMotion | None, OrNone(_Motion)] = Field(
        description='what gives the speed: pulses along the way, or CAN frames; "none" where it is not fitted'
    )
    timing: Timing
    inputs: InputLines
    cooling: PassiveCooling | ActiveCooling | ChilledCooling | SharedCooling = Field(
        discriminator="kind", description="what cools pack, inverter and motor"
    )
    limit_line: LimitLine
    debounce: dict[str, Annotated[float, Quantity("s", 0, 60, "set time of a fault, in place of the table's")]] = Field(
        default_factory=dict, description="fault names and their set times, where the fault table's do not fit"
    )
    pins: dict[str, Annotated[str, Field(pattern=PLACE)]] = Field(
        default_factory=dict,
        description="signal to place: GP0 to GP29, converter 0 to 15, shift-in 0 to 15, shift-out 0 to 15, or none; "
        "without any the build can only be simulated",
    )
    can: Annotated[CanFrames | None, OrNone(CanFrames)] = Field(
        default=None, description="the frames that the board sends on a CAN bus; without them it sends none"
    )
    pulls: Pulls | None = Field(default=None, description="the external resistors at the pins; needed with a plan")
    ratings: list[RatedPart] = Field(default_factory=list, max_length=40, description="further parts to rate")
    card: Card


def dbc_files(build: BuildFile) -> dict[str, str]:
    """The text of each DBC file that the build file names, by that name."""
    tables = [table for table in (build.isolation, build.motion) if isinstance(table, CanMonitor | CanMotion)]
    return {table.dbc.name: table.dbc.text for table in tables}
