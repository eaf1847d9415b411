"""Speed pulses to millimetres per second. Standing still and a cut wire look the same here: QUIET."""

from micropython import const

from loopwarden.signals import OK, QUIET, RANGE, STALE

QUIET_MS = const(500)  # no pulse for so long: the last period says nothing about now


class Speed:
    """`mm_s` from the last pulse period, `state`, and `pulses` since the last tick (None if the counter was lost)."""

    def __init__(self, build):
        self.way_nm = build.convert_pulse_um * 1000
        # Half more than the highest speed still passes: whether it is plausible is for the policy to say.
        self.min_us = self.way_nm // (build.convert_speed_max_mm_s * 3 // 2)
        self.mm_s = None
        self.state = STALE
        self.pulses = None
        self.silent_ms = QUIET_MS

    def step(self, raw, dt_ms):
        """Take this tick's new pulses and the last period; True unless all is as it was. Heap: none."""
        pulses = raw.speed_pulses
        silent_ms = 0
        if not pulses:
            silent_ms = self.silent_ms + dt_ms
            if pulses == self.pulses:
                if self.silent_ms >= QUIET_MS:
                    return False
                if silent_ms < QUIET_MS:
                    self.silent_ms = silent_ms
                    return False
            if silent_ms > QUIET_MS or pulses is None:  # what came before a loss proves nothing about now
                silent_ms = QUIET_MS
        self.silent_ms = silent_ms
        self.pulses = pulses
        mm_s = None
        period_us = raw.speed_period_us
        if pulses is None:
            self.state = STALE
        elif silent_ms >= QUIET_MS or period_us == 0:
            self.state = QUIET
        elif period_us < self.min_us:
            self.state = RANGE
        else:
            self.state = OK
            mm_s = self.way_nm // period_us
        self.mm_s = mm_s
        return True
