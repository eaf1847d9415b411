"""The integer build: what this bench or vehicle is, in integers with their unit in the name.

Decides nothing; refuses a file that is damaged, of another schema, incomplete, or outside what the board's integers
carry (S11: a build that is refused leaves the outputs off). The host writes the file (`loopwarden pack`).
"""

import binascii
import hashlib
import json

MAGIC = b"loopwarden-build 1"  # the 1 is the schema: another number is another set of keys

_MV = 1500000  # no channel reads more than 1500 V
_MA = 1200000
_OHM = 50000000
_MJ = 1 << 29
_MS = 1 << 29
_DC = 10000
_COUNTS = 4095
_WORD = (1 << 30) - 1
_LOOPS = 6
_ZONES = 10


class _Reader:
    """Hands out values by name, each checked for type and range; knows at the end which were never asked for."""

    def __init__(self, values):
        if type(values) is not dict:
            raise ValueError("build: not an object")
        self.values = values
        self.left = set(values)

    def take(self, name):
        if name not in self.values:
            raise ValueError("build: %s is missing" % name)
        self.left.discard(name)
        return self.values[name]

    def text(self, name):
        value = self.take(name)
        if type(value) is not str or not 0 < len(value) <= 60:
            raise ValueError("build: %s is not a text of 1 to 60 characters" % name)
        return value

    def int(self, name, low, high):
        return _checked(name, self.take(name), low, high)

    def ints(self, name, low, high, least, most):
        values = self.take(name)
        if type(values) is not list or not least <= len(values) <= most:
            raise ValueError("build: %s is not a list of %d to %d values" % (name, least, most))
        for value in values:
            _checked(name, value, low, high)
        return values

    def can(self, name):
        # Its parts: the first identifier that is sent, how many numbers the monitor's frame has, those, the speed's.
        values = self.ints(name, -_WORD, _WORD, 0, 2 + 29 + 24)
        if values:
            _checked(name, values[0], -1, 0x7FA)
            end = 2 + values[1] if len(values) > 1 else 0
            lengths = end - 2, len(values) - end
            if lengths[0] not in (0, 23, 29) or lengths[1] not in (0, 24):
                raise ValueError("build: %s has parts of the wrong length" % name)
            if lengths[0]:
                _check_frame(name, values[2:end], 22)
            if lengths[1]:
                _check_frame(name, values[end:], 18)
        return values

    def pairs(self, name, low, high):
        values = self.take(name)
        if type(values) is not list:
            raise ValueError("build: %s is not a list" % name)
        for pair in values:
            if type(pair) is not list or len(pair) != 2:
                raise ValueError("build: %s is not a list of pairs" % name)
            for value in pair:
                _checked(name, value, low, high)
        return values

    def end(self):
        if self.left:
            raise ValueError("build: %s is not known" % ", ".join(sorted(self.left)))


def _checked(name, value, low, high):
    if type(value) is not int:  # a bool is none either
        raise ValueError("build: %s holds something that is not an integer" % name)
    if not low <= value <= high:
        raise ValueError("build: %s is %d, outside %d to %d" % (name, value, low, high))
    return value


def _check_frame(name, values, highest):
    # So that no frame can raise an error on the board or leave its small integers; highest: place of the raw value
    # that is scaled at most. The places are those of convert/frames.py.
    for at, (low, high) in enumerate(((0, _WORD), (1, 8), (1, 60000), (0, 100), (0, 65535))):
        _checked(name, values[at], low, high)
    for at in (5, 11, 23) if len(values) == 29 else (5, 11):  # fields: each byte is one of the frame's
        for value, low, high in zip(values[at : at + 6], (0, -1, 0, 0, 0, 0), (7, 1, 7, 255, 128, 7)):
            _checked(name, value, low, high)
        _checked(name, values[at], 0, values[1] - 1)
        _checked(name, values[at] + values[at + 1] * values[at + 2], 0, values[1] - 1)
    _checked(name, values[19], 1, _WORD)
    _checked(name, values[21], 1, _WORD)
    for at in (17, highest):
        _checked(name, values[at] * values[19] + values[20], -_WORD, _WORD)


