"""What both renderings list: commands, channels, switches, values of the build; and whether it is fit to be laid up."""

from micropython import const

from loopwarden import signals as S
from loopwarden.policy import fault_table as T

LINK_SCHEMA = const(1)
EPOCH_S = 1577836800  # 2020-01-01 in unix seconds: counted from there they stay small integers until 2054
READY = 1  # stage of phases.py: the key is on, nothing is started
_SUMMARIES = const(220)

COMMANDS = (
    (b"help", b"this list"),
    (b"status", b"what it is doing, the bus, limits, contactors, lamps"),
    (b"faults", b"every code; faults CODE, or its name, tells one in full"),
    (b"why", b"why SUBJECT, as start, drive limit, hv lamp, or a fault's name"),
    (b"inputs", b"every channel and switch as it is read now"),
    (b"limits", b"drive and charge limit, and what sets them"),
    (b"starts", b"precharge and discharge of the last power cycles"),
    (b"storage", b"is it fit to be laid up"),
    (b"clear", b"clear CODE, or clear all: off only; locks need the button"),
    (b"acknowledge", b"acknowledge CODE: then press the wired button"),
    (b"version", b"program, build, runtime, chip, and what the last reset was"),
    (b"build", b"the main values of the build"),
    (b"time", b"time SECONDS tells it the time of day, in unix seconds"),
    (b"coil", b"coil NAME, coil NAME hold: the coil test, service switch in TEST"),
    (b"record", b"every tick as bytes, for loopwarden record; off only"),
    (b"service", b"give the board up for service: off, bus proven dead"),
)
# What answers each of them: by name, as the installer leaves names alone that stand in a text.
METHODS = ("help", "status", "faults", "why", "inputs", "limits", "starts", "storage")
METHODS = METHODS + ("clear", "acknowledge", "version", "build", "time", "coil", "record", "service")
# name; reading and state of Inputs; what of the build says that it is fitted; how Writer writes it
INPUTS = (
    (b"pack", "pack_mv", "pack_state", "", "mv"),
    (b"bus", "bus_mv", "bus_state", "", "mv"),
    (b"current", "current_ma", "current_state", "current_fitted", "ma"),
    (b"isolation", "isolation_ohm", "isolation_state", "", "ohm"),
    (b"speed", "speed_mm_s", "speed_state", "speed_fitted", "mm_s"),
    (b"supply", "supply_mv", "supply_state", "", "mv"),
    (b"reference", "reference_mv", "reference_state", "reference_fitted", "mv"),
)
SWITCHES = (
    (b"key", S.KEY, ""),
    (b"start", S.START, ""),
    (b"acknowledge", S.ACK, ""),
    (b"charge plug", S.PLUG, "plug_fitted"),
    (b"service jumper", S.SERVICE, ""),
    (b"emergency stop", S.STOP, ""),
    (b"crash", S.CRASH, "crash_fitted"),
    (b"charger done", S.CHARGED, "charged_fitted"),
    (b"positive contact", S.AUX_POSITIVE, "feedback"),
    (b"negative contact", S.AUX_NEGATIVE, "feedback"),
    (b"coolant moves", S.COOLANT, "coolant_fitted"),
    (b"coil fault", S.COIL_FAULT, "coil_feedback_fitted"),
    (b"lamp fault", S.LAMP_FAULT, "lamp_feedback_fitted"),
)
# label, name in the build
VERSION = ("program", "build", "runtime", "board", "reset")  # what `info` has to tell; the build is its digest
BUILD = (
    (b"tick", "tick_ms"),
    (b"highest working voltage", "working_v"),
    (b"dead below", "dead_mv"),
    (b"pack empty at", "pack_under_mv"),
    (b"pack over voltage", "pack_over_mv"),
    (b"charge ends at", "charge_end_mv"),
    (b"precharge at least", "precharge_min_ms"),
    (b"precharge at most", "precharge_max_ms"),
    (b"discharge at most", "discharge_window_ms"),
    (b"contactor closes in", "close_ms"),
    (b"contactor opens in", "release_ms"),
    (b"isolation warning", "iso_warn_ohm"),
    (b"isolation limit", "iso_fault_ohm"),
    (b"drive current", "drive_current_ma"),
    (b"charge current", "charge_current_ma"),
)


def starts_of(loop):
    """The numbers of the power cycles to tell of, newest last; in a drive only this one: reading files takes heap."""
    last = loop.memory.cycle
    return range(max(last - (1 if loop.supervisor.phases.stage > READY else _SUMMARIES), 0) + 1, last + 1)


def coils_off(loop):
    o = loop.outputs
    return not (o.positive or o.negative or o.precharge or o.discharge)


def not_off(loop):
    """Why this is no state with everything off and dead; b"" where it is: what clearing and service ask for.

    The key may be on: a board that is supplied through a hold relay runs only then.
    """
    s = loop.supervisor
    if s.phases.stage > READY or not coils_off(loop):
        return b"only while nothing is started and every contactor is off"
    if loop.memory.mark or not s.phases.proven_dead():
        return b"the bus is not proven dead yet; ask again when it was dead for 10 s"
    return b""


def fit_to_lay_up(loop):
    """The first reason against laying it up, b"" where there is none."""
    s = loop.supervisor
    reason = not_off(loop)
    if reason:
        return reason
    if loop.memory.locked:
        return b"a lock stands: type faults"
    if s.faults.worst >= T.REFUSE:
        return b"a fault is active: type faults"
    if not s.isolation.good:
        return b"isolation is not known to be good"
    return b"" if loop.memory.idle() else b"the fault memory is still storing"


def charge_of(loop):
    """The pack's charge in permille by its rest voltage and the build's table; None where it was not seen at rest."""
    e = loop.supervisor.electrics
    mv = e.rest_mv if e.pack_ok else 0
    volts, charges = loop.build.charge_mv, loop.build.charge_permille
    if not mv:
        return None
    k = 1
    while k < len(volts) - 1 and volts[k] < mv:
        k += 1
    part = min(max(mv, volts[0]), volts[-1]) - volts[k - 1]
    return charges[k - 1] + part * (charges[k] - charges[k - 1]) // (volts[k] - volts[k - 1])
