"""What each method of the policy costs in counted instructions, inner calls included: a script for the 32-bit build.

Needs build.json, ticks.bin and window.txt (the first tick that counts, and the first that no longer does). One replay
per method, so that no measurement sits inside another; a line `calls-per-1000-ticks mean-per-tick greatest name` each.
"""

from time import ticks_diff, ticks_us

from replay import Session, files

OWNERS = (
    "switches",
    "electrics",
    "motion",
    "thermal",
    "isolation",
    "health",
    "cooling",
    "resistors",
    "phases",
    "limits",
    "lamps",
    "faults",
    "checks",
)


class Part:
    """Stands in for a bound method and counts what it takes."""

    def __init__(self, method):
        self.method = method
        self.calls = 0
        self.total = 0
        self.most = 0

    def __call__(self, *args):
        before = ticks_us()
        result = self.method(*args)
        fuel = ticks_diff(ticks_us(), before)
        self.calls += 1
        self.total += fuel
        self.most = max(self.most, fuel)
        return result


def run(build, data, first, last, owner, name):
    session = Session(build, data)
    part = None
    while session.next() and session.ticks < last:
        if session.ticks == first:
            target = session.sup if owner is None else getattr(session.sup, owner)
            part = Part(getattr(target, name))
            setattr(target, name, part)
            rebind(session.sup, owner, name, part)
        session.step()
        session.end()
    ticks = session.ticks - first
    if part.calls:
        print(part.calls * 1000 // ticks, part.total // ticks, part.most, (owner or "supervisor") + "." + name)


def rebind(sup, owner, name, part):
    """The supervisor keeps the steps of its parts as bound methods: put the stand-in there as well."""
    if owner is None:
        return
    for attribute in ("parts", "slow"):
        kept = []
        for method in getattr(sup, attribute):
            kept.append(part if method == part.method else method)
        setattr(sup, attribute, tuple(kept))


def main():
    build, data = files()
    with open("window.txt") as file:
        first, last = [int(word) for word in file.read().split()]
    session = Session(build, data)
    session.next()
    names = [(None, "step"), (None, "_slow")]
    for owner in OWNERS:
        for name in dir(getattr(session.sup, owner)):
            if not name.startswith("__") and callable(getattr(getattr(session.sup, owner), name)):
                names.append((owner, name))
    for owner, name in names:
        run(build, data, first, last, owner, name)


main()
