"""An isolation monitor and a speed that are frames on a CAN bus: what their sender puts into them, by its DBC file.

cantools encodes the frames, so the board's own way to read them is tried against another's way to write them.
"""

from typing import Any

from loopwarden_build import can_signals
from loopwarden_build.can_signals import Reading

_SPURIOUS = 0.8  # standard normal above which a noisy sender says something else


class Sender:
    """One message: sent once a period, with a counter that goes on.

    faulty, implausible   it reports its own fault; its value is outside of its range where its bits have room for that
    hangs                 it sends the same frame again and again
    """

    def __init__(self, reading: Reading, period_s: float) -> None:
        self._reading = reading
        self._period_s = period_s
        self._since_s = 0.0
        self._count = 0
        self.faulty = self.implausible = self.hangs = False
        self._last = bytes(reading.message.length)

    def __deepcopy__(self, memo: dict[int, object]) -> "Sender":
        # What is described stays the same in every copy of a run; only what moves on is copied.
        other = Sender.__new__(Sender)
        other.__dict__.update(self.__dict__)
        memo[id(self)] = other
        return other

    def sent(self, value: float, dt_s: float) -> bytes | None:
        """The last frame that was sent in a tick of `dt_s`, None if none was; `value` in ohm or mm/s."""
        self._since_s += dt_s
        frames = int(self._since_s / self._period_s + 1e-6)
        self._since_s = max(self._since_s - frames * self._period_s, 0.0)
        if not frames:
            return None
        if not self.hangs:
            self._count = (self._count + frames) % (self._reading.count_last + 1)
            self._last = self._frame(value)
        return self._last

    def _frame(self, value: float) -> bytes:
        reading = self._reading
        raw = min(max(round((value - reading.offset) / reading.scale), reading.low), reading.high)
        if self.implausible:
            lowest, highest = can_signals.raw_range(reading.value)
            raw = highest if highest > reading.high else lowest
        numbers: dict[str, int] = {signal.name: 0 for signal in reading.message.signals}
        numbers[reading.value.name] = raw
        if reading.counter is not None:
            numbers[reading.counter.name] = self._count
        if reading.fault is not None:
            numbers[reading.fault.name] = int(self.faulty)
        return reading.message.encode(numbers, scaling=False, strict=False)


class IsolationFrames:
    """Call `sample` once a tick with the resistance that the monitor measures; it writes its part of `raw`,
    a Raw to which `loopwarden.convert.frames` has given the attributes for it.

    As sensor_isolation.IsolationOutput; stuck is a sender that hangs, and repeats its last frame.
    """

    def __init__(self, reading: Reading, period_s: float) -> None:
        self._sender = Sender(reading, period_s)
        self.fault = ""
        self.factor = 1.0
        self.reports_faults = reading.fault is not None

    def sample(self, raw: Any, ohm: float, dt_s: float, jitter: float) -> None:
        """`jitter` is not used: frames come when they come, and their numbers are what they are."""
        sender = self._sender
        sender.faulty = self.fault == "device"
        sender.implausible = self.fault == "implausible"
        sender.hangs = self.fault == "stuck"
        data = sender.sent(ohm * self.factor, dt_s)
        raw.isolation_fresh = 0
        if data is not None and self.fault != "silent":
            raw.isolation_fresh = 1
            raw.isolation_data[: len(data)] = data


class SpeedFrames:
    """Call `sample` once a tick.

    fault   "" or one of FAULTS: wire_open (the sender sees no wheel and says 0), lost (no frames), noisy (now and then
            the highest number that there is), stuck (it hangs, and repeats its last frame)
    """

    FAULTS = ("wire_open", "lost", "noisy", "stuck")

    def __init__(self, reading: Reading, period_s: float) -> None:
        self._sender = Sender(reading, period_s)
        self.fault = ""

    def sample(self, raw: Any, speed_m_s: float, dt_s: float, noise: float) -> None:
        """`noise` is a standard normal number of this tick."""
        sender = self._sender
        sender.implausible = self.fault == "noisy" and noise > _SPURIOUS
        sender.hangs = self.fault == "stuck"
        data = sender.sent(0.0 if self.fault == "wire_open" else speed_m_s * 1000, dt_s)
        raw.speed_fresh = 0
        if data is not None and self.fault != "lost":
            raw.speed_fresh = 1
            raw.speed_data[: len(data)] = data
