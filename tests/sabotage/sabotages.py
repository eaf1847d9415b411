"""Policies that are broken on purpose: one mistake each, as a change of the source's text, over all promises and files.

Each is a mistake that somebody could make in an honest change. `first` names the scenarios that find it out soonest, so
that trying all of them takes no longer than it must.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Sabotage:
    """One broken policy.

    promise  the promise that it is about
    name     the mistake, as a sentence
    file     in the device package; `before` stands in it exactly once and becomes `after`
    first    scenarios that find it out, the quickest one first
    """

    promise: str
    name: str
    file: str
    before: str
    after: str
    first: tuple[str, ...] = ()


def _in(file: str, *changes: tuple[str, str, str, str, tuple[str, ...]]) -> tuple[Sabotage, ...]:
    """Sabotages of one file: promise, name, before, after, first."""
    return tuple(Sabotage(promise, name, file, *rest) for promise, name, *rest in changes)


SABOTAGES = (
    *_in(
        "policy/start_checks.py",
        (
            "S1",
            "a bus that is not dead is no reason against a start",
            "or (not self.electrics.dead_ms and BUS_NOT_DEAD)",
            "or (0 and BUS_NOT_DEAD)",
            ("bus_still_falling",),
        ),
        (
            "S1",
            "a fault that refuses is no reason against a start",
            "or (self.faults.worst >= T.REFUSE and BY_FAULT)",
            "or (self.faults.worst >= T.WIND and BY_FAULT)",
            ("bus_shorted",),
        ),
        (
            "S1",
            "a rolling vehicle may be started",
            "and NOT_STANDING)",
            "and 0)",
            ("start_judged_by_the_readings_of_its_own_tick",),
        ),
        (
            "S1",
            "a positive main that was not proven open may be used",
            "and PROOF)",
            "and 0)",
            ("cart_after_an_emergency_stop",),
        ),
        (
            "S1",
            "a supply that nobody could read is in range",
            "(i.supply_state or i.supply_mv is None or not",
            "(not",
            ("start_judged_by_the_readings_of_its_own_tick",),
        ),
        (
            "S1",
            "the contact proves the positive main open while it reports closed",
            "and not word & S.AUX_POSITIVE)",
            "and word & S.AUX_POSITIVE)",
            ("board_reset_while_standing_live",),
        ),
        (
            "S12",
            "a hot precharge resistor is no reason against a start",
            "and PRECHARGE_HOT)",
            "and 0)",
            ("bus_shorted",),
        ),
        (
            "S15",
            "a start and a coil test at the same time",
            "& S.SERVICE and SERVICE)",
            "& S.SERVICE and 0)",
            ("start_judged_by_the_readings_of_its_own_tick",),
        ),
    ),
    *_in(
        "policy/phases.py",
        (
            "S2",
            "the second main closes when the bus has stopped rising, at whatever voltage",
            "if bus >= fraction_mv and abs(rise)",
            "if abs(rise)",
            ("bus_shorted",),
        ),
        (
            "S2",
            "the second main closes on a bus that still rises",
            "and abs(rise) * 100 < self.inputs.pack_mv:",
            "and abs(rise) * 5 < self.inputs.pack_mv:",
            ("board_reset_at_speed",),
        ),
        (
            "S2",
            "the second main closes when the time is over",
            "            self._abort(41, bus)",
            "            self._settle(bus, 0)",
            ("precharge_resistor_drifted",),
        ),
        (
            "S2",
            "a bus that comes up too fast is as good as any",
            "if bus >= pack and self.t_ms + self.faults.dt < b.precharge_min_ms:",
            "if 0:",
            ("precharge_too_fast",),
        ),
        ("S3", "a cut leaves the outputs as they are", "        self.outputs.off()\n", "", ("both_mains_welded",)),
        (
            "S4",
            "a vehicle that moves is treated as a standing one",
            "column = 1 + self.motion.moving if live else 0",
            "column = 1 if live else 0",
            ("bus_voltage_jumps_to_zero_at_speed",),
        ),
        (
            "S4",
            "contactors open as soon as the limit is at zero",
            "            if self.finish:\n                self._down()",
            "            if 1:\n                self._down()",
            ("bus_voltage_jumps_to_zero_at_speed",),
        ),
        (
            "S4",
            "a key-off opens at once",
            "        if not self.switches.key:\n            self._wind(0)",
            "        if not self.switches.key:\n            self._down()",
            ("cart_drives_without_speed_and_current",),
        ),
        (
            "S6",
            "discharge is on before anything is opened",
            "o.inverter_enable = o.charger_enable = o.hv_loads_enable = 0  #",
            "o.inverter_enable = o.charger_enable = o.hv_loads_enable = 0; o.discharge = 1  #",
            ("bus_creeps_back",),
        ),
        (
            "S6",
            "the proof pulse comes twice",
            "            self.memory.prove_positive()\n        self._proof_done()",
            "            self.memory.prove_positive()\n        self.enter(POSITIVE_OPENS, 200)",
            ("bus_creeps_back",),
        ),
        (
            "S6",
            "discharge does not wait for the negative main's release time",
            "self.enter(NEGATIVE_OPENS, self.build.release_ms)",
            "self.enter(NEGATIVE_OPENS)",
            ("discharge_resistor_breaks",),
        ),
        (
            "S6",
            "discharge stays on while the bus does not fall",
            "late = failed or self.t_ms - self.wait_ms >= self.build.discharge_window_ms",
            "late = 0",
            ("both_mains_welded",),
        ),
        (
            "S6",
            "a motor that may spin is discharged against",
            "if self.emergency and self.motion.fitted and self.motion.moving:",
            "if 0:",
            ("board_reset_at_speed",),
        ),
        (
            "S1",
            "a welded positive main is taken for an open one",
            "        if fell * 2 < need:",
            "        if fell * 2 < -need:",
            ("discharge_resistor_broken_since_the_last_drive",),
        ),
        (
            "S9",
            "a welded negative main is not looked for",
            "if bus - self.start_mv >= self.inputs.pack_mv // 10:",
            "if bus - self.start_mv >= self.inputs.pack_mv * 10:",
            ("negative_main_welded",),
        ),
        (
            "S5",
            "the board lets its supply go before the bus is proven dead",
            "done = self.proven_dead() and not",
            "done = not",
            ("both_mains_welded",),
        ),
        (
            "S8",
            "the board lets its supply go before everything is stored",
            "self.hold_ms >= self.build.hold_max_ms)",
            "self.hold_ms >= 2000)",
            ("bus_creeps_back",),
        ),
        (
            "S11",
            "a restart while live is a start as any other",
            "self.emergency = self.memory.mark  # as after an emergency",
            "self.emergency = 0",
            ("board_reset_at_speed",),
        ),
        (
            "S12",
            "nothing is put on record before the first contactor closes",
            "self.memory.mark_live(r.precharge_mj + b.precharge_start_mj, r.discharge_mj + b.discharge_emergency_mj)",
            "self.memory.mark_live(r.precharge_mj, r.discharge_mj)",
            ("supply_cut_again_and_again_while_precharging",),
        ),
        (
            "S7",
            "the drive limit is free before the bus has held",
            "self.solid = self.solid_ms = self.full_ms = self.lost_ms = 0\n        self.isolation",
            "self.solid = 1; self.solid_ms = self.full_ms = self.lost_ms = 0\n        self.isolation",
            ("board_reset_at_speed",),
        ),
        (
            "S14",
            "a stage asks a clock of its own",
            "        self.t_ms += dt\n",
            "        self.t_ms += dt + (id(object()) >> 4) % 7\n",
            ("board_reset_at_speed",),
        ),
    ),
    *_in(
        "policy/supervisor.py",
        (
            "S3",
            "a stop while precharging waits for its turn",
            "phases.MARK <= self.phases.stage < phases.ALL_OPEN:",
            "phases.DRIVE <= self.phases.stage < phases.ALL_OPEN:",
            ("emergency_stop_while_precharging",),
        ),
        (
            "S15",
            "a lock is cleared over a link alone",
            "elif not self.switches.edges & S.ACK:",
            "elif 0:",
            ("cart_guard_opened",),
        ),
        (
            "S9",
            "a lock is cleared on a live bus",
            "elif not self.phases.proven_dead():",
            "elif 0:",
            ("bus_fed_before_start",),
        ),
        (
            "S5",
            "the high-voltage lamps go out in a calm drive",
            "outputs.lamp_hv = 1  #",
            "outputs.lamp_hv = 0  #",
            ("board_reset_at_speed",),
        ),
        (
            "S11",
            "a late tick is not told",
            "            self.health.late()",
            "            pass",
            ("loop_overruns_at_speed",),
        ),
        (
            "S12",
            "the heat of before the power cut is forgotten",
            "self.resistors.precharge_mj, self.resistors.discharge_mj = memory.precharge_mj, memory.discharge_mj",
            "pass",
            ("bus_shorted",),
        ),
    ),
    *_in(
        "policy/faults.py",
        (
            "S13",
            "nobody can say which fault decides",
            "self.worst_row = 255 - (best >> 4 & 255) if self.worst else 0",
            "self.worst_row = 0",
            ("board_reset_while_standing_live",),
        ),
        (
            "S13",
            "an event leaves no figure",
            "            self.measured[row] = measured\n",
            "",
            ("hard_loop_opened_at_speed",),
        ),
        (
            "S8",
            "an active fault is not marked for the memory",
            "        self._mark(i, NOTED)  # S8, S9",
            "        pass",
            ("board_reset_while_standing_live",),
        ),
        (
            "S9",
            "a lock is forgotten with the power",
            "        for i in locked:  # S9\n            self.trip(i)",
            "        pass",
            ("board_reset_while_standing_live",),
        ),
        (
            "S10",
            "what could not be judged counts as good",
            "            elif n and not bad & 0x8001:",
            "            elif n and not bad & 1:",
            ("isolation_warning_outlasts_its_monitor",),
        ),
        (
            "S8",
            "the debounce never resets",
            "                n -= dt // 4 or 1",
            "                n -= 0",
            ("bus_voltage_lost_while_standing",),
        ),
        (
            "S15",
            "an emergency stop is over at a key-on without the button",
            "(ends == T.KEY_ACKED and self.acked)",
            "ends == T.KEY_ACKED",
            ("emergency_stop_at_speed",),
        ),
        (
            "S4",
            "the milder of two reactions wins",
            "self.best = ask if ask > self.best else self.best",
            "self.best = ask if ask < self.best or not self.best else self.best",
            ("cart_pack_gets_hot",),
        ),
        (
            "S7",
            "the cap of a second fault takes the first one's place",
            "self.drive = drive if drive < self.drive else self.drive",
            "self.drive = drive",
            ("isolation_warning_outlasts_its_monitor",),
        ),
    ),
    *_in(
        "policy/fault_table.py",
        (
            "S4",
            "an open connector opens the contactors of a moving vehicle",
            '"LOOP_OPEN", 0x0A0A, 0x13, 60, REFUSE, DOWN, WIND,',
            '"LOOP_OPEN", 0x0A0A, 0x13, 60, REFUSE, DOWN, CUT,',
            ("connector_opened_at_speed",),
        ),
        (
            "S9",
            "a welded precharge contactor is no lock",
            "0x0AE2, 0x00, 0, REFUSE, NONE, NONE, LOCK,",
            "0x0AE2, 0x00, 0, REFUSE, NONE, NONE, KEYED,",
            ("precharge_contactor_welded",),
        ),
        (
            "S10",
            "a bus that nobody can read only limits",
            '"BUS_VOLTAGE_BAD", _own(36), 0x00, 200, REFUSE, WIND, FAST,',
            '"BUS_VOLTAGE_BAD", _own(36), 0x00, 200, REFUSE, LIMIT, LIMIT,',
            ("bus_voltage_jumps_to_zero_at_speed",),
        ),
        (
            "S8",
            "an isolation fault needs no more than a moment",
            '"ISOLATION_WARNING", _own(7), 0x00, 5000,',
            '"ISOLATION_WARNING", _own(7), 0x00, 20,',
            ("isolation_fault_at_speed_winds_down",),
        ),
    ),
    *_in(
        "policy/lamps.py",
        (
            "S5",
            "the high-voltage lamps go out as soon as the bus reads dead",
            "self.electrics.dead_ms >= _DEAD_MS and",
            "self.electrics.dead_ms and",
            ("board_reset_at_speed",),
        ),
        (
            "S5",
            "a contact that reports closed does not light the lamps",
            " or self.switches.unsure)",
            ")",
            ("feedback_wire_broken",),
        ),
        (
            "S5",
            "the lamp test lies about high voltage",
            "o.lamp_hv = 0 if dark else 1",
            "o.lamp_hv = 0 if dark or p.stage == _READY else 1",
            ("board_reset_at_speed",),
        ),
    ),
    *_in(
        "policy/limits.py",
        (
            "S7",
            "the caps of faults are left out of the minimum",
            "self._set(FAULT, self.faults.drive >> 8,",
            "self._set(FAULT, T.FULL,",
            ("coolant_not_moving",),
        ),
        (
            "S7",
            "the drive limit rises as fast as it likes",
            "o.drive_limit_permille = min(drive, o.drive_limit_permille + step)",
            "o.drive_limit_permille = drive",
            ("board_reset_at_speed",),
        ),
        (
            "S7",
            "the charge limit is the largest of its limiters",
            "self._least(min(self.drive), min(self.charge))",
            "self._least(min(self.drive), max(self.charge))",
            ("board_reset_at_speed",),
        ),
        (
            "S4",
            "winding down does not take the limit down",
            "self._set(WIND, self.phases.wind_cap, self.phases.wind_cap)",
            "pass",
            ("bus_voltage_jumps_to_zero_at_speed",),
        ),
        (
            "S7",
            "a limit is granted outside of live",
            "if not self.electrics.live or self.phases.phase == _OPENING:",
            "if not self.electrics.live:",
            ("connector_opened_while_standing",),
        ),
        (
            "S7",
            "full drive before isolation is known",
            "_SETTLING_DRIVE if i.watching and not i.settled else T.FULL, T.FULL)",
            "T.FULL, T.FULL)",
            ("board_reset_at_speed",),
        ),
    ),
    *_in(
        "policy/resistors.py",
        (
            "S12",
            "the heat of precharging is not booked",
            "            self.precharge_mj = min(self.precharge_mj + half, _MOST_MJ)",
            "            pass",
            ("key_turned_off_while_precharging_again_and_again",),
        ),
        (
            "S12",
            "a discharge always fits its budget",
            "return self.build.discharge_kind or self.discharge_mj + mj <= self.build.discharge_budget_mj",
            "return True",
            ("both_mains_welded",),
        ),
        (
            "S12",
            "a precharge onto a short makes no heat",
            "        self.precharge_mj = min(self.precharge_mj + self.doubt_mj, _MOST_MJ)\n",
            "",
            ("bus_shorted",),
        ),
    ),
    *_in(
        "policy/monitors/switches.py",
        (
            "S1",
            "a button that is held is a fresh edge",
            "self.edges = word & self.seen_low & known",
            "self.edges = word & known",
            ("bus_shorted",),
        ),
        (
            "S3",
            "an edge between two ticks is lost",
            " | i.latch & _STOP_OR_CRASH)",
            ")",
            ("stop_pulse_of_one_millisecond",),
        ),
    ),
    *_in(
        "policy/monitors/electrics.py",
        (
            "S10",
            "a bus that nobody can read stays dead",
            "self.bus_ok = self.dead_ms = 0",
            "self.bus_ok = 0",
            ("unread_channels_refuse_a_start",),
        ),
        (
            "S10",
            "a bus that drops to nothing within a tick is a reading",
            "bad = bus is not None and bus < b.dead_mv and self.last_bus_mv > 3 * b.dead_mv",
            "bad = 0",
            ("bus_reading_jumps_to_zero_while_it_cannot_be_emptied",),
        ),
        (
            "S3",
            "one sign is enough for a contactor that dropped out",
            "if signs > 1 else 0",
            "if signs > 0 else 0",
            ("cold_pack_drives_without_regeneration",),
        ),
        (
            "S5",
            "a bus above the dead level counts as dead",
            "if bus < b.dead_mv else 0\n        bad = _BUS_OVER",
            "if bus < 3 * b.dead_mv else 0\n        bad = _BUS_OVER",
            ("board_reset_at_speed",),
        ),
        (
            "S10",
            "a current that nobody can read is a low one",
            "            self.low = -1\n            return _NO_CURRENT",
            "            self.low = 1\n            return 0",
            ("current_sensor_lost",),
        ),
    ),
    *_in(
        "policy/monitors/motion.py",
        (
            "S4",
            "a speed that nobody can read is standing",
            "            self.quiet_ms = 0  # no reading is not silence (S10)\n            bad = 1",
            "            self.quiet_ms += self.faults.dt",
            ("speed_lost_while_standing",),
        ),
        (
            "S4",
            "a jump from speed to nothing is standing",
            "                bad = 2",
            "                bad = 0",
            ("speed_lost_at_speed",),
        ),
        (
            "S4",
            "the fallback does not wait for the limits",
            "if o.drive_limit_permille or o.charge_limit_permille:",
            "if 0:",
            ("cart_drives_without_speed_and_current",),
        ),
    ),
    *_in(
        "policy/monitors/isolation.py",
        (
            "S10",
            "a lost isolation monitor says nothing",
            "if i.isolation_state == S.RANGE else _LOST",
            "if i.isolation_state == S.RANGE else 0",
            ("isolation_monitor_lost_at_speed",),
        ),
        (
            "S4",
            "a gross leak waits for the first settled reading",
            "(_GROSS if ohm * 2 < b.iso_fault_ohm else 0)",
            "0",
            ("isolation_gross_leak_while_settling",),
        ),
        (
            "S7",
            "a reading from before closing counts",
            "<= self.closed_ms - b.iso_settle_ms and",
            "<= self.closed_ms + b.iso_settle_ms and",
            ("board_reset_at_speed",),
        ),
    ),
    *_in(
        "policy/monitors/thermal.py",
        (
            "S10",
            "a temperature that nobody can read is a good one",
            "bad = _UNREAD | (_SHORT if bad == S.SHORT and zone.where == 0 else _OPEN)",
            "bad = 0",
            ("drive_sensors_bad",),
        ),
        (
            "S4",
            "a pack above its trip level is only hot",
            "self.held = _HOT | _TRIP",
            "self.held = _HOT",
            ("cart_pack_gets_hot",),
        ),
        (
            "S4",
            "a pack that runs away is not noticed",
            "            f.trip(18, zone.dc)",
            "            pass",
            ("pack_running_away_at_speed",),
        ),
    ),
    *_in(
        "policy/monitors/health.py",
        (
            "S10",
            "a supply that nobody can read is good",
            "bad = 2  # a supply",
            "bad = 0  # a supply",
            ("supply_unread_at_speed",),
        ),
        (
            "S11",
            "late ticks are forgotten one by one",
            "self.overruns += 1",
            "self.overruns = 1",
            ("loop_overruns_at_speed",),
        ),
        ("S9", "a new memory is as good as an old one", "((76, m.new),", "((76, 0),", ("memory_new_cart",)),
        (
            "S11",
            "a self-test that fails is no fault",
            "bad |= 8 if off else 0",
            "bad |= 0",
            ("self_test_fails_at_speed",),
        ),
    ),
    *_in(
        "policy/cooling.py",
        (
            "S10",
            "nobody knows how hot it is, so nothing is cooled",
            "        if not known or self.faults.places[14] or dc >= b.cool_full_dc:",
            "        if not known:\n            return 0\n        if self.faults.places[14] or dc >= b.cool_full_dc:",
            ("pack_sensors_open_uncovered_at_speed",),
        ),
        (
            "S10",
            "coolant that does not move is not asked for",
            "level = self.build.coolant_fitted if o.pump_permille else 0",
            "level = 0",
            ("coolant_not_moving",),
        ),
    ),
    *_in(
        "policy/part.py",
        (
            "S3",
            "parts hold commands of their own",
            '"inputs", "outputs") + self.uses:',
            '"inputs") + self.uses:',
            ("board_reset_at_speed",),
        ),
    ),
)
