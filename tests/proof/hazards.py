"""What each promise is there against, and what no program can keep: written by hand, read by the assurance page."""

# Promise to the hazard that it stands against.
HAZARDS = {
    "S1": "The bus comes alive where it must not: a lid open, insulation bad, a charge plug in, somebody at work on "
    "it, the vehicle rolling; or a main contactor closes onto a bus that is up and welds.",
    "S2": "Inrush through the second main contactor onto an empty bus: welded contacts, blown fuse, burst capacitors.",
    "S3": "After an emergency stop, a crash or a hard loop opened, torque or high voltage stays on.",
    "S4": "Drive power lost at speed without warning, and contactors that part under load and burn.",
    "S5": "Somebody touches a bus that is live while the lamps are dark.",
    "S6": "The discharge resistor lies across the pack and burns, or the bus is taken for discharged and is not.",
    "S7": "Torque or braking that nobody asked for; current that cells, cables or inverter do not stand at that heat, "
    "cold or voltage.",
    "S8": "A fault is forgotten: the next person drives or repairs without knowing, and nobody can tell what happened.",
    "S9": "Switched off and on again, and driven: a welded contactor, a failed discharge or a crash passes for healed.",
    "S10": "A broken wire, a dead sensor or an old value passes for good: no leak, no heat, a dead bus.",
    "S11": "The program hangs, starts anew or is half installed, and contactors stay closed with nobody watching.",
    "S12": "Repeated starts overheat the precharge or discharge resistor: fire, or a resistor that breaks and leaves "
    "the bus charged.",
    "S13": "Who is not told why looks in the wrong place, bridges a loop or clears a code, beside live parts.",
    "S14": "What was tried on a host is not what a board does: the tests prove nothing.",
    "S15": "Somebody at a terminal, or a wrong byte on a line, closes a contactor while hands are inside.",
}

# Promise to where it is kept as a whole, beside the functions that name it: a text and the paths below firmware/.
KEPT_AS_A_WHOLE = {
    "S13": ("the answers, all of them", ("loopwarden/words.py", "loopwarden/readings.py", "loopwarden/texts.py")),
    "S14": ("every decision and conversion: integers only", ("loopwarden/policy", "loopwarden/convert")),
}

# Promise to who judges it where the promise monitor cannot see it, and the paths below the root.
JUDGED_ELSEWHERE = {
    "S8": ("power cuts at flash operations, the records read anew after each", ("tests/memory/test_power_cuts.py",)),
    "S9": (
        "each lock over power cycles, with one copy and with both lost",
        ("tests/policy/test_start_checks.py", "tests/memory/test_flash.py"),
    ),
    "S11": (
        "the virtual board, at coils and lamps behind the gate; installations that are cut off",
        ("tests/sim/test_virtual_board.py", "tests/install/test_cuts.py"),
    ),
    "S14": (
        "a digest over every command: each scenario twice, recorded inputs under three interpreters",
        ("host_sim/loopwarden_sim/runner.py", "tests/policy/test_same_everywhere.py"),
    ),
}

