"""Figures from outside that the pages for people at the bench give, each against what its source says.

A case is a sentence as it stands on the page, with a group for each figure, and the figures as the source has them.
"""

import re

import pytest


@pytest.mark.parametrize(
    ("name", "sentence", "figures"),
    [
        pytest.param(
            "cautions",
            r"Above (\d+) V DC or (\d+) V AC it is high voltage",
            (60, 30),
            marks=pytest.mark.outside(
                subject="voltage class",
                source="UN R100, definitions, seen in a public copy; ISO 6469-3 class B alike, from memory",
                value="people's page: above 60 V DC or 30 V AC it is high voltage",
            ),
        ),
        pytest.param(
            "cautions",
            r"A program is not an emergency stop\.\*\* That one is a button that breaks the coil supply "
            r"in hardware, category (\d) or (\d)",
            (0, 1),
            marks=pytest.mark.outside(
                subject="cautions",
                source="IEC 60204-1, 9.2.2, and ISO 13850, seen in pages on them",
                value="an emergency stop is of category 0 or 1, and a program on a board is none",
            ),
        ),
        pytest.param(
            "cautions",
            r"Class 00: up to (\d+) V DC\. Class 0: up to (\d+) V DC",
            (750, 1500),
            marks=pytest.mark.outside(
                subject="cautions",
                source="ASTM D120 / IEC 60903, seen in pages on them",
                value="gloves of class 00 up to 750 V DC, of class 0 up to 1500 V DC",
            ),
        ),
        pytest.param(
            "cautions",
            r"Leather over them\. Air-tested before each use, tested again within (six) months",
            ("six",),
            marks=pytest.mark.outside(
                subject="cautions",
                source="ASTM D120 / IEC 60903, seen in pages on them",
                value="leather over them, air-tested, tested again within six months",
            ),
        ),
        pytest.param(
            "cautions",
            r"Find every source.*Open the service disconnect\. Look at the gap\..*Lock it, tag it.*each "
            "pole to the other, and each pole to the chassis",
            (),
            marks=pytest.mark.outside(
                subject="cautions",
                source="NFPA 70E 120.5, seen in summaries",
                value="find every source, open, look at the break, lock and tag, test each conductor to each other "
                "and to earth: in this order",
            ),
        ),
        pytest.param(
            "enclosures",
            r"IP67 where water can come: dust-tight, and (\d+) m of water for (\d+) min",
            (1, 30),
            marks=pytest.mark.outside(
                subject="enclosures",
                source="IEC 60529, seen in a summary",
                value="IP67: dust-tight, 1 m of water for 30 min",
            ),
        ),
        pytest.param(
            "enclosures",
            r"That does \*\*not\*\* include jets .*?: (\d) or (\d) as the second numeral",
            (5, 6),
            marks=pytest.mark.outside(
                subject="enclosures",
                source="IEC 60529, seen in a summary",
                value="numeral 7 does not include jets, which are 5 and 6",
            ),
        ),
        pytest.param(
            "enclosures",
            "Two separate actions to open anything with high voltage behind it",
            (),
            marks=pytest.mark.outside(
                subject="enclosures",
                source="common practice",
                value="two separate actions to open anything with high voltage behind it",
            ),
        ),
        pytest.param(
            "enclosures",
            "Every part in it rated for the highest voltage and the largest current of the whole build",
            (),
            marks=pytest.mark.outside(
                subject="enclosures",
                source="common practice",
                value="every part rated for the build's highest voltage and current",
            ),
        ),
        pytest.param(
            "enclosures",
            "Opened without tools only if what lies behind is still protected, locked, or at or below "
            r"(\d+) V DC and (\d+) V AC within (\d) s",
            (60, 30, 1),
            marks=pytest.mark.outside(
                subject="enclosures",
                source="UN R100, 5.1.1, seen in a summary",
                value="openable without tools only if protected, locked, or at or below 60 V DC and 30 V AC within 1 s",
            ),
        ),
        pytest.param(
            "enclosures",
            r"No finger reaches a live part with the lid off \((IPXXB)\); no wire either in cabin and "
            r"luggage space \((IPXXD)\)",
            ("IPXXB", "IPXXD"),
            marks=pytest.mark.outside(
                subject="enclosures",
                source="UN R100, 5.1.1, seen in a public copy",
                value="IPXXD inside passenger and luggage space, IPXXB elsewhere",
            ),
        ),
        pytest.param(
            "parts",
            "Orange outer covering outside of housings",
            (),
            marks=pytest.mark.outside(
                subject="enclosures",
                source="UN R100, 5.1.1, seen in a public copy",
                value="orange outer covering of high-voltage cables outside enclosures",
            ),
        ),
        pytest.param(
            "enclosures",
            r"bonded to the chassis: below ([\d.]+) ohm, measured with ([\d.]+) A or more",
            (0.1, 0.2),
            marks=pytest.mark.outside(
                subject="enclosures",
                source="UN R100, 5.1.2.2, seen in a public copy",
                value="bonding below 0.1 ohm at 0.2 A or more",
            ),
        ),
        pytest.param(
            "bring_up",
            r"Bonding of each metal part below ([\d.]+) ohm",
            (0.1,),
            marks=pytest.mark.outside(
                subject="enclosures",
                source="UN R100, 5.1.2.2, seen in a public copy",
                value="bring-up measures the bonding against the same 0.1 ohm",
            ),
        ),
        pytest.param(
            "enclosures",
            r"Charging inlet to chassis (\d+) Mohm or more",
            (1,),
            marks=pytest.mark.outside(
                subject="isolation limits",
                source="UN R100 5.1.3.4, seen in AIS 156's copy of it",
                value="charging inlet to chassis 1 Mohm or more",
            ),
        ),
        pytest.param(
            "lay_up",
            r"Charge to about (\d+) %, .*? About (\d+) degC is best",
            (40, 15),
            marks=pytest.mark.outside(
                subject="storage",
                source="battery reference pages, seen in public copies",
                value="about 40 % charge at about 15 degC",
            ),
        ),
        pytest.param(
            "lay_up",
            r"After a year at 40 % there is still (\d+) % to be had at (\d+) degC, (\d+) % at (\d+), "
            r"(\d+) % at (\d+), (\d+) % at (\d+)",
            (98, 0, 96, 25, 85, 40, 75, 60),
            marks=pytest.mark.outside(
                subject="storage",
                source="battery reference pages, seen in public copies",
                value="recoverable after a year at 40 %: 98 % at 0 degC, 96 at 25, 85 at 40, 75 at 60",
            ),
        ),
        pytest.param(
            "lay_up",
            r"Dry, (-\d+) to (\d+) degC",
            (-25, 27),
            marks=pytest.mark.outside(
                subject="storage",
                source="common practice, no source found",
                value="dry, -25 to 27 degC",
            ),
        ),
        pytest.param(
            "lay_up",
            "For more than a (month): take the 12 V supply off and open the high-voltage disconnect",
            ("month",),
            marks=pytest.mark.outside(
                subject="storage",
                source="common practice, no source found",
                value="for more than a month the 12 V supply and the high-voltage disconnect are opened",
            ),
        ),
        pytest.param(
            "parts",
            r"At (\d+) % the inrush is twice that at (\d+) % .*?, which recommends (\d+) %",
            (80, 90, 95),
            marks=pytest.mark.outside(
                subject="precharge",
                source="a contactor application note, seen in a public copy",
                value="at 80 % charged twice the inrush of 90 %; 95 % is recommended",
            ),
        ),
        pytest.param(
            "parts",
            r"full voltage to pull in, then (\d+) to (\d+) % less power",
            (70, 85),
            marks=pytest.mark.outside(
                subject="contactors",
                source="application notes, seen in public copies",
                value="coil economiser: full voltage to pull in, 70 to 85 % less power to hold",
            ),
        ),
        pytest.param(
            "parts",
            r"A plain diode lengthens the release: ([\d.]+) ms became about (\d+) ms on one bench, others "
            "say (three) to (five) times",
            (2.6, 8, "three", "five"),
            marks=pytest.mark.outside(
                subject="contactors",
                source="a bench log and pages, seen in public copies",
                value="a plain diode over the coil lengthens release from 2.6 to about 8 ms, three to five times "
                "by others",
            ),
        ),
        pytest.param(
            "parts",
            r"(\d+) to (\d+) ms to pull in or drop out for large ones",
            (10, 30),
            marks=pytest.mark.outside(
                subject="contactors",
                source="from memory, no sheet seen",
                value="large DC contactors pull in or drop out in 10 to 30 ms",
            ),
        ),
        pytest.param(
            "parts",
            r"Service disconnect: pulled without tools, in (\d+) s or less, and its pilot contact opens "
            "the coil supply",
            (10,),
            marks=pytest.mark.outside(
                subject="start and stop",
                source="Formula SAE 2026 V1.0 EV.5.5, seen in a public copy",
                value="service disconnect opened in 10 s or less, its interlock opens the circuit",
            ),
        ),
        pytest.param(
            "parts",
            r"(\d+) V in (\d+) s after opening for that competition",
            (60, 5),
            marks=pytest.mark.outside(
                subject="discharge",
                source="Formula SAE 2026 V1.0 EV.7.2.2, seen in a public copy",
                value="60 V or less within 5 s of opening",
            ),
        ),
        pytest.param(
            "parts",
            r"in (\d+) s after switching off for machines, (\d+) s at bare pins",
            (5, 1),
            marks=pytest.mark.outside(
                subject="energy left",
                source="IEC 60204-1, 6.2.4, seen in a page that quotes it",
                value="machines: 60 V or less within 5 s, 1 s at plugs with bare pins",
            ),
        ),
        pytest.param(
            "parts",
            r"A resistor sized for (\d+) V is not fit for (\d+) V: the energy is (eleven) times",
            (120, 400, "eleven"),
            marks=pytest.mark.outside(
                subject="precharge",
                source="common practice; the ratio algebra",
                value="a resistor sized for 120 V is not fit for 400 V",
            ),
        ),
        pytest.param(
            "parts",
            "A discharged electrolytic comes back by a few per cent within a (minute)",
            ("minute",),
            marks=pytest.mark.outside(
                subject="discharge",
                source="application notes, seen in public copies",
                value="a discharged electrolytic recovers a few per cent within a minute: measure again",
            ),
        ),
        pytest.param(
            "circuits",
            r"No fuse, and no PTC \(seen: Formula SAE 2026 V1\.0 (EV\.5\.6\.3), (EV\.5\.6\.4)\)",
            ("EV.5.6.3", "EV.5.6.4"),
            marks=pytest.mark.outside(
                subject="discharge",
                source="Formula SAE 2026 V1.0 EV.5.6.3 and EV.5.6.4, seen in a public copy",
                value="discharge unfused, its resistor no PTC",
            ),
        ),
        pytest.param(
            "circuits",
            "the coil current itself runs through it, so a connector in it, opened at speed, cuts the "
            "drive with or without a program",
            (),
            marks=pytest.mark.outside(
                subject="start and stop",
                source="Formula SAE 2026 V1.0 EV.7.1.2 and EV.7.1.5, seen in a public copy",
                value="the shutdown circuit carries the coil current itself",
            ),
        ),
        pytest.param(
            "circuits",
            "Rule books want such lights hard-wired, without a program",
            (),
            marks=pytest.mark.outside(
                subject="start and stop",
                source="Formula SAE 2026 V1.0 EV.5.7.2 and EV.5.10.4, seen in a public copy",
                value="high-voltage lights are hard-wired, no program: a board may only repeat them",
            ),
        ),
        pytest.param(
            "without_a_program",
            "Fuse, key, emergency stop, service disconnect, lids, the isolation monitor's contact, in series",
            (),
            marks=pytest.mark.outside(
                subject="isolation monitor",
                source="Formula SAE 2026 V1.0 EV.7.6.3, seen in a public copy",
                value="the trip path of the isolation monitor has no programmable logic",
            ),
        ),
        pytest.param(
            "without_a_program",
            "a monitor without a supply opens them",
            (),
            marks=pytest.mark.outside(
                subject="start and stop",
                source="Formula SAE 2026 V1.0 EV.7.1.3, seen in a public copy",
                value="a monitor's output is open when it has no supply",
            ),
        ),
        pytest.param(
            "without_a_program",
            "Any of them opens: both contactors fall, and stay open until somebody presses again",
            (),
            marks=pytest.mark.outside(
                subject="start and stop",
                source="Formula SAE 2026 V1.0 EV.7.2.3, seen in a public copy",
                value="a shutdown is latched and reset by hand at the vehicle",
            ),
        ),
        pytest.param(
            "without_a_program",
            "Precharge by a relay that looks at the voltage across the positive main, not at a clock",
            (),
            marks=pytest.mark.outside(
                subject="precharge",
                source="Formula SAE 2026 V1.0 EV.5.6.2.a, seen in two public copies that agree",
                value="the end of precharge is controlled by feedback of the bus voltage, not by time",
            ),
        ),
    ],
)
def test_a_page_gives_the_figures_of_its_source(name, sentence, figures, page):
    found = re.search(sentence, page(f"{name}.md"))
    assert found, f"{name}.md no longer says: {sentence}"
    assert found.groups() == tuple(str(figure) for figure in figures)
