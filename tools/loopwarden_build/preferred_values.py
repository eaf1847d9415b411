"""Preferred numbers of resistors: the series E12 and E24 of IEC 60063 (the numbers from memory)."""

E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
SERIES = {"E12": E24[::2], "E24": E24}


def values_ohm(series: str, low_ohm: float, high_ohm: float) -> list[float]:
    """The values of "E12" or "E24" from `low_ohm` to `high_ohm`, both included, rising; none beyond 91 Mohm."""
    decades = [float(f"{number}e{exponent}") for exponent in range(-2, 7) for number in SERIES[series]]
    return [ohm for ohm in decades if low_ohm <= ohm <= high_ohm]
