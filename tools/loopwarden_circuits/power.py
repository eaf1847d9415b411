"""The power path with what is measured where, and the build that needs no program."""

from schemdraw import elements as elm

from loopwarden_build.units import show
from loopwarden_circuits import values as V
from loopwarden_circuits.sheet import Sheet


def power_path() -> Sheet:
    """Pack, contactors, resistors, bus."""
    s = Sheet()
    truck = V.TRUCK
    s.cell((0, 0), (0, -2.6), f"pack\n{show(truck.pack.nominal, 'V')}")
    s.plug((0, -2.6), (0, -4.4), "service\ndisconnect", "left")
    s.cell((0, -4.4), (0, -7.0), "")
    s.wire((0, 0), (0, 0.6), (0.8, 0.6))
    s.part(elm.FuseIEC(), (0.8, 0.6), (2.8, 0.6), "pack fuse")
    s.wire((2.8, 0.6), (5.0, 0.6))
    s.contact((5.0, 0.6), (8.6, 0.6), "positive main", "above")
    s.wire((8.6, 0.6), (18.2, 0.6))
    s.wire((5.0, 0.6), (5.0, -0.8), (5.2, -0.8))
    s.contact((5.2, -0.8), (6.8, -0.8), "precharge", "below")
    s.resistor((6.8, -0.8), (8.6, -0.8), "", "below")
    s.text((7.7, -1.25), V.ohm(truck.precharge.resistance), align="center", valign="top")
    s.wire((8.6, -0.8), (8.6, 0.6))
    s.dots((5.0, 0.6), (8.6, 0.6))
    s.wire((0, -7.0), (0, -7.6), (5.0, -7.6))
    s.contact((5.0, -7.6), (8.6, -7.6), "negative main", "above")
    s.wire((8.6, -7.6), (18.2, -7.6))
    for x, top, bottom, label in ((2.6, -1.6, -5.4, "pack\nvoltage"), (10.2, -2.0, -5.0, "bus\nvoltage")):
        s.wire((x, 0.6), (x, top))
        s.box((x - 0.9, top), (x + 0.9, bottom), label)
        s.wire((x, bottom), (x, -7.6))
        s.dots((x, 0.6), (x, -7.6))
    s.contact((12.4, 0.6), (12.4, -2.4), "discharge", "right")
    s.resistor((12.4, -2.4), (12.4, -5.0), V.ohm(V.discharge().resistance))
    s.wire((12.4, -5.0), (12.4, -7.6))
    s.resistor((15.2, 0.6), (15.2, -7.6), f"bleed\n{V.ohm(truck.bus.bleed)}")
    s.capacitor((18.2, 0.6), (18.2, -7.6), f"bus\n{show(truck.bus.capacitance, 'F')},\ninverter")
    s.dots((12.4, 0.6), (12.4, -7.6), (15.2, 0.6), (15.2, -7.6))
    s.wire((3.6, -7.6), (3.6, -8.4))
    s.wire((4.2, 0.6), (4.2, -8.4))
    s.dots((3.6, -7.6), (4.2, 0.6))
    s.box((2.6, -8.4), (5.2, -9.6), "isolation\nmonitor", size=10)
    s.wire((3.9, -9.6), (3.9, -10.0))
    s.chassis((3.9, -10.0))
    s.notes(
        (6.4, -8.9),
        (
            "Pack and bus are measured on both sides of the contactors, each pole to pole.",
            "The monitor sits on the pack side here; one monitor only, as two disturb each other.",
        ),
    )
    return s


def without_a_program() -> Sheet:
    """Coil supply led through the loop and the monitor's contact; no program."""
    s = Sheet()
    s.terminal((0, 0), "12 V", "left")
    s.part(elm.FuseIEC(), (0, 0), (2.0, 0), "fuse")
    s.contact((2.0, 0), (4.4, 0), "key")
    s.contact((4.4, 0), (7.0, 0), "emergency\nstop", closed=True)
    s.plug((7.0, 0), (9.2, 0), "service\ndisconnect")
    s.contact((9.2, 0), (11.6, 0), "lids", closed=True)
    s.contact((11.6, 0), (14.6, 0), "isolation monitor:\nclosed = good")
    s.wire((14.6, 0), (15.6, 0), (15.6, -2.0), (1.0, -2.0), (1.0, -3.0), (1.8, -3.0))
    s.contact((1.8, -3.0), (5.0, -3.0), "on, pressed by hand")
    s.wire((5.0, -3.0), (7.2, -3.0))
    s.wire((1.0, -3.0), (1.0, -4.6), (1.8, -4.6))
    s.contact((1.8, -4.6), (5.0, -4.6), "latch contact", "below")
    s.wire((5.0, -4.6), (6.2, -4.6), (6.2, -3.0))
    s.dots((1.0, -3.0), (6.2, -3.0), (7.6, -3.0), (10.6, -3.0))
    s.wire((7.2, -3.0), (13.8, -3.0))
    for x, name in ((7.6, "latch"), (10.6, "positive"), (13.8, "negative")):
        s.coil((x, -3.0), (x, -5.6), name)
        s.wire((x, -3.2), (x - 0.8, -3.2))
        s.part(elm.Diode(), (x - 0.8, -4.3), (x - 0.8, -3.2))
        s.part(elm.Zener(), (x - 0.8, -4.3), (x - 0.8, -5.4))
        s.wire((x - 0.8, -5.4), (x, -5.4))
        s.dots((x, -3.2), (x, -5.4))
        s.ground((x, -5.6))
    s.lamp((16.6, -3.0), (16.6, -5.6), "on")
    s.wire((13.8, -3.0), (16.6, -3.0))
    s.dots((13.8, -3.0))
    s.ground((16.6, -5.6))
    s.notes(
        (0, -7.2),
        (
            "Whatever opens, drops both contactors, and they stay open until somebody presses on again.",
            "A monitor on the pack side sees the bus only once they are closed, one on the bus side the pack.",
            "No precharge: only for a bus whose capacitors the contacts may charge. No discharge: a bleed resistor,",
            "and a light fed by the bus. The monitor's contact is open when it has no supply.",
        ),
    )
    return s