class Build:
    """One build. Attributes are integers, or lists of them; units: _mv, _ma, _ohm, _dc (0.1 degC), _ms, _mj, _permille.

    values  dict by attribute name, as `loopwarden pack` writes it; lists are kept, not copied
    Errors: ValueError for a missing or extra key, a value that is no integer, or one outside its range.
    """

    def __init__(self, values):
        take = _Reader(values)
        self.name = take.text("name")
        self.chip = take.int("chip", 2040, 2350)  # the number in its name: registers and the converter's steps differ
        self.tick_ms = take.int("tick_ms", 5, 50)
        self.heartbeat_hold_ms = take.int("heartbeat_hold_ms", 10, 100)  # S11

        # Levels. dead: below it the bus counts as dead, bus error already taken off. noise: the bus error itself.
        self.working_v = take.int("working_v", 1, 1000)
        self.dead_mv = take.int("dead_mv", 1, 60000)
        self.discharge_stop_mv = take.int("discharge_stop_mv", 1, 20000)
        self.noise_mv = take.int("noise_mv", 1, 60000)
        self.pack_low_mv = take.int("pack_low_mv", 0, _MV)  # plausible from here
        self.pack_high_mv = take.int("pack_high_mv", 1, _MV)  # to here
        self.pack_over_mv = take.int("pack_over_mv", 1, _MV)
        self.pack_derate_mv = take.int("pack_derate_mv", 1, _MV)
        self.pack_under_mv = take.int("pack_under_mv", 1, _MV)
        self.bus_max_mv = take.int("bus_max_mv", 1, _MV)
        self.charge_end_mv = take.int("charge_end_mv", 1, _MV)

        # Precharge. start: heat that one start may make; half_rc and flat are whole ticks.
        self.bus_c_uf = take.int("bus_c_uf", 1, 10000)
        self.rc_ms = take.int("rc_ms", 1, 60000)
        self.half_rc_ms = take.int("half_rc_ms", 2, 60000)
        self.fraction_permille = take.int("fraction_permille", 900, 990)
        self.precharge_min_ms = take.int("precharge_min_ms", 1, 600000)
        self.precharge_max_ms = take.int("precharge_max_ms", 1, 600000)
        self.settle_max_ms = take.int("settle_max_ms", 1, 600000)
        self.flat_ms = take.int("flat_ms", 1, 60000)
        self.precharge_r_mohm = take.int("precharge_r_mohm", 1000, 1000000000)
        self.precharge_start_mj = take.int("precharge_start_mj", 1, _MJ)
        self.precharge_budget_mj = take.int("precharge_budget_mj", 1, _MJ)
        self.precharge_cool_s = take.int("precharge_cool_s", 1, 3600)

        # Discharge. kind: 0 resistor, 1 inverter, 2 bleed only (then budget and emergency are 0).
        self.discharge_kind = take.int("discharge_kind", 0, 2)
        self.discharge_r_mohm = take.int("discharge_r_mohm", 10000, 1000000000)
        self.discharge_emergency_mj = take.int("discharge_emergency_mj", 0, _MJ)
        self.discharge_budget_mj = take.int("discharge_budget_mj", 0, _MJ)
        self.discharge_cool_s = take.int("discharge_cool_s", 1, 3600)
        self.discharge_window_ms = take.int("discharge_window_ms", 1, _MS)
        # A bus that waits must fall by fall_permille of its reading within fall_check, or it is not falling.
        self.fall_check_ms = take.int("fall_check_ms", 2000, 600000)
        self.fall_permille = take.int("fall_permille", 1, 1000)
        self.bleed_tau_ms = take.int("bleed_tau_ms", 1, _MS)
        # A proof pulse watches for proof_ms that the bus falls by proof_fall_permille, 10 V at least.
        self.proof_fall_permille = take.int("proof_fall_permille", 1, 1000)
        self.proof_ms = take.int("proof_ms", 1, 600000)
        self.proof_max_ms = take.int("proof_max_ms", 1, 600000)

        # Contactors. feedback: 0 none, 1 normally open, 2 normally closed (proves open).
        self.close_ms = take.int("close_ms", 1, 500)
        self.release_ms = take.int("release_ms", 1, 500)
        self.feedback = take.int("feedback", 0, 2)
        self.break_ma = take.int("break_ma", 1, _MA)
        self.inspect_after = take.int("inspect_after", 1, 1000)

        self.current_fitted = take.int("current_fitted", 0, 1)
        self.current_threshold_ma = take.int("current_threshold_ma", 0, _MA)
        self.drive_current_ma = take.int("drive_current_ma", 1, _MA)
        self.charge_current_ma = take.int("charge_current_ma", 1, _MA)
        self.over_current_ms = take.int("over_current_ms", 0, 60000)

        self.supply_low_mv = take.int("supply_low_mv", 1, 100000)
        self.supply_fail_mv = take.int("supply_fail_mv", 1, 100000)
        self.supply_high_mv = take.int("supply_high_mv", 1, 100000)
        self.reference_fitted = take.int("reference_fitted", 0, 1)
        self.reference_mv = take.int("reference_mv", 0, 10000)
        self.reference_tol_mv = take.int("reference_tol_mv", 0, 10000)

        # loop_kind: 0 hard, 1 watched, 2 permit to drive, 3 permit to charge. zone_where: 0 pack, 1 inverter, 2 motor.
        # zone_cover: mask of the zones that may stand in for this one.
        self.loop_kind = take.ints("loop_kind", 0, 3, 1, _LOOPS)
        self.zone_where = take.ints("zone_where", 0, 2, 1, _ZONES)
        zones = len(self.zone_where)
        self.zone_cover = take.ints("zone_cover", 0, (1 << zones) - 1, zones, zones)

        # side: 0 pack, 1 bus. measures: 0 both poles in parallel, 1 the worse pole. warn 0: it cannot warn.
        self.iso_side = take.int("iso_side", 0, 1)
        self.iso_measures = take.int("iso_measures", 0, 1)
        self.iso_warn_ohm = take.int("iso_warn_ohm", 0, _OHM)
        self.iso_warn_clear_ohm = take.int("iso_warn_clear_ohm", 0, _OHM)
        self.iso_fault_ohm = take.int("iso_fault_ohm", 1, _OHM)
        self.iso_settle_ms = take.int("iso_settle_ms", 0, 60000)
        self.iso_while_plugged = take.int("iso_while_plugged", 0, 1)

        # 10000 (-10000 for heat) where there is no such zone or no such cooling: never reached.
        self.pack_warm_dc = take.int("pack_warm_dc", -_DC, _DC)
        self.pack_hot_dc = take.int("pack_hot_dc", -_DC, _DC)
        self.pack_trip_dc = take.int("pack_trip_dc", -_DC, _DC)
        self.pack_clear_dc = take.int("pack_clear_dc", -_DC, _DC)
        self.pack_cold_dc = take.int("pack_cold_dc", -_DC, _DC)
        self.pack_spread_dc = take.int("pack_spread_dc", 1, _DC)
        self.inverter_hot_dc = take.int("inverter_hot_dc", -_DC, _DC)
        self.inverter_trip_dc = take.int("inverter_trip_dc", -_DC, _DC)
        self.motor_hot_dc = take.int("motor_hot_dc", -_DC, _DC)
        self.motor_trip_dc = take.int("motor_trip_dc", -_DC, _DC)

        self.speed_fitted = take.int("speed_fitted", 0, 1)
        self.ramp_ms = take.int("ramp_ms", 1, 120000)
        self.ramp_fast_ms = take.int("ramp_fast_ms", 1, 60000)
        self.crawl_ms = take.int("crawl_ms", 0, 600000)
        self.crawl_permille = take.int("crawl_permille", 0, 1000)
        self.fallback_ms = take.int("fallback_ms", 1, 600000)
        self.coast_ms = take.int("coast_ms", 1, 600000)
        self.rise_permille_s = take.int("rise_permille_s", 1, 10000)
        self.creep_ms = take.int("creep_ms", 1, 120000)
        self.hold_max_ms = take.int("hold_max_ms", 1, 7200000)
        self.after_run_ms = take.int("after_run_ms", 0, 1800000)

        self.crash_fitted = take.int("crash_fitted", 0, 1)
        self.plug_fitted = take.int("plug_fitted", 0, 1)
        self.charged_fitted = take.int("charged_fitted", 0, 1)
        self.coolant_fitted = take.int("coolant_fitted", 0, 1)
        self.coil_feedback_fitted = take.int("coil_feedback_fitted", 0, 1)
        self.lamp_feedback_fitted = take.int("lamp_feedback_fitted", 0, 1)
        self.hold_fitted = take.int("hold_fitted", 0, 1)

        # 0 passive, 1 air, 2 liquid, 3 chilled, 4 heat sharing
        self.cool_kind = take.int("cool_kind", 0, 4)
        self.cool_on_dc = take.int("cool_on_dc", -_DC, _DC)
        self.cool_full_dc = take.int("cool_full_dc", -_DC, _DC)
        self.chill_dc = take.int("chill_dc", -_DC, _DC)
        self.heat_dc = take.int("heat_dc", -_DC, _DC)
        self.drive_cool_dc = take.int("drive_cool_dc", -_DC, _DC)

        self.debounce = take.pairs("debounce", 0, 60000)  # [row id of the fault table, set time in ms]

        # Rest voltage to charge, rising, for laying it up; best stored at, and topped up from there down.
        self.charge_mv = take.ints("charge_mv", 1, _MV, 2, 40)
        points = len(self.charge_mv)
        self.charge_permille = take.ints("charge_permille", 0, 1000, points, points)
        self.store_permille = take.int("store_permille", 0, 1000)
        self.refill_permille = take.int("refill_permille", 0, 1000)

        # Conversion. Linear channels: full_mv (full_ma) at full_counts, 0 at zero_counts; fewer counts than low is a
        # broken wire, more than high the upper rail. low -1: the channel has no live zero.
        self.convert_pack_zero_counts = take.int("convert_pack_zero_counts", 0, _COUNTS)
        self.convert_pack_full_counts = take.int("convert_pack_full_counts", 1, _COUNTS)
        self.convert_pack_full_mv = take.int("convert_pack_full_mv", 1, _MV)
        self.convert_pack_low_counts = take.int("convert_pack_low_counts", -1, _COUNTS)
        self.convert_pack_high_counts = take.int("convert_pack_high_counts", 1, _COUNTS)
        self.convert_bus_zero_counts = take.int("convert_bus_zero_counts", 0, _COUNTS)
        self.convert_bus_full_counts = take.int("convert_bus_full_counts", 1, _COUNTS)
        self.convert_bus_full_mv = take.int("convert_bus_full_mv", 1, _MV)
        self.convert_bus_low_counts = take.int("convert_bus_low_counts", -1, _COUNTS)
        self.convert_bus_high_counts = take.int("convert_bus_high_counts", 1, _COUNTS)
        self.convert_current_zero_counts = take.int("convert_current_zero_counts", 0, _COUNTS)
        self.convert_current_full_counts = take.int("convert_current_full_counts", 1, _COUNTS)
        self.convert_current_full_ma = take.int("convert_current_full_ma", 0, _MA)
        self.convert_current_low_counts = take.int("convert_current_low_counts", 0, _COUNTS)
        self.convert_current_high_counts = take.int("convert_current_high_counts", 0, _COUNTS)
        self.convert_supply_full_counts = take.int("convert_supply_full_counts", 1, _COUNTS)
        self.convert_supply_full_mv = take.int("convert_supply_full_mv", 1, 100000)
        self.convert_reference_full_mv = take.int("convert_reference_full_mv", 0, 10000)  # at 4095 counts

        # Temperatures: tables of sixteenths of counts at from_dc, then every step_dc; a zone's table begins at start.
        # Fewer counts than low is a short, more than high an open sensor.
        points = take.int("convert_zone_points", 2, 100)
        self.convert_zone_points = points
        self.convert_zone_counts16 = take.ints("convert_zone_counts16", 0, 65520, points, points * _ZONES)
        self.convert_zone_start = take.ints("convert_zone_start", 0, points * (_ZONES - 1), zones, zones)
        self.convert_zone_from_dc = take.int("convert_zone_from_dc", -_DC, _DC)
        self.convert_zone_step_dc = take.int("convert_zone_step_dc", 1, 1000)
        self.convert_zone_low_counts = take.ints("convert_zone_low_counts", 0, _COUNTS, zones, zones)
        self.convert_zone_high_counts = take.ints("convert_zone_high_counts", 0, _COUNTS, zones, zones)

        # Loops. sense: 0 level, 1 toggled, 2 resistor; only the last has counts: below ground shorted to ground, above
        # supply shorted to supply, closed_low to closed_high closed, anything else open.
        loops = len(self.loop_kind)
        self.convert_loop_sense = take.ints("convert_loop_sense", 0, 2, loops, loops)
        self.convert_loop_ground_counts = take.ints("convert_loop_ground_counts", -1, _COUNTS, loops, loops)
        self.convert_loop_closed_low_counts = take.ints("convert_loop_closed_low_counts", 0, _COUNTS, loops, loops)
        self.convert_loop_closed_high_counts = take.ints("convert_loop_closed_high_counts", 0, _COUNTS, loops, loops)
        self.convert_loop_supply_counts = take.ints("convert_loop_supply_counts", 0, _COUNTS, loops, loops)

        # Speed in mm/s is pulse_um * 1000 // period in us. limit_line: 0 duty of 10 to 90 %, 1 enable only.
        self.convert_pulse_um = take.int("convert_pulse_um", 0, 1000000)
        self.convert_speed_max_mm_s = take.int("convert_speed_max_mm_s", 0, 100000)
        self.convert_stop_pulse_us = take.int("convert_stop_pulse_us", 1, 10000)
        self.convert_crash_pulse_ms = take.int("convert_crash_pulse_ms", 0, 500)
        self.convert_limit_line = take.int("convert_limit_line", 0, 1)

        # Isolation. output: 0 good/bad line, 1 duty, 2 frequency, 3 frames. points rise: hundredths of a percent, or of
        # a hertz; ohm belongs to them one by one. fault_low to fault_high is the monitor's own fault (-1 none).
        self.convert_iso_output = take.int("convert_iso_output", 0, 3)
        self.convert_iso_good_ohm = take.int("convert_iso_good_ohm", 0, _OHM)
        self.convert_iso_bad_ohm = take.int("convert_iso_bad_ohm", 0, _OHM)
        self.convert_iso_points = take.ints("convert_iso_points", 0, 100000, 0, 40)
        count = len(self.convert_iso_points)
        self.convert_iso_ohm = take.ints("convert_iso_ohm", 0, _OHM, count, count)
        self.convert_iso_fault_low = take.int("convert_iso_fault_low", -1, 100000)
        self.convert_iso_fault_high = take.int("convert_iso_fault_high", -1, 100000)
        self.convert_iso_stale_ms = take.int("convert_iso_stale_ms", 0, 60000)

        # CAN, empty without: the first identifier that is sent (-1 none); how many numbers tell of the isolation
        # monitor's frame, and those; then those of the speed's (convert/frames.py).
        self.can = take.can("can")

        # Places: 0 to 29 a pin, 100 on a converter's channel, 200 on a bit of the input registers, 300 on one of the
        # output registers, -1 not fitted; in the orders that board/plan.py names. All empty: no board, host only.
        self.pins_out = take.ints("pins_out", -1, 399, 0, 18)
        fitted = 1 if self.pins_out else 0
        self.pins_duty = take.ints("pins_duty", -1, 29, 4 * fitted, 4 * fitted)
        self.pins_in = take.ints("pins_in", -1, 299, 13 * fitted, 13 * fitted)
        self.pins_channel = take.ints("pins_channel", -1, 199, 5 * fitted, 5 * fitted)
        self.pins_zone = take.ints("pins_zone", -1, 199, zones * fitted, zones * fitted)
        self.pins_loop = take.ints("pins_loop", -1, 299, loops * fitted, loops * fitted)
        self.pins_line = take.ints("pins_line", -1, 29, 2 * fitted, 2 * fitted)
        self.pins_bus = take.ints("pins_bus", -1, 29, 8 * fitted, 8 * fitted)
        take.end()


def load(data):
    """Return the `Build` in the bytes of a packed file.

    Errors: ValueError that says what is wrong: schema, digest, JSON, or a key of `Build`.
    """
    end = data.find(b"\n")
    head, body = (data[:end], data[end + 1 :]) if end >= 0 else (data, b"")
    if head[: len(MAGIC) + 1] != MAGIC + b" ":
        raise ValueError("build: the file does not begin with '%s'" % MAGIC.decode())
    if head[len(MAGIC) + 1 :] != binascii.hexlify(hashlib.sha256(body).digest()):
        raise ValueError("build: the digest does not fit, the file is damaged")
    return Build(json.loads(body))
