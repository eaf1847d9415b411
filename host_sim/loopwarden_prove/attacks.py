"""What can go wrong with one build: its sensors, contactors, resistors, insulation, loops, supply, board and driver.

Each attack is a list of deeds of the simulator, so that any of them can be written into a scenario file. Which fault it
must raise, and how soon, is said here from the published reactions (hardware_notes/faults.md is made from the policy's
own table and is compared in tests), never taken from the policy.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from loopwarden_build.model import BuildFile, CanMonitor, DutyMonitor
from loopwarden_sim.scenario import Action
from loopwarden_sim.sensor_frames import SpeedFrames
from loopwarden_sim.sensor_isolation import IsolationOutput
from loopwarden_sim.world import World

# Phases in which a fault of this kind must be found: those in which everything is looked at all the time.
AWAKE = frozenset({"checking", "live", "winding down"})
LIVE = frozenset({"live"})
UP = frozenset({"live", "winding down"})
_QUICK_MS = 100  # what is looked at in every tick: some ticks of debounce beside the set time
_HEAT_MS = 2500  # the same, where a step that no part can make is taken for its sensor's fault first
_SLOW_MS = 1000  # what has its turn: twice the longest way round, and what waits while much else is counted


@dataclass(frozen=True)
class Due:
    """The fault that an attack must raise: within `bound_ms`, where the story stays in these phases for so long.

    or_row  a harder one that may come in its place, as it ends what the first would have been seen in
    """

    row: str
    bound_ms: int
    phases: frozenset[str]
    or_row: str = ""


@dataclass(frozen=True)
class Attack:
    """deeds: ticks after the strike, and what is done. subject: its line in the coverage table."""

    name: str
    subject: str
    deeds: tuple[tuple[int, Action], ...]
    due: Due | None = None


def attacks_of(build: BuildFile) -> list[Attack]:
    """Return everything that can go wrong with this build, each by a name of its own."""
    found = list(_Attacks(build).all())
    assert len({attack.name for attack in found}) == len(found)
    return found


class _Attacks:
    def __init__(self, build: BuildFile) -> None:
        self.build = build
        self.world = World(build, 1)
        self.possible = self.world.possible()
        self.tick_s = build.build.tick

    def all(self) -> Iterator[Attack]:
        yield from self.voltages()
        yield from self.other_channels()
        yield from self.zones()
        yield from self.contactors()
        yield from self.resistors()
        yield from self.insulation()
        yield from self.loops()
        yield from self.wires()
        yield from self.motion()
        yield from self.supply()
        yield from self.heat()
        yield from self.board()
        yield from self.driver()

    # How they are made ---------------------------------------------------------------------------------------------

    def ticks(self, s: float) -> int:
        return max(1, round(s / self.tick_s))

    def strike(
        self, subject: str, fault: str, where: str = "", due: Due | None = None, **arguments: float
    ) -> Iterator[Attack]:
        """One fault of the world, that stays; nothing where this build has no such part."""
        if fault in self.possible:
            given = "".join(f" {key} {value:g}" for key, value in arguments.items())
            name = f"{fault}{given}{f' ({where})' if where else ''}"
            yield Attack(name, subject, ((0, Action("strike", fault, where, arguments)),), due)

    def passing(self, subject: str, fault: str, for_s: float, where: str = "") -> Iterator[Attack]:
        """The same for a moment, as a loose wire does."""
        if fault in self.possible:
            deeds = ((0, Action("strike", fault, where, {})), (self.ticks(for_s), Action("heal", fault, where)))
            yield Attack(f"{fault} for {for_s * 1000:g} ms{f' ({where})' if where else ''}", subject, deeds)

    def put(self, subject: str, name: str, due: Due | None = None, **values: float) -> Attack:
        """Quantities of the world, that stay."""
        return Attack(name, subject, tuple((0, Action("set", key, value)) for key, value in values.items()), due)

    def dip(self, subject: str, name: str, key: str, low: float, back: float, for_s: float) -> Attack:
        """One quantity that comes back."""
        deeds = ((0, Action("set", key, low)), (self.ticks(for_s), Action("set", key, back)))
        return Attack(name, subject, deeds)

    # What there is -------------------------------------------------------------------------------------------------

    def voltages(self) -> Iterator[Attack]:
        volts = self.build.pack.nominal
        proven = {
            "pack_voltage": self.build.voltage_sense.pack.proof == "live_zero",
            "bus_voltage": self.build.voltage_sense.bus.proof == "live_zero",
        }
        rows = {"pack_voltage": "PACK_VOLTAGE_BAD", "bus_voltage": "BUS_VOLTAGE_BAD"}
        for channel, row in rows.items():
            due = Due(row, 200 + _QUICK_MS, AWAKE)
            yield from self.strike(channel, f"{channel}_open", due=due if proven[channel] else None)
            yield from self.strike(channel, f"{channel}_short", due=due)
            yield from self.strike(channel, f"{channel}_stale", due=due)
            yield from self.strike(channel, f"{channel}_stuck")
            apart_v = round(max(0.08 * volts, 14))  # more than 5 % and 10 V, beyond the channels' own errors
            for amount in (-apart_v, apart_v, round(-0.5 * volts), round(0.5 * volts)):
                # A bus that reads low right after closing looks like a main that did not close.
                apart = Due("PACK_BUS_DISAGREE", 200 + _QUICK_MS, LIVE, or_row="POSITIVE_NOT_CLOSED")
                seen = apart if abs(amount) == apart_v else None
                yield from self.strike(channel, f"{channel}_offset", due=seen, amount=amount)
            yield from self.strike(channel, f"{channel}_noisy", amount=round(0.02 * volts))
            yield from self.strike(channel, f"{channel}_noisy", amount=round(0.2 * volts))
            for ticks in (5, 50):
                yield from self.strike(channel, f"{channel}_late", ticks=ticks)
            yield from self.passing(channel, f"{channel}_open", 0.06)
            yield from self.passing(channel, f"{channel}_short", 1.0)
        yield from self.strike("voltages swapped", "voltages_swapped")

    def other_channels(self) -> Iterator[Attack]:
        build = self.build
        due = Due("CURRENT_BAD", 200 + _QUICK_MS, AWAKE)
        yield from self.strike("current", "current_open", due=due)
        yield from self.strike("current", "current_short", due=due)
        yield from self.strike("current", "current_stale", due=due)
        yield from self.strike("current", "current_stuck")
        yield from self.strike("current", "current_reversed")
        for amps in (-2 * build.pack.drive_current, -20.0, 20.0, 2 * build.pack.drive_current):
            yield from self.strike("current", "current_offset", amount=amps)
        yield from self.strike("current", "current_noisy", amount=20.0)
        yield from self.strike("current", "current_late", ticks=50)
        for kind in ("open", "short", "stuck", "stale"):
            yield from self.strike("supply reading", f"supply_sense_{kind}")
        for share in (-0.5, 0.5):
            yield from self.strike("supply reading", "supply_sense_offset", amount=round(share * build.supply.nominal))
        yield from self.strike("supply reading", "supply_sense_noisy", amount=round(0.1 * build.supply.nominal, 1))
        yield from self.strike("supply reading", "supply_sense_late", ticks=50)
        due = Due("SELF_TEST_FAILED", 500 + _SLOW_MS, AWAKE)
        for kind in ("open", "short", "stale"):
            yield from self.strike("self-test", f"reference_{kind}", due=due)
        yield from self.strike("self-test", "reference_stuck")
        yield from self.strike("self-test", "reference_offset", amount=0.5, due=due)
        yield from self.strike("self-test", "reference_noisy", amount=0.5)

    def zones(self) -> Iterator[Attack]:
        pack = sum(zone.where == "pack" for zone in self.build.zone)
        bad = {"inverter": "INVERTER_SENSOR_BAD", "motor": "MOTOR_SENSOR_BAD"}
        for zone in self.build.zone:
            subject = f"{zone.where} temperature"
            for kind, row in (("open", "PACK_SENSOR_OPEN"), ("short", "PACK_SENSOR_SHORT")):
                raised = Due(bad.get(zone.where, row), 200 + _SLOW_MS, AWAKE)
                yield from self.strike(subject, f"zone_{kind}", zone.name, raised)
            yield from self.strike(subject, "zone_stale", zone.name)
            yield from self.strike(subject, "zone_stuck", zone.name)
            for kelvin in (-30.0, 15.0, 60.0):
                yield from self.strike(subject, "zone_offset", zone.name, amount=kelvin)
            yield from self.strike(subject, "zone_noisy", zone.name, amount=5.0)
            yield from self.strike(subject, "zone_late", zone.name, ticks=100)
            yield from self.strike(subject, "zone_swapped", zone.name)
        for name in self.world.names_of("cell_runaway"):
            due = Due("PACK_HEATS_FAST", 3000 + 4000, LIVE) if pack else None
            yield from self.strike("pack on fire", "cell_runaway", name, due, k_per_s=2.0)
        yield from self.strike("pack on fire", "pack_voltage_drop", factor=0.7)

    def contactors(self) -> Iterator[Attack]:
        for place in ("positive", "negative", "precharge", "discharge"):
            subject = f"{place} contactor"
            yield from self.strike(subject, f"{place}_welded")
            yield from self.strike(subject, f"{place}_stuck_open")
            yield from self.strike(subject, f"{place}_slow", factor=3.0)
            yield from self.strike(subject, f"{place}_slow", factor=20.0)
            yield from self.strike(subject, f"{place}_bouncing", bounces=20)
        yield from self.strike("feedback contacts", "contacts_swapped")
        for pole in ("positive", "negative"):
            for kind in ("open", "shorted"):
                yield from self.strike("feedback contacts", f"aux_{pole}_wire_{kind}")

    def resistors(self) -> Iterator[Attack]:
        for place in ("precharge", "discharge"):
            subject = f"{place} resistor"
            yield from self.strike(subject, f"{place}_resistor_open")
            yield from self.strike(subject, f"{place}_resistor_short")
            for factor in (0.4, 0.8, 1.3, 3.0):
                yield from self.strike(subject, f"{place}_resistor_drift", factor=factor)
        yield from self.strike("bleed", "bleed_open")
        rated_ohm = self.build.pack.nominal / self.build.pack.drive_current
        for ohm in (0.1, 20 * rated_ohm, 400 * rated_ohm):
            yield from self.strike("short or load on the bus", "bus_short", ohm=round(ohm, 2))

    def insulation(self) -> Iterator[Attack]:
        build = self.build
        volts = build.pack.highest
        # On the pack's side every monitor sees it; between warning and fault only those that have a warning.
        settle_ms = round(1000 * build.isolation.settle)  # after closing; the monitor itself takes its time as well
        due = Due("ISOLATION_FAULT", settle_ms + 2000 + 3000, UP)
        for key in ("leak_positive", "leak_negative", "leak_middle", "leak_bus_positive", "leak_bus_negative"):
            subject = key.replace("_", " ")
            for ohm_per_v in (0.5 * build.isolation.fault, 0.05 * build.isolation.fault):
                name = f"{subject} {ohm_per_v:g} ohm/V"
                seen = "bus" not in key or build.isolation.side == "pack"
                # A leak in the middle of the pack splits its voltage, but both poles see its ohms.
                yield self.put(subject, name, due if seen else None, **{f"{key}_ohm": round(ohm_per_v * volts)})
            steps = [build.isolation.fault * factor * volts for factor in (4.0, 2.0, 1.5, 1.2, 1.0, 0.8, 0.5, 0.2)]
            deeds = tuple(
                (self.ticks(1.0) * n, Action("set", f"{key}_ohm", float(round(ohm)))) for n, ohm in enumerate(steps)
            )
            yield Attack(f"{subject} creeping", subject, deeds)
        yield self.put("water", "everything wet", wetness_percent=100.0)
        monitor = build.isolation
        lost = device = None
        if isinstance(monitor, DutyMonitor | CanMonitor):
            lost = Due("ISOLATION_LOST", 3000 + _SLOW_MS, UP)
            device = Due("ISOLATION_DEVICE", 1000 + 2000, UP)
        for kind in IsolationOutput.FAULTS:
            # A sender that hangs and repeats is lost where its frames are counted.
            hangs = lost if isinstance(monitor, CanMonitor) and monitor.counter != "none" else None
            due_here = {"silent": lost, "device": device, "stuck": hangs}.get(kind)
            yield from self.strike("isolation monitor", f"isolation_{kind}", due=due_here)
        for factor in (0.1, 0.6, 10.0):
            yield from self.strike("isolation monitor", "isolation_offset", factor=factor)

    def loops(self) -> Iterator[Attack]:
        for loop in self.build.loop:
            subject = f"loop ({loop.kind})"
            hard = Due("HARD_LOOP_OPEN", 40, AWAKE)
            watched = Due("LOOP_OPEN", 60 + _QUICK_MS, AWAKE)
            due = {"hard": hard, "watched": watched}.get(loop.kind)
            yield from self.strike(subject, "loop_open", loop.name, due)
            yield from self.strike(subject, "loop_to_ground", loop.name)
            yield from self.strike(subject, "loop_to_supply", loop.name)
            yield from self.strike(subject, "loop_flicker", loop.name, open_ms=2.0, every_ms=300.0)
            yield from self.strike(subject, "loop_flicker", loop.name, open_ms=200.0, every_ms=1000.0)
            yield from self.passing(subject, "loop_open", 0.04, loop.name)
            yield from self.passing(subject, "loop_open", 1.0, loop.name)

    def wires(self) -> Iterator[Attack]:
        stop = Due("EMERGENCY_STOP", 40, AWAKE)
        yield from self.strike("emergency stop", "stop_wire_open", due=stop)
        yield self.put("emergency stop", "stop pressed", stop, stop=1.0)
        yield self.dip("emergency stop", "stop pressed for 500 ms", "stop", 1.0, 0.0, 0.5)
        yield self.put("emergency stop", "stop pulse of 1.5 ms", stop, stop_pulse_ms=1.5)
        yield self.put("emergency stop", "stop pulse of 0.5 ms", stop_pulse_ms=0.5)
        if self.build.inputs.crash:
            crash_ms = 1000 * self.build.inputs.crash
            yield self.put("crash", "crash", Due("CRASH", round(crash_ms) + 60, AWAKE), crash_pulse_ms=4 * crash_ms)
            yield self.put("crash", "crash pulse too short", crash_pulse_ms=0.4 * crash_ms)
        yield from self.strike("key and buttons", "key_wire_open")
        yield from self.passing("key and buttons", "key_wire_open", 0.1)
        yield from self.strike("key and buttons", "start_button_stuck")
        yield from self.strike(
            "driver chips", "coil_driver_fault", due=Due("COIL_DRIVER_FAULT", 100 + _QUICK_MS, AWAKE)
        )
        yield from self.strike(
            "driver chips", "lamp_driver_fault", due=Due("LAMP_DRIVER_FAULT", 100 + _QUICK_MS, AWAKE)
        )
        yield from self.strike("coolant", "coolant_wire_open")
        for part in ("pump", "fan", "chiller"):
            yield from self.strike("coolant", f"{part}_stopped")

    def motion(self) -> Iterator[Attack]:
        for kind in SpeedFrames.FAULTS:  # pulses can fail in most of these ways as well
            yield from self.strike("speed", f"speed_{kind}")
        yield self.put("motion", "rolls away", slope_percent=-10.0, brake=0.0)
        pushed = (("brake", 0.0), ("speed_kmh", 6.0))
        press = tuple((self.ticks(t_s), Action("set", "start", on)) for t_s, on in ((0.3, 1.0), (0.5, 0.0)))
        deeds = tuple((0, Action("set", name, value)) for name, value in pushed)
        yield Attack("pushed, and start pressed", "motion", deeds + press)
        if self.build.motion is not None:
            per_kmh = 0.5 * self.build.pack.nominal / 40
            yield self.put("motion", "an unpowered motor feeds the bus", emf_v_per_kmh=round(per_kmh, 1))

    def supply(self) -> Iterator[Attack]:
        build = self.build
        nominal = build.supply.nominal
        failing, low, high = build.supply.failing, build.supply.low, build.supply.high
        due = Due("SUPPLY_FAILING", 100 + _SLOW_MS, AWAKE)
        yield self.put("supply", "supply failing", due, supply_v=round(0.95 * failing, 2))
        due = Due("SUPPLY_LOW", 500 + _SLOW_MS, AWAKE)
        yield self.put("supply", "supply low", due, supply_v=round((failing + low) / 2, 2))
        due = Due("SUPPLY_HIGH", 500 + _SLOW_MS, AWAKE)
        yield self.put("supply", "supply high", due, supply_v=round(1.05 * high, 2))
        yield self.dip("supply", "supply dips for 60 ms", "supply_v", 0.5 * nominal, nominal, 0.06)
        yield self.dip("supply", "supply dips for 300 ms", "supply_v", 0.5 * nominal, nominal, 0.3)
        yield self.dip("supply", "supply dips for 2 s", "supply_v", 0.5 * nominal, nominal, 2.0)
        yield self.put("supply", "supply gone", supply_v=0.0)

    def heat(self) -> Iterator[Attack]:
        limits = self.build.limits
        pack = limits.pack
        due = Due("PACK_OVER_TEMPERATURE", 1000 + _HEAT_MS, AWAKE)
        yield self.put("heat", "pack at its trip", due, pack_degc=pack.trip + 3)
        due = Due("PACK_HOT", 2000 + _SLOW_MS, AWAKE)
        yield self.put("heat", "pack hot", due, pack_degc=(pack.hot + pack.trip) / 2)
        yield self.put("heat", "pack cold", Due("PACK_COLD", 1000 + _SLOW_MS, AWAKE), pack_degc=pack.cold - 5)
        if limits.inverter is not None:
            due = Due("INVERTER_OVER_TEMPERATURE", 1000 + _HEAT_MS, AWAKE)
            yield self.put("heat", "inverter at its trip", due, inverter_degc=limits.inverter.trip + 10)
        if limits.motor is not None:
            due = Due("MOTOR_OVER_TEMPERATURE", 1000 + _HEAT_MS, AWAKE)
            yield self.put("heat", "motor at its trip", due, motor_degc=limits.motor.trip + 10)

    def board(self) -> Iterator[Attack]:
        yield Attack("reset", "board", ((0, Action("board", "reset")),))
        again = tuple((n * self.ticks(0.6), Action("board", "reset")) for n in range(5))
        yield Attack("reset again and again", "board", again)
        yield Attack(
            "power off for 1 s", "board", ((0, Action("board", "off")), (self.ticks(1.0), Action("board", "on")))
        )
        hold_ms = round(1000 * self.build.build.heartbeat_hold)
        yield self.put("board", "ticks late", Due("LOOP_OVERRAN", 1500, AWAKE), late_ms=float(hold_ms // 3))
        yield self.dip("board", "one tick late", "late_ms", float(hold_ms // 3), 0.0, self.tick_s)
        yield self.put("board", "heap low", Due("HEAP_LOW", 1000 + _SLOW_MS, AWAKE), heap_free=20_000.0)
        yield self.put("board", "fault memory cannot be written", store_failed=1.0)
        yield self.put("board", "fault memory nearly full", journal_nearly_full=1.0)

    def driver(self) -> Iterator[Attack]:
        tick = self.ticks
        key = "key"

        def keys(name: str, *steps: tuple[float, float]) -> Attack:
            return Attack(name, "driver", tuple((tick(t_s) - 1, Action("set", key, on)) for t_s, on in steps))

        yield keys("key off", (0.0, 0.0))
        yield keys("key off and on at once", (0.0, 0.0), (0.1, 1.0))
        yield keys("key off and on after 1 s", (0.0, 0.0), (1.0, 1.0))
        yield keys("key turned ten times", *((0.3 * n, float(n % 2)) for n in range(20)))
        yield self.put("driver", "start held", start=1.0)
        presses = tuple((tick(0.4 * n), Action("set", "start", float(n % 2))) for n in range(20))
        yield Attack("start pressed again and again", "driver", presses)
        yield self.put("driver", "full throttle", throttle=1.0, brake=0.0)
        yield self.put("driver", "full brake", throttle=0.0, brake=1.0)
        yield self.put("driver", "service switch to TEST", service=2.0)
        yield self.put("driver", "service switch to SERVICE", service=1.0)
        yield self.put("driver", "acknowledge held", ack=1.0)
        if self.build.inputs.plug == "fitted":
            yield self.put("driver", "plug put in", plug=1.0)
            yield self.put("driver", "plug pulled", plug=0.0)
            yield self.dip("driver", "plug in for 2 s", "plug", 1.0, 0.0, 2.0)
