"""How keys must fit together: each rule broken once, with the line that says so.

The numbers follow by hand from formulas that have checks of their own (test_rc.py), as for the truck
C*V^2 = 1.1 mF * (420 V)^2 = 194 J, a short on the bus (420 V)^2/95 ohm = 1.857 kW over travel 30 ms, noticing 40 ms,
release 40 ms and two ticks = 278.5 J, dead level 60 V - 3 V = 57 V, discharge 1.05 kohm * 1.1 mF * ln(420/57) = 2.31 s.
"""

import re

import pytest

CART_DISCHARGE = """\
kind = "resistor"
resistance = "220 ohm"
tolerance = "10 %"
pulse_energy = "100 J"
cooling_time = "60 s"
rated_voltage = "250 V"
window = "5 s"
normally_closed = false
release_delay = "none\""""

SLIPS = [
    (
        "orchard_truck",
        [('under = "295 V"', 'under = "305 V"')],
        ['pack.lowest = "300 V": must be above under (305 V); the order is under <= lowest < low < nominal'],
    ),
    (
        "orchard_truck",
        [('low = "315 V"', 'low = "299 V"')],
        ['pack.low = "299 V": must be above lowest (300 V); the order is under <= lowest < low < nominal'],
    ),
    (
        "orchard_truck",
        [('over = "425 V"', 'over = "420 V"')],
        ['pack.over = "420 V": must be above highest (420 V); the order is nominal < charge_end <= highest < over'],
    ),
    (
        "orchard_truck",
        [('charge_end = "415 V"', 'charge_end = "421 V"')],
        [
            'pack.highest = "420 V": must be above charge_end (421 V); the order is nominal < charge_end <= '
            "highest < over"
        ],
    ),
    (
        "orchard_truck",
        [('failing = "8 V"', 'failing = "9.5 V"')],
        [
            'supply.low = "9.5 V": must be above failing (9.5 V); the order is failing < low < nominal < '
            "high < full_scale"
        ],
    ),
    (
        "orchard_truck",
        [('hot = "52 degC"', 'hot = "49 degC"')],
        ['limits.pack.hot = "49 degC": must be above warm (50 degC); the order is cold < warm < hot < trip'],
    ),
    (
        "orchard_truck",
        [('trip = "85 degC"', 'trip = "75 degC"')],
        ['limits.inverter.trip = "75 degC": must be above hot (75 degC); the order is hot < trip'],
    ),
    (
        "orchard_truck",
        [('on = "30 degC"', 'on = "60 degC"')],
        ['cooling.full = "50 degC": must be above on (60 degC); the order is on < full'],
    ),
    (
        "orchard_truck",
        [('warn = "1000 ohm/V"', 'warn = "500 ohm/V"')],
        ['isolation.warn = "500 ohm/V": must be above fault (500 ohm/V); the order is fault < warn'],
    ),
    (
        "orchard_truck",
        [('ramp_fast = "5 s"', 'ramp_fast = "20 s"')],
        ['timing.ramp_fast = "20 s": must be shorter than ramp (20 s): it is the urgent one'],
    ),
    (
        "orchard_truck",
        [("full_counts = 3900", "full_counts = 400")],
        ["voltage_sense.pack.full_counts = 400: must be above zero_counts (400)"],
    ),
    (
        "orchard_truck",
        [("zero_counts = 2048", "zero_counts = 1900")],
        [
            "current_sense.full_counts = 4000: must be 1901 to 3799: above zero_counts, and no further than "
            "the same current backwards can be read"
        ],
    ),
    (
        "orchard_truck",
        [("closed_counts = [1300, 1480]", "closed_counts = [1480, 1300]")],
        [
            "loop[2].closed_counts = [1480, 1300]: the order is 0 < ground_below < closed_counts < "
            "supply_above < 4095, so that each state has its band"
        ],
    ),
    (
        "orchard_truck",
        [('fault_duty = ["1 %", "5 %"]', 'fault_duty = ["5 %", "1 %"]')],
        ['isolation.fault_duty = ["5 %", "1 %"]: the lowest comes first'],
    ),
    (
        "orchard_truck",
        [('fault_duty = ["1 %", "5 %"]', 'fault_duty = ["1 %", "12 %"]')],
        [
            'isolation.fault_duty = ["1 %", "12 %"]: must not hold a point of the table: the same output '
            "would mean two things"
        ],
    ),
    (
        "orchard_truck",
        [('["336 V", "10 %"]', '["300 V", "10 %"]')],
        [
            'pack.charge_table = [["300 V", "0 %"], ["300 V", "10 %"], ["350 V", "20 %"], ...: voltage and '
            "charge must rise from point to point"
        ],
    ),
    (
        "orchard_truck",
        [('["86 %", "52.6 kohm"]', '["90 %", "52.6 kohm"]')],
        [
            'isolation.table = [["90 %", "0 ohm"], ["90 %", "52.6 kohm"], ["83 %", "95.9...: no two points '
            "may be closer than 0.01 % of duty or 0.01 Hz"
        ],
    ),
    (
        "orchard_truck",
        [('["86 %", "52.6 kohm"]', '["86 %", "100 kohm"]')],
        [
            'isolation.table = [["90 %", "0 ohm"], ["86 %", "100 kohm"], ["83 %", "95.9 ...: the resistance '
            "must rise all the way or fall all the way"
        ],
    ),
    (
        "orchard_truck",
        [
            ('name = "pack middle"', 'name = "pack front"'),
            ('covered_by = ["pack middle"]', "covered_by = []"),
            ('covered_by = ["pack middle"]', "covered_by = []"),
            ('covered_by = ["pack front", "pack rear"]', "covered_by = []"),
        ],
        ['zone[2].name = "pack front": is taken: every fault names its place, so each needs its own name'],
    ),
    (
        "orchard_truck",
        [('covered_by = ["pack middle"]', 'covered_by = ["pack front"]')],
        ['zone[1].covered_by = ["pack front"]: a zone cannot stand in for itself'],
    ),
    (
        "orchard_truck",
        [('covered_by = ["pack middle"]', 'covered_by = ["pack midle"]')],
        ['zone[1].covered_by = ["pack midle"]: there is no zone "pack midle"; did you mean "pack middle"?'],
    ),
    (
        "orchard_truck",
        [('covered_by = ["pack middle"]', 'covered_by = ["motor winding"]')],
        ['zone[1].covered_by = ["motor winding"]: "motor winding" is a zone of the motor, not of the pack'],
    ),
    (
        "orchard_truck",
        [("[card]", '[debounce]\nLOOP_OPN = "60 ms"\n[card]')],
        ['debounce.LOOP_OPN = "60 ms": is not a fault\'s name; did you mean "LOOP_OPEN"?'],
    ),
    (
        "orchard_truck",
        [("[card]", '[debounce]\nEMERGENCY_STOP = "60 ms"\n[card]')],
        [
            'debounce.EMERGENCY_STOP = "60 ms": has no set time to change: it is judged at once or by a '
            "sequence of its own"
        ],
    ),
    (
        "orchard_truck",
        [("[card]", '[debounce]\nLOOP_OPEN = "50 ms"\n[card]')],
        ['debounce.LOOP_OPEN = "50 ms": must be whole ticks of 20 ms'],
    ),
    (
        "bench_cart",
        [('where = "pack"', 'where = "motor"')],
        [
            "zone = "
            '[{"name": "pack", "where": "motor", "sensor": "ntc", "r25...: one zone at least must be in the pack',
            'limits.motor = "none": there is a zone in the motor, so it needs its limits',
        ],
    ),
    (
        "bench_cart",
        [('inverter = "none"', 'inverter = { hot = "70 degC", trip = "80 degC" }')],
        ['limits.inverter: there is no zone in the inverter; write "none"'],
    ),
    (
        "orchard_truck",
        [("active_while_plugged = true\n", "")],
        [
            "isolation.active_while_plugged: is missing: with a charge plug two monitors may disturb each "
            "other, so say true or false"
        ],
    ),
    (
        "bench_cart",
        [("ac_protected = false", "ac_protected = false\nactive_while_plugged = true")],
        ["isolation.active_while_plugged = true: there is no charge plug; leave it out"],
    ),
    (
        "bench_cart",
        [('charger_done = "none"', 'charger_done = "fitted"')],
        ['inputs.charger_done = "fitted": there is no charge plug; write "none"'],
    ),
    (
        "orchard_truck",
        [("hold_relay = true", "hold_relay = true\nsupply_through_key = false")],
        ["build.supply_through_key = false: only counts without a hold relay; leave it out"],
    ),
    (
        "bench_cart",
        [("supply_through_key = false", "")],
        ["build.supply_through_key: is missing: without a hold relay it must be stated (false)"],
    ),
    (
        "bench_cart",
        [("normally_closed = false", "normally_closed = true")],
        [
            'discharge.release_delay = "none": a normally closed contact needs a hardware delay, or it '
            "closes while a main is still opening (S6)"
        ],
    ),
    (
        "bench_cart",
        [('release_delay = "none"', 'release_delay = "1 s"')],
        ['discharge.release_delay = "1 s": only a normally closed contact has one; write "none"'],
    ),
    (
        "bench_cart",
        [('coolant_feedback = "none"', 'coolant_feedback = "fitted"')],
        ['inputs.coolant_feedback = "fitted": passive cooling moves no coolant; write "none"'],
    ),
    (
        "orchard_truck",
        [('tick = "20 ms"', 'tick = "12.5 ms"')],
        ['build.tick = "12.5 ms": must be whole milliseconds'],
    ),
    (
        "orchard_truck",
        [('heartbeat_hold = "100 ms"', 'heartbeat_hold = "20 ms"')],
        [
            'build.heartbeat_hold = "20 ms": must be longer than a tick (20 ms), or the coils drop out '
            "between two heartbeats"
        ],
    ),
    (
        "orchard_truck",
        [('close_time = "30 ms"', 'close_time = "30.5 ms"')],
        ['contactor.close_time = "30.5 ms": must be whole milliseconds'],
    ),
]

