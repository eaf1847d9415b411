"""The speed sensor: pulses along the way, counted, and the time between the last two."""

from loopwarden.convert.raw import Raw

_SPURIOUS = 0.8  # standard normal above which a noisy wire gives one more pulse
_SPURIOUS_US = 700


class SpeedPulses:
    """Call `sample` once a tick.

    fault   "" or one of FAULTS: wire_open (no pulses), lost (the counter does not answer), noisy (pulses out of
            nothing)
    """

    FAULTS = ("wire_open", "lost", "noisy")

    def __init__(self, per_pulse_m: float) -> None:
        self.per_pulse_m = per_pulse_m
        self.fault = ""
        self._part = 0.0  # of the way to the next pulse
        self._since_s = 0.0
        self._first = True

    def sample(self, raw: Raw, speed_m_s: float, dt_s: float, noise: float) -> None:
        """`noise` is a standard normal number of this tick."""
        raw.speed_pulses = 0
        part = self._part + speed_m_s * dt_s / self.per_pulse_m
        if part < 1.0:
            self._part = part
            self._since_s += dt_s
        else:
            pulses = int(part)
            self._part = part - pulses
            # The last pulse was so long before the end of the tick.
            after_s = min(self._part * self.per_pulse_m / speed_m_s, dt_s)
            between_s = self.per_pulse_m / speed_m_s if pulses > 1 else self._since_s + dt_s - after_s
            self._since_s = after_s
            raw.speed_pulses = pulses
            if pulses > 1 or not self._first:
                raw.speed_period_us = int(between_s * 1e6)
            self._first = False
        if self.fault:
            self._faulty(raw, noise)

    def _faulty(self, raw: Raw, noise: float) -> None:
        if self.fault == "lost":
            raw.speed_pulses = None
        elif self.fault == "wire_open":
            raw.speed_pulses = 0
        elif noise > _SPURIOUS and raw.speed_pulses is not None:
            raw.speed_pulses += 1
            raw.speed_period_us = _SPURIOUS_US
