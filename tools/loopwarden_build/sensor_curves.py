"""Temperature sensors as equations, and as the table of converter counts that the board looks up.

NTC: R = R25 * exp(B * (1/T - 1/T25)). Pt1000: Callendar-Van Dusen, IEC 60751 coefficients.
The sensor lies between converter input and ground, a resistor between input and the converter's own reference, so the
reference cancels.
"""

import math

from loopwarden_build.model import NtcZone, Pt1000Zone

KELVIN = 273.15
A, B, C = 3.9083e-3, -5.775e-7, -4.183e-12  # IEC 60751; C only below 0 degC
FROM_DEGC, STEP_K, POINTS = -40.0, 5.0, 39  # the table: -40 to 150 degC
COUNTS_MAX = 4095
FINE = 16  # table counts are sixteenths: readings are averaged, and rounding must not cost what that gains


def ntc_ohm(degc: float, r25_ohm: float, beta_k: float) -> float:
    """Resistance of an NTC by its B constant."""
    return r25_ohm * math.exp(beta_k * (1 / (degc + KELVIN) - 1 / (25 + KELVIN)))


def pt1000_ohm(degc: float) -> float:
    """Resistance of a platinum sensor of 1000 ohm at 0 degC."""
    ratio = 1 + A * degc + B * degc**2
    if degc < 0:
        ratio += C * (degc - 100) * degc**3
    return 1000 * ratio


def zone_ohm(zone: NtcZone | Pt1000Zone, degc: float) -> float:
    """Resistance of a zone's sensor at a temperature."""
    return ntc_ohm(degc, zone.r25, zone.beta) if isinstance(zone, NtcZone) else pt1000_ohm(degc)


def zone_counts(zone: NtcZone | Pt1000Zone, degc: float) -> float:
    """Converter counts of a zone's sensor at a temperature, not rounded."""
    ohm = zone_ohm(zone, degc)
    return COUNTS_MAX * ohm / (ohm + zone.pull_up)


def zone_table(zone: NtcZone | Pt1000Zone) -> list[int]:
    """Sixteenths of counts at FROM_DEGC, then every STEP_K."""
    return [round(FINE * zone_counts(zone, FROM_DEGC + STEP_K * point)) for point in range(POINTS)]


def zone_rails(zone: NtcZone | Pt1000Zone) -> tuple[int, int]:
    """Counts below which the sensor is shorted and above which it is open: half way from table to rail."""
    ends = sorted((zone_counts(zone, FROM_DEGC), zone_counts(zone, FROM_DEGC + STEP_K * (POINTS - 1))))
    return round(ends[0] / 2), round((ends[1] + COUNTS_MAX) / 2)


def degc_per_count(zone: NtcZone | Pt1000Zone, degc: float) -> float:
    """How many degrees one converter count is worth there."""
    return 2.0 / abs(zone_counts(zone, degc + 1) - zone_counts(zone, degc - 1))
