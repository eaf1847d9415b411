"""Leakage to chassis: what a meter would find, where the chassis lies between the poles, what the monitor reads.

The network: a conductance from each pole to chassis on the pack's and on the bus's side of the main contactors, and
one from the middle of the pack. While any pole is closed the two sides are one network (the bus's own bleed and loads
are far smaller resistances than any leak worth finding); with all contactors open a monitor sees its own side only.
"""

import math

from loopwarden_sim.plant_parameters import PlantParameters

# A reading that has come within 1 % of a step after the build's settling time has moved for ln(100) time constants.
_SETTLE_CONSTANTS = math.log(100.0)
_WET_FACTOR = 19.0  # fully wet: a twentieth of the healthy value, as one drop of coolant may cost (common practice)
_HALVES_PER_K = 1 / 20.0  # guess: insulation halves every 20 K above 20 degC
_LEAST_S = 1e-18  # keeps the divisions alive; no meter would find it


class Leakage:
    """Set the attributes ending in _ohm, `wetness` (0..1) and `degc`, then `update`.

    parallel_ohm    both poles as one to chassis
    worse_pole_ohm  what the meter method of UN R100 finds (Annex 5A): Rpar * Vb / V, V the larger pole voltage;
                    for leaks at the poles that is the smaller of the two
    negative_v, positive_v   negative pole to chassis and positive pole to chassis, magnitudes
    reading_s       conductance that the monitor shows, parallel; it follows the truth with its settling time
    """

    def __init__(self, parameters: PlantParameters) -> None:
        self._parameters = parameters
        self.pack_positive_ohm = math.inf
        self.pack_negative_ohm = math.inf
        self.middle_ohm = math.inf
        self.bus_positive_ohm = math.inf
        self.bus_negative_ohm = math.inf
        self.wetness = 0.0
        self.degc = 20.0
        self.parallel_ohm = parameters.healthy_ohm
        self.worse_pole_ohm = 2 * parameters.healthy_ohm
        self.negative_v = 0.0
        self.positive_v = 0.0
        self.worse_factor = 2.0  # worse pole over parallel, for what is connected now
        self.path_v = 0.0  # source behind the leaks into a bus with one pole closed
        self.path_ohm = math.inf
        self._target_v = 0.0
        self._tau_s = 1.0
        self._branches = (_LEAST_S,) * 5
        self.update(0, 0, parameters.nominal_v)
        self.reading_s = 1 / self.parallel_ohm
        self.negative_v = self._target_v

    def update(self, negative: int, positive: int, pack_v: float) -> None:
        """Work out the network for the poles that are closed now; `positive` also when through the precharge."""
        base = (1 + _WET_FACTOR * self.wetness) * 2.0 ** ((self.degc - 20.0) * _HALVES_PER_K)
        # A quarter of the healthy leakage in each of the four places: pack and bus, both poles.
        healthy_s = max(base / (4 * self._parameters.healthy_ohm), _LEAST_S)
        pack_positive = healthy_s + 1 / self.pack_positive_ohm
        pack_negative = healthy_s + 1 / self.pack_negative_ohm
        middle = 1 / self.middle_ohm
        bus_positive = healthy_s + 1 / self.bus_positive_ohm
        bus_negative = healthy_s + 1 / self.bus_negative_ohm
        self._branches = (pack_positive, pack_negative, middle, bus_positive, bus_negative)
        if negative or positive:
            above, below, half = pack_positive + bus_positive, pack_negative + bus_negative, middle
            live_v = pack_v
        elif self._parameters.isolation_side == "pack":
            above, below, half, live_v = pack_positive, pack_negative, middle, pack_v
        else:
            above, below, half, live_v = bus_positive, bus_negative, 0.0, 0.0
        total = above + below + half
        share = (above + 0.5 * half) / total  # of the pack voltage between negative pole and chassis
        self.parallel_ohm = 1 / total
        self.worse_factor = 1 / max(share, 1 - share)
        self.worse_pole_ohm = self.parallel_ohm * self.worse_factor
        self._target_v = live_v * share
        self.positive_v = live_v - self.negative_v
        parameters = self._parameters
        # UN R100 meter method, settling: Cy times everything to chassis in parallel.
        y_s = parameters.y_capacitors_f / (total + 1 / parameters.monitor_ohm)
        self._tau_s = max(y_s, parameters.isolation_settle_s / _SETTLE_CONSTANTS)
        self._y_s = y_s
        self._path(negative, positive, pack_v)

    def _path(self, negative: int, positive: int, pack_v: float) -> None:
        """Source and resistance that leaks make into a bus of which only one pole is closed."""
        pack_positive, pack_negative, middle, bus_positive, bus_negative = self._branches
        if negative and not positive:
            node = pack_positive + pack_negative + bus_negative + middle
            self.path_v = pack_v * (pack_positive + 0.5 * middle) / node
            self.path_ohm = 1 / node + 1 / bus_positive
        elif positive and not negative:
            node = pack_positive + pack_negative + bus_positive + middle
            self.path_v = pack_v * (pack_negative + 0.5 * middle) / node
            self.path_ohm = 1 / node + 1 / bus_negative
        else:
            self.path_v = 0.0
            self.path_ohm = math.inf

    def advance(self, dt_s: float) -> None:
        """Let chassis voltage and monitor follow what `update` found."""
        before_v = self.negative_v
        self.negative_v = self._target_v + (before_v - self._target_v) * math.exp(-dt_s / self._y_s)
        self.positive_v += before_v - self.negative_v
        truth_s = 1 / self.parallel_ohm
        self.reading_s = truth_s + (self.reading_s - truth_s) * math.exp(-dt_s / self._tau_s)