RULES = [
    (
        "orchard_truck",
        [('[voltage_sense.bus]\nproof = "live_zero"', '[voltage_sense.bus]\nproof = "none"')],
        [
            'voltage_sense.bus.proof = "none": must be "live_zero": a bus channel that cannot prove itself '
            "reads a broken wire as a dead bus"
        ],
    ),
    (
        "orchard_truck",
        [('over = "425 V"', 'over = "463 V"')],
        [
            'pack.over = "463 V": must be below 462 V, 1.1 times pack.highest: from there on a reading is '
            "implausible, not too high"
        ],
    ),
    (
        "bench_cart",
        [('under = "79 V"', 'under = "42 V"')],
        [
            'pack.under = "42 V": must be above 42 V, half of pack.lowest: from there down a reading is '
            "implausible, not too low"
        ],
    ),
    (
        "orchard_truck",
        [('full_scale = "500 V"', 'full_scale = "450 V"')],
        [
            'voltage_sense.pack.full_scale = "450 V": must be 462 V or more, 1.1 times pack.highest, so that '
            "a voltage too high is still read"
        ],
    ),
    (
        "orchard_truck",
        [("zero_counts = 400", "zero_counts = 90")],
        [
            "voltage_sense.pack.zero_counts = 90: must be 100 or more for a live zero: a broken wire reads "
            "near 0, give or take 16 counts"
        ],
    ),
    (
        "orchard_truck",
        [('error = "3 V"', 'error = "0.1 V"')],
        ['voltage_sense.pack.error = "0.1 V": must be 142.9 mV or more: that is one converter count'],
    ),
    (
        "orchard_truck",
        [("full_counts = 3900", "full_counts = 4080")],
        [
            "voltage_sense.pack.full_counts = 4080: must be 4063 or less, so that full scale can be told "
            "from the upper rail"
        ],
    ),
    (
        "orchard_truck",
        [('full_scale = "500 A"', 'full_scale = "320 A"')],
        [
            'current_sense.full_scale = "320 A": must be 330 A or more, 1.1 times the pack\'s limits, so '
            "that too much is still read"
        ],
    ),
    (
        "orchard_truck",
        [('threshold = "5 A"', 'threshold = "3 A"')],
        ['current_sense.threshold = "3 A": must be above the sensor\'s error (3 A), or no current is never seen'],
    ),
    (
        "orchard_truck",
        [("full_counts = 4000", "full_counts = 4090")],
        ["current_sense.full_counts = 4090: leaves less than 32 counts to a rail, which must stay recognisable"],
    ),
    (
        "orchard_truck",
        [('volts = "1.5 V"', 'volts = "3.2 V"')],
        ['reference_sense.volts = "3.2 V": must be below 3.135 V, or a converter stuck at its rail would pass'],
    ),
    (
        "bench_cart",
        [
            (
                '[voltage_sense.bus]\nproof = "live_zero"\nfull_scale = "130 V"\nzero_counts = 400\nfull_counts '
                '= 3900\nerror = "1 V"',
                '[voltage_sense.bus]\nproof = "live_zero"\nfull_scale = "130 V"\nzero_counts = 400\nfull_counts '
                '= 3900\nerror = "4.5 V"',
            )
        ],
        [
            'voltage_sense.bus.error = "4.5 V": must be below 4.2 V: the dead level, min(60 V, 20 % of '
            "pack.lowest) less this error, must stand out of it threefold"
        ],
    ),
    (
        "orchard_truck",
        [('bleed = "47 kohm"', 'bleed = "1 Mohm"'), ('capacitance = "1000 uF"', 'capacitance = "10 mF"')],
        [
            'bus.bleed = "1 Mohm": at the dead level it would take 42.96 min to tell a falling bus from a '
            "live one, allowed are 600 s: lower the bleed, the capacitance or the bus channel's error",
            # 11 mF * (420 V)^2; the short would take 1.857 kW for 410 ms, 761 J.
            'precharge.pulse_energy = "600 J": must be 1.94 kJ or more: so much one start from 420 V may take, or a '
            "short on the bus until it is noticed (S12)",
            'discharge.resistance = "1 kohm": from 420 V the dead level of 57 V is reached after 23.07 s '
            "(1.05 kohm at most), the window ends at 5 s; 227.6 ohm or less, tolerance included, would do",
            # 970.2 J + (420 V)^2/950 ohm * (783 ms of proof + 30 ms + 40 ms + two ticks)
            'discharge.pulse_energy = "400 J": must be 1.136 kJ or more: one proof pulse and one emergency '
            "discharge from 420 V (S12)",
        ],
    ),
    (
        "orchard_truck",
        # With less than 420^2/37.05 * 0.13 s = 618.9 J for a short it would be told of that as well.
        [('resistance = "100 ohm"', 'resistance = "39 ohm"'), ('pulse_energy = "600 J"', 'pulse_energy = "619 J"')],
        [
            'precharge.resistance = "39 ohm": must be 40 ohm or more with 1 mF: R*C of less than two ticks '
            "cannot be told from a short"
        ],
    ),
    (
        "orchard_truck",
        [('resistance = "100 ohm"', 'resistance = "70 kohm"'), ('bleed = "47 kohm"', 'bleed = "1 Mohm"')],
        [
            'precharge.resistance = "70 kohm": must be 60 kohm or less: R*C may last a minute at most',
            'precharge.fraction = "95 %": is never reached: the bleed of 1 Mohm holds the bus at 93.15 %',
        ],
    ),
    (
        "orchard_truck",
        [('bleed = "47 kohm"', 'bleed = "1.9 kohm"')],
        ['precharge.fraction = "95 %": is never reached: the bleed of 1.9 kohm holds the bus at 94.76 %'],
    ),
    (
        "orchard_truck",
        [('bleed = "47 kohm"', 'bleed = "3 kohm"')],
        [
            'precharge.tolerance = "5 %": the slowest parts reach the fraction after 456.3 ms, the window '
            "ends at 449.4 ms (1.5 times nominal): closer tolerances, or a bleed that draws less"
        ],
    ),
    (
        "orchard_truck",
        [
            ('tolerance = "5 %"', 'tolerance = "30 %"'),
            ('capacitance_tolerance = "10 %"', 'capacitance_tolerance = "30 %"'),
        ],
        [
            'precharge.tolerance = "30 %": the slowest parts reach the fraction after 514 ms, the window '
            "ends at 449.4 ms (1.5 times nominal): closer tolerances, or a bleed that draws less",
            'precharge.tolerance = "30 %": the fastest parts reach the fraction after 146.8 ms, before the '
            "window opens (half of nominal)",
        ],
    ),
    (
        "orchard_truck",
        [
            ('close_time = "30 ms"', 'close_time = "500 ms"'),
            ('resistance = "100 ohm"', 'resistance = "50 ohm"'),
            # A short would heat for 600 ms: 420^2/47.5 * 0.6 s = 2228.2 J.
            ('pulse_energy = "600 J"', 'pulse_energy = "2229 J"'),
        ],
        ['contactor.close_time = "500 ms": must be shorter than the whole precharge (375 ms)'],
    ),
    (
        "orchard_truck",
        [('pulse_energy = "600 J"', 'pulse_energy = "278 J"')],
        [
            'precharge.pulse_energy = "278 J": must be 278.5 J or more: so much one start from 420 V may take, or a '
            "short on the bus until it is noticed (S12)"
        ],
    ),
    (
        "orchard_truck",
        # Into 200 ohm a short heats less than a start may: 420^2/190 * 0.17 s = 157.8 J.
        [('resistance = "100 ohm"', 'resistance = "200 ohm"'), ('pulse_energy = "600 J"', 'pulse_energy = "193 J"')],
        [
            'precharge.pulse_energy = "193 J": must be 194 J or more: so much one start from 420 V may take, or a '
            "short on the bus until it is noticed (S12)"
        ],
    ),
    (
        "orchard_truck",
        [('continuous = "25 W"', 'continuous = "3 W"')],
        [
            'precharge.cooling_time = "120 s": must be 200 s or more: faster cooling would shed more than '
            "the 3 W that it stands for ever"
        ],
    ),
    (
        "orchard_truck",
        [('resistance = "1 kohm"', 'resistance = "2.3 kohm"')],
        [
            'discharge.resistance = "2.3 kohm": from 420 V the dead level of 57 V is reached after 5.306 s '
            "(2.415 kohm at most), the window ends at 5 s; 2.276 kohm or less, tolerance included, would do"
        ],
    ),
    (
        "bench_cart",
        [(CART_DISCHARGE, 'kind = "bleed"\nwindow = "50 s"')],
        [
            'discharge.window = "50 s": from 116 V the dead level of 15.8 V is reached after 52.63 s (10 '
            "kohm at most), the window ends at 50 s"
        ],
    ),
    (
        "orchard_truck",
        [
            ('release_time = "40 ms"', 'release_time = "500 ms"'),
            ('window = "5 s"', 'window = "400 ms"'),
            ('resistance = "1 kohm"', 'resistance = "100 ohm"'),
            # Both heat until the contactor has let go, 1857 W for 0.61 s and, after 97 J, for 0.578 s.
            ('pulse_energy = "600 J"', 'pulse_energy = "1133 J"'),
            ('pulse_energy = "400 J"', 'pulse_energy = "1170 J"'),
        ],
        ['contactor.release_time = "500 ms": must be shorter than the discharge window'],
    ),
    (
        "orchard_truck",
        [
            ('proof_max = "30 s"', 'proof_max = "1 s"'),
            ('resistance = "1 kohm"', 'resistance = "20 kohm"'),
            ('window = "5 s"', 'window = "60 s"'),
        ],
        [
            'timing.proof_max = "1 s": must be 1.566 s or more: so long the bus needs to fall far enough to '
            "prove the positive main open"
        ],
    ),
    (
        "orchard_truck",
        # 97.02 J + 420^2/950 * (78.3 ms of proof + 30 ms + 40 ms + two ticks) = 97.02 J + 34.97 J
        [('pulse_energy = "400 J"', 'pulse_energy = "131 J"')],
        [
            'discharge.pulse_energy = "131 J": must be 132 J or more: one proof pulse and one emergency '
            "discharge from 420 V (S12)"
        ],
    ),
    (
        "bench_cart",
        [('normally_closed = false\nrelease_delay = "none"', 'normally_closed = true\nrelease_delay = "30 ms"')],
        ['discharge.release_delay = "30 ms": must be 40 ms or more, the mains\' release time (S6)'],
    ),
    (
        "orchard_truck",
        [('rated_voltage = "900 V"', 'rated_voltage = "400 V"')],
        ['contactor.rated_voltage = "400 V": must be 420 V or more, the highest working voltage'],
    ),
    (
        "orchard_truck",
        [('rated_voltage = "1000 V"', 'rated_voltage = "160 V"')],
        ['precharge.rated_voltage = "160 V": must be 420 V or more, the highest working voltage'],
    ),
    (
        "orchard_truck",
        [('rated_current = "400 A"', 'rated_current = "250 A"')],
        ['contactor.rated_current = "250 A": must be 300 A or more, the pack\'s highest current'],
    ),
    (
        "orchard_truck",
        [('voltage = "500 V"', 'voltage = "250 V"')],
        ['ratings[1].voltage = "250 V": must be 420 V or more, the highest working voltage'],
    ),
    (
        "orchard_truck",
        [('current = "125 A"', 'current = "63 A"')],
        ['ratings[4].current = "63 A": must be 120 A or more, the charge current'],
    ),
    (
        "orchard_truck",
        [('current = "125 A"', 'current = "none"')],
        ['ratings[4].current = "none": must be given for a part that carries current'],
    ),
    (
        "orchard_truck",
        [('fault = "500 ohm/V"', 'fault = "400 ohm/V"')],
        [
            'isolation.fault = "400 ohm/V": must not be below the legal minimum of 500 ohm/V (UN R100, '
            "unprotected AC side)"
        ],
    ),
    (
        "orchard_truck",
        [('fault = "500 ohm/V"', 'fault = "300 ohm/V"'), ('warn = "1000 ohm/V"', 'warn = "500 ohm/V"')],
        [
            'isolation.fault = "300 ohm/V": must not be below the legal minimum of 500 ohm/V (UN R100, '
            "unprotected AC side)",
            'isolation.warn = "500 ohm/V": must be above the legal minimum of 500 ohm/V (UN R100, '
            "unprotected AC side): the warning has to come before it is reached",
        ],
    ),
    (
        "bench_cart",
        [('fault = "600 ohm/V"', 'fault = "500 ohm/V"')],
        [
            'isolation.fault = "500 ohm/V": must be above the legal minimum of 500 ohm/V (UN R100, '
            "unprotected AC side): without a warning level it is the only warning"
        ],
    ),
    (
        "bench_cart",
        [('fault = "600 ohm/V"', 'fault = "100 ohm/V"'), ("ac_protected = false", "ac_protected = true")],
        [
            'isolation.fault = "100 ohm/V": must be above the legal minimum of 100 ohm/V (UN R100, '
            "protected AC side): without a warning level it is the only warning"
        ],
    ),
    (
        "orchard_truck",
        [('warn = "1000 ohm/V"', 'warn = "40 kohm/V"'), ('["12 %", "39 Mohm"],\n', "")],
        [
            'isolation.table = [["90 %", "0 ohm"], ["86 %", "52.6 kohm"], ["83 %", "95.9...: must reach '
            "from 105 kohm (half of fault) to 18.48 Mohm (warn and a tenth) at 420 V, or a limit is out of sight"
        ],
    ),
    (
        "orchard_truck",
        [('trip = "55 degC"', 'trip = "59 degC"')],
        [
            'limits.pack.trip = "59 degC": must be 58 degC or less: the lower of cell_max and 60 degC, less '
            "the sensor's error"
        ],
    ),
    (
        "orchard_truck",
        [('full = "50 degC"', 'full = "51 degC"')],
        ['cooling.full = "51 degC": must be 50 degC or less: from limits.pack.warm on cooling is full'],
    ),
    (
        "orchard_truck",
        [('trip = "140 degC"', 'trip = "141 degC"')],
        ['limits.motor.trip = "141 degC": must be 140 degC or less: the sensors\' tables end at 150 degC'],
    ),
    (
        "orchard_truck",
        [('pull_up = "2.2 kohm"', 'pull_up = "100 kohm"')],
        [
            'zone[5].pull_up = "100 kohm": at 25 degC one converter count is worth 6.434 K, allowed is 1 K: '
            "choose it nearer to the sensor's resistance there",
            'zone[5].pull_up = "100 kohm": at 140 degC one converter count is worth 6.72 K, allowed is 1 K: '
            "choose it nearer to the sensor's resistance there",
        ],
    ),
    (
        "bench_cart",
        [("supply_through_key = false", "supply_through_key = true")],
        [
            "build.supply_through_key = true: must be false: key off would take the board's supply before "
            "the bus is proven dead"
        ],
    ),
    (
        "orchard_truck",
        [('sense = "resistor"', 'sense = "resistor"'), ('kind = "watched"', 'kind = "hard"')],
        ['loop[2].sense = "resistor": must be "level": a hard loop carries the coil supply and cannot be tested'],
    ),
]


