"""The stories that are attacked: drives, and a charge, as a careful driver would do them, with nothing wrong.

Each ends with a second start, so that what an attack leaves behind meets one. Times follow from the build.
"""

from dataclasses import dataclass

from loopwarden_build.model import BuildFile
from loopwarden_sim.promise_bounds import bounds_of
from loopwarden_sim.scenario import Action

START: tuple[tuple[str, float], ...] = (("soaked_degc", 18.0), ("soc_percent", 70.0))
_KEY_S, _START_S = 0.2, 3.0
_PRESS_S = 0.2
_STOPS_S = 6.0  # so long a vehicle of such a build brakes
_AGAIN_S = 3.0  # from the second key-on to the second start


@dataclass(frozen=True)
class Story:
    """What the driver does.

    events      tick before which, and what
    attacked    from which tick on, and before which; the second start only shows what is left behind
    phases      in which it is attacked: the others are as in an earlier story
    """

    name: str
    start: tuple[tuple[str, float], ...]
    events: tuple[tuple[int, Action], ...]
    ticks: int
    attacked: range
    phases: frozenset[str]


class _Plot:
    """Times in seconds to events in ticks."""

    def __init__(self, build: BuildFile) -> None:
        self.tick_s = build.build.tick
        self.live_s = _live_s(build)
        self.events: list[tuple[int, Action]] = []

    def tick(self, t_s: float) -> int:
        return round(t_s / self.tick_s) + 1

    def set(self, t_s: float, **values: float) -> None:
        self.events += [(self.tick(t_s), Action("set", name, value)) for name, value in values.items()]

    def press(self, t_s: float, name: str = "start") -> None:
        self.set(t_s, **{name: 1.0})
        self.set(t_s + _PRESS_S, **{name: 0.0})

    def told(self, name: str, first_s: float, again_s: float, phases: str) -> Story:
        """The story, with a second start from `again_s` on."""
        self.set(again_s, key=1.0)
        self.press(again_s + _AGAIN_S)
        off_s = again_s + self.live_s + 2
        self.set(off_s, key=0.0)
        events = tuple(sorted(self.events, key=lambda event: event[0]))
        attacked = range(self.tick(first_s), self.tick(again_s))
        return Story(name, START, events, self.tick(off_s + 2), attacked, frozenset(phases.split(", ")))


def stories_of(build: BuildFile) -> list[Story]:
    """Return the stories that this build can live through."""
    found = [_drive(build), _coast(build), _crash(build)]
    if build.inputs.plug == "fitted":
        found.append(_charge(build))
    return found


def _live_s(build: BuildFile) -> float:
    """When a start is surely over: both tests, precharge and settling at their longest."""
    return _START_S + 2 + bounds_of(build).settle_max_ms / 1000


def _down_s(build: BuildFile) -> float:
    """From standing to a bus proven dead, with the second of the lamps and the ten of the proof."""
    timing = build.timing
    still_s = timing.fallback + timing.ramp if build.motion is None else 1.0
    return still_s + build.discharge.window + 12


def _drive(build: BuildFile) -> Story:
    plot = _Plot(build)
    plot.set(_KEY_S, key=1.0)
    plot.press(_START_S)
    go_s = plot.live_s
    plot.set(go_s, throttle=0.6)
    brake_s = go_s + 5
    plot.set(brake_s, throttle=0.0, brake=0.6)
    off_s = brake_s + _STOPS_S
    plot.set(off_s, key=0.0)
    every = "off, checking, precharging, live, winding down, opening, discharging, locked out, unpowered"
    return plot.told("drive", 0.1, off_s + _down_s(build), every)


def _coast(build: BuildFile) -> Story:
    """Key off at speed: it winds down while it rolls."""
    plot = _Plot(build)
    plot.set(_KEY_S, key=1.0)
    plot.press(_START_S)
    go_s = plot.live_s
    settled_s = go_s + max(0.0, build.isolation.settle - 5)
    plot.set(go_s, throttle=0.6)
    off_s = settled_s + 3
    plot.set(off_s, key=0.0, throttle=0.0)
    plot.set(off_s + 3, brake=0.6)
    return plot.told("coast", settled_s, off_s + 3 + _STOPS_S + _down_s(build), "winding down")


def _crash(build: BuildFile) -> Story:
    """An emergency stop at speed, and a crash where one can be told: everything goes off at once, a lock stays."""
    plot = _Plot(build)
    plot.set(_KEY_S, key=1.0)
    plot.press(_START_S)
    go_s = plot.live_s
    plot.set(go_s, throttle=0.6)
    stop_s = go_s + 3
    if build.inputs.crash:
        plot.set(stop_s, crash_pulse_ms=4000 * build.inputs.crash)
    else:
        plot.set(stop_s, stop=1.0)
        plot.set(stop_s + 10, stop=0.0)
    plot.set(stop_s + 1, throttle=0.0, brake=0.6)
    off_s = stop_s + 1 + _STOPS_S
    plot.set(off_s, key=0.0)
    return plot.told("stop", stop_s - 0.1, off_s + _down_s(build), "discharging, locked out")


def _charge(build: BuildFile) -> Story:
    plot = _Plot(build)
    plot.set(_KEY_S, key=1.0, plug=1.0)
    plot.press(_START_S)
    off_s = plot.live_s + 6
    plot.set(off_s, key=0.0)
    plot.set(off_s + 6, plug=0.0)
    return plot.told("charge", 1.0, off_s + _down_s(build), "checking, precharging, live, winding down")