# Hazard, why the program cannot keep it, what does it instead.
NOT_COVERED = (
    (
        "A discharge contact that welds: its resistor heats for as long as the bus is live",
        "no reading shows it, and a contact that is welded obeys no command",
        "a thermal cut-out on the resistor; a resistor for full voltage; the discharge watched at "
        "[bring-up](bring_up.md) and after each service",
    ),
    (
        "Emergency stop",
        "a program is none: it may hang, and a driver may stick on",
        "the button and every hard loop break the [coil supply](circuits.md#coil-supply-and-drivers); the program "
        "comes second",
    ),
    (
        "A main contactor that is welded",
        "it is found and locked out, but nothing that a coil does opens it",
        "the service disconnect, pulled without load; the pack fuse; proof by a tester ([cautions](cautions.md))",
    ),
    (
        "A coil driver that sticks on, or a coil's wire chafed through to 0 V",
        "the command is off, and the coil has current",
        "one alone brings no voltage to the bus; stop, gate and fuse stand in series; driver feedback shows it",
    ),
    (
        "A loop's wire shorted to the supply behind its last contact",
        "it reads closed, and a hard loop feeds the coils past it",
        "that wire alone, inside a shield; a [resistor or a changing level](circuits.md#kinds-of-loop); each connector "
        "opened at bring-up",
    ),
    (
        "Lamps: a bulb or its wire broken, so dark on a live bus",
        "a lamp that is asked for need not light; its driver's feedback sees the driver only",
        "[lit unless held off](circuits.md#lamps) by wiring; a light that the bus itself feeds; dark proves nothing",
    ),
    (
        "Short circuit of pack or bus",
        "it is over before a tick is; contactors are not made to break it",
        "the pack fuse, and one for each thinner branch ([parts](parts.md#fuses-and-disconnect))",
    ),
    (
        "Insulation, creepage, clearance, enclosures, bonding",
        "the monitor sees a leak to chassis only, not how little keeps one from coming, nor one pole to the other",
        "[enclosures](enclosures.md), ticked and signed; isolation and bonding measured by a person",
    ),
    (
        "A sensor that lies plausibly: a high-voltage tap that came off reads as a dead bus, a thermometer that fell "
        "off reads cool",
        "a value in its range, fresh and steady cannot be told from the truth; the dead reading most of all",
        "two taps on two bolts; pack against bus while live; known voltage, resistor, warmth at bring-up; the tester",
    ),
    (
        "A speed input that only shows no pulses",
        "standing and a cut wire look alike; current and times narrow it down, no more",
        "a sensor whose wire is supervised; chocks; a time to roll out in the build that was measured",
    ),
    (
        "The inverter's own program and what it makes of a limit line",
        "torque is made there; the line can only ask",
        "its maker's own safe stop; enable and limit lines that mean zero when broken; the hard loop takes its supply",
    ),
    (
        "Single cells: over- and under-voltage, balance",
        "the pack is measured at its poles only",
        "a monitor for the cells, its contact in a permit loop",
    ),
    (
        "A cell that is running away",
        "it warns and opens; what burns goes on burning",
        "distance, vents, the fire service ([cautions](cautions.md#when-it-goes-wrong))",
    ),
    (
        "A bus that is fed from elsewhere: a motor that is turned, a charger, a converter",
        "open contactors do not end it, and discharging would only heat the resistor",
        "lamps stay lit; wheels chocked; every source found and parted first",
    ),
    (
        "Bolts that loosen, contacts that burn",
        "no sensor sits at each joint",
        "torque marks, inspection when it is asked for and once a year, warmth felt or seen by a camera",
    ),
    (
        "No supply for the board: the fuse blown, no hold relay, the battery taken off",
        "it decides and shows nothing",
        "coils fall, the bleed drains the bus, the card says how long; a light that the bus feeds",
    ),
    (
        "Flash cells that decay or were half erased",
        "what they read later is in no model here",
        "two copies, seals, read back; what cannot be read counts as the worst; power cuts to be tried "
        "[on a board](only_simulated.md)",
    ),
    (
        "Electromagnetic disturbance",
        "no test here has any; a disturbed input may be any input",
        "filters, twisted and shielded wires, supply supervisor, gate and watchdog; to be measured with the inverter "
        "at full power, or by a laboratory",
    ),
    (
        "The runtime, its compiler and the chip: errors in MicroPython, flipped bits, errata",
        "it runs on them and cannot judge them; neither is made for this",
        "the heartbeat gate outside the chip, the watchdog beside the program; the hard loop; errata that are known in "
        "[circuits](circuits.md)",
    ),
    (
        "A build file that says what the vehicle is not",
        "it is believed once its numbers fit together",
        "`loopwarden review BUILD` read by a second person; each input and output seen in "
        "[commissioning](commissioning_record.md)",
    ),
    (
        "People: a bridged loop, a taped button, work on live parts",
        "it cannot see a bridge, and nothing it says is leave to touch",
        "training, two persons, lock and tag, proven dead by a tester ([cautions](cautions.md))",
    ),
    (
        "All of this on a board",
        "nothing ran on one: tick time, hold time, boot, heap, converters, ports are not measured",
        "the list in [only_simulated.md](only_simulated.md), by the first person with a board, without high voltage",
    ),
)