def without_lines(refused):
    """Line numbers are for test_load.py: here a comment more in a shipped build shall change nothing."""
    code, lines = refused
    return code, [re.sub(r"^build\.toml:\d+: ", "", line) for line in lines]


@pytest.mark.parametrize(("name", "edits", "lines"), SLIPS)
def test_a_slip_of_the_pen_is_wrong_input(refusal, name, edits, lines):
    assert without_lines(refusal(name, *edits)) == (2, lines)


@pytest.mark.parametrize(("name", "edits", "lines"), RULES)
def test_a_build_that_breaks_a_rule_fails_the_check(refusal, name, edits, lines):
    assert without_lines(refusal(name, *edits)) == (1, lines)


@pytest.mark.parametrize(
    ("name", "edits"),
    [
        ("orchard_truck", [('under = "295 V"', 'under = "300 V"')]),  # may be as high as lowest
        ("orchard_truck", [('charge_end = "415 V"', 'charge_end = "420 V"')]),
        ("orchard_truck", [('resistance = "100 ohm"', 'resistance = "40 ohm"'), ('"600 J"', '"603.5 J"')]),  # two ticks
        ("orchard_truck", [('pulse_energy = "600 J"', 'pulse_energy = "278.6 J"')]),
        ("orchard_truck", [('resistance = "100 ohm"', 'resistance = "200 ohm"'), ('"600 J"', '"194.1 J"')]),
        ("orchard_truck", [('pulse_energy = "400 J"', 'pulse_energy = "132 J"')]),
        ("orchard_truck", [('resistance = "1 kohm"', 'resistance = "2.16 kohm"')]),
        ("orchard_truck", [('trip = "55 degC"', 'trip = "58 degC"')]),
        ("orchard_truck", [('warn = "1000 ohm/V"', 'warn = "501 ohm/V"')]),
        ("orchard_truck", [("[card]", '[debounce]\nLOOP_OPEN = "80 ms"\n[card]')]),
        ("bench_cart", [('fault = "600 ohm/V"', 'fault = "501 ohm/V"')]),
        (
            "bench_cart",
            [('fault = "600 ohm/V"', 'fault = "101 ohm/V"'), ("ac_protected = false", "ac_protected = true")],
        ),
        ("bench_cart", [('heartbeat_hold = "100 ms"', 'heartbeat_hold = "21 ms"')]),
        (
            "bench_cart",
            [('normally_closed = false\nrelease_delay = "none"', 'normally_closed = true\nrelease_delay = "40 ms"')],
        ),
    ],
)
def test_the_last_value_that_is_allowed_passes(parse, name, edits):
    assert parse(name, *edits)
