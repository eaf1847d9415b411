"""Speed pulses to millimetres per second. Standing still and a cut wire look the same here: QUIET."""

from micropython import const

from loopwarden.signals import OK, QUIET, RANGE, STALE

QUIET_MS = const(500)  # no pulse for so long: the last period says nothing about now


class Speed:
    """Speed from the last pulse period, its state, and the pulses since the last tick (None: the counter was lost)."""

    def __init__(self, build):
        self.way_nm = build.convert_pulse_um * 1000
        # Half more than the highest speed still passes: whether it is plausible is for the policy to say.
        self.min_us = self.way_nm // (build.convert_speed_max_mm_s * 3 // 2)
        self.silent_ms = QUIET_MS

    def bind(self, raw, inputs):
        """Returns step(dt_ms), which takes a tick's pulses from `raw` and writes the speed of `inputs`. Heap: none."""
        steps = self._steps(raw, inputs, self.way_nm, self.min_us)
        next(steps)
        return steps.send

    def _steps(self, raw, i, way_nm, min_us):
        # A generator, as in loops.py.
        before = i.speed_pulses
        silent_ms = self.silent_ms
        while True:
            ms = yield
            pulses = raw.speed_pulses
            if not pulses:
                if pulses == before and silent_ms >= QUIET_MS:
                    continue  # all is as it was
                silent_ms += ms
                if pulses is None or silent_ms > QUIET_MS:  # what came before a loss proves nothing about now
                    silent_ms = QUIET_MS
                self.silent_ms = silent_ms
                if pulses == before and silent_ms < QUIET_MS:
                    continue
            elif silent_ms:
                self.silent_ms = silent_ms = 0
            before = pulses
            mm_s, state = None, QUIET
            period_us = raw.speed_period_us
            if pulses is None:
                state = STALE
            elif silent_ms < QUIET_MS and period_us:
                state = RANGE
                if period_us >= min_us:
                    state = OK
                    mm_s = way_nm // period_us
            i.speed_mm_s = mm_s
            i.speed_state = state
            i.speed_pulses = pulses
