"""The isolation monitor as a device with an output: a line, a duty cycle or a frequency for what it measures."""

from loopwarden.convert.raw import Raw
from loopwarden_build.model import BuildFile, DutyMonitor, FrequencyMonitor, LineMonitor

_LINE_HYSTERESIS = 1.1  # a good/bad line comes back a tenth above its response value (guess)
_JITTER_US = 15.0  # of an edge's time stamp


class IsolationOutput:
    """Call `sample` once a tick with the resistance that the monitor measures; it writes its part of `raw`.

    fault   "" or one of FAULTS: silent (no edges, line dead), device (reports its own fault), implausible (a signal
            that no healthy monitor gives), stuck (its reading stands still)
    factor  on the resistance, for a monitor that reads wrong
    """

    FAULTS = ("silent", "device", "implausible", "stuck")

    def __init__(self, build: BuildFile) -> None:
        monitor = build.isolation
        self.fault = ""
        self.factor = 1.0
        self.duty = isinstance(monitor, DutyMonitor)
        self.line = isinstance(monitor, LineMonitor)
        self._good = True
        self._since_s = 0.0
        self._held_ohm: float | None = None
        self.reports_faults = True  # it has a way to say that it is faulty itself
        if isinstance(monitor, LineMonitor):
            self._response_ohm = monitor.fault * build.pack.highest
            return
        assert isinstance(monitor, DutyMonitor | FrequencyMonitor)  # frames are sensor_frames.py's
        self._points = sorted((ohm, x) for x, ohm in monitor.table)
        band = monitor.fault_duty if isinstance(monitor, DutyMonitor) else monitor.fault_frequency
        self._band_x = None if band is None else (band[0] + band[1]) / 2
        self.reports_faults = self._band_x is not None
        self._period_s = monitor.period if isinstance(monitor, DutyMonitor) else 0.0

    def sample(self, raw: Raw, ohm: float, dt_s: float, jitter: float) -> None:
        """`jitter` is a standard normal number of this tick."""
        raw.isolation_fresh = 0
        if self.fault == "stuck":
            ohm = self._held_ohm = ohm if self._held_ohm is None else self._held_ohm
        else:
            self._held_ohm = None
        ohm *= self.factor
        if self.line:
            self._line(raw, ohm)
        elif self.fault != "silent":
            self._edges(raw, ohm, dt_s, jitter)

    def _line(self, raw: Raw, ohm: float) -> None:
        limit_ohm = self._response_ohm * (1.0 if self._good else _LINE_HYSTERESIS)
        self._good = ohm >= limit_ohm
        raw.isolation_level = int(self._good and self.fault not in ("silent", "device", "implausible"))

    def _edges(self, raw: Raw, ohm: float, dt_s: float, jitter: float) -> None:
        x = self._output(ohm)
        if self.fault == "device" and self._band_x is not None:
            x = self._band_x
        period_s = self._period_s if self.duty else 1.0 / x
        if self.fault == "implausible":
            period_s *= 0.1 if not self.duty else 1.6
        self._since_s += dt_s
        if self._since_s < period_s:
            return
        self._since_s %= period_s
        high_s = period_s * (x if self.duty else 0.5)
        raw.isolation_fresh = 1
        raw.isolation_high_us = max(int(high_s * 1e6 + _JITTER_US * jitter), 0)
        raw.isolation_low_us = max(int(period_s * 1e6) - raw.isolation_high_us, 0)

    def _output(self, ohm: float) -> float:
        """Duty cycle or frequency of a resistance, straight between the points, held at both ends."""
        points = self._points
        if ohm <= points[0][0]:
            return points[0][1]
        low = points[0]
        for high in points[1:]:
            if ohm < high[0]:
                return low[1] + (high[1] - low[1]) * (ohm - low[0]) / (high[0] - low[0])
            low = high
        return low[1]
