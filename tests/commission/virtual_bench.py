"""A virtual board in a thread of its own, and a scripted person who acts on its world while the guide asks its port.

The person does what the guide says and types what really is, read off the plant; what goes wrong is in `instead`.
"""

import re
import threading
import time
from collections import deque
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

from sim.board_bench import fresh_image
from sim.test_virtual_board import live

from loopwarden_commission.board import Board
from loopwarden_commission.guide import Guide
from loopwarden_commission.record import Record
from loopwarden_commission.steps import FULL, steps_of
from loopwarden_commission.trial import Pace
from loopwarden_link.client import Link
from loopwarden_sim.board_run import BoardRun
from loopwarden_sim.deeds import read_deed
from loopwarden_sim.virtual_board import VirtualBoard

PACE = Pace(patience_s=20.0, poll_s=0.02, settle_s=40.0, steady_s=0.3, live_poll_s=0.1)
NO_LEAK = "1e15 ohm"
COILS = ("positive", "negative", "precharge", "discharge")
LAMPS = {"ready": "lamp_ready", "caution": "lamp_caution", "stop": "lamp_stop", "high voltage": "lamp_hv"}
BARE = (("pack_connected", 0.0), ("soaked_degc", 20.0), ("key", 1.0))
TICK_MS = 20


class End(BaseException):
    """Ends a run that would go on for ever."""


class Bench(BoardRun):
    """Deeds come from the person's thread; what moved and what was lit is noted for questions about it."""

    def __init__(self, scenario, board):
        super().__init__(scenario, board)
        self.ended = False
        self.coming = deque()
        self.moved, self.lit, self.lit_with_coil = set(), set(), set()
        self.problem = None
        self.slowly = False  # about three times real time: what lasts 2 s there can be asked for here

    def does(self, line, after_ticks=0):
        """A deed, so many ticks from now."""
        self.coming.append((self.tick + after_ticks, line))

    def begin(self, tick):
        super().begin(tick)
        if self.ended:
            raise End
        if self.slowly:
            time.sleep(TICK_MS / 3000)
        due = [one for one in self.coming if one[0] <= tick]
        for one in due:
            self.coming.remove(one)
            self.act(read_deed(one[1], self.world), tick)
        circuit, out = self.world.plant.circuit, self.scene.outputs
        self.moved |= {name for name in COILS if getattr(circuit, name).closed}
        lit = {name for name, field in LAMPS.items() if getattr(out, field)}
        self.lit |= lit
        if any(getattr(out, name) for name in COILS):
            self.lit_with_coil |= lit

    def passes(self, ms):
        """Wait until so much virtual time has gone by."""
        until = self.tick + ms // TICK_MS
        while self.tick < until:
            assert self.problem is None, self.problem
            time.sleep(0.005)


@contextmanager
def virtual(path, image, start=BARE):
    """A running board of a build file; yields (bench, serial port, board)."""
    scenario = replace(live(path), start=start, events=(), ticks=10**9)
    board = VirtualBoard(scenario.build, fresh_image(scenario, image), stalls=False)
    bench = Bench(scenario, board)

    def go():
        with suppress(End):
            outcome = bench.go(None, None)
            bench.problem = outcome.failure or "the run ended"

    thread = threading.Thread(target=go)
    thread.start()
    try:
        bench.passes(2_000)
        yield bench, board.port, board
    finally:
        bench.ended = True
        thread.join()
        board.close()
    breaches = [str(breach) for breach in bench.monitor.breaches]
    assert breaches == [], breaches


class Scripted:
    """Does what it is told. instead: list of (pattern of the text, deeds or answer), the first match is taken once."""

    def __init__(self, bench, build, port, instead=(), answers=()):
        self.bench, self.build, self.port = bench, build, port
        self.instead = list(instead)
        self.answers = list(answers)
        self.said = []
        self.warm = ""
        self.known_ohm = 0.0
        self.pole = "negative"
        self.waits = 0

    def _said(self, text):
        self.said.append(text)

    def tell(self, text):
        self._said(text)
        self.bench.slowly = False
        if "coil now" in text:
            self.bench.moved.clear()
            self.bench.lit_with_coil.clear()

    def waiting(self, text):
        self.waits += 1

    def _acts(self, *lines):
        for line in lines:
            self.bench.does(line)

    def do(self, text):
        self._said(text)
        for n, (pattern, lines) in enumerate(self.instead):
            if re.search(pattern, text):
                del self.instead[n]
                self._acts(*lines)
                return
        for pattern, deed in self.DEEDS:
            found = re.search(pattern, text)
            if found:
                deed(self, *found.groups())
                return
        raise AssertionError(f"nobody knows how to: {text}")

    def ready(self, text):
        self._said(text)
        if text.startswith("These stand"):
            self._clear(re.search(r"start: ([^.]*)\.", text).group(1).split(", "))
        elif "Connect the pack" in text:
            self._acts("bus_source_v 0 V", "pack_source_v 0 V", "pack_connected on")
            self.bench.passes(200)
        elif found := re.match(r"Put ([\d.]+ \w+) from the (\w+) pole", text):
            self._leak(found.group(2), found.group(1))
            self.bench.passes(round(2000 * self.build.isolation.settle))

    def _clear(self, names):
        with Link(self.port) as link:
            for name in names:
                if name == "emergency stop":
                    self._acts("ack on")
                    self.bench.does("ack off", 30)
                    self.bench.does("key off", 60)
                    self.bench.does("key on", 200)
                    self.bench.passes(20_000)  # a new power cycle, and the bus proven dead in it
                else:
                    link.once(f"clear {name}", wait_s=20, heard=self._press)
                    self.bench.passes(2_000)

    def _press(self, found):
        if "press the wired" in str(found.get("what")):
            self.bench.does("ack on")
            self.bench.does("ack off", 30)

    def _leak(self, pole, ohm):
        self.pole = pole
        ohm = ohm if ohm == NO_LEAK else f"{ohm.split()[0]}{'e3' if 'k' in ohm else 'e6' if 'M' in ohm else ''} ohm"
        self._acts(f"leak_{pole}_ohm {ohm}")

    def _warm(self, zone):
        self._cool()
        self.warm = self.build.zone[int(zone) - 1].name
        self._acts(f"strike zone_offset {self.warm} amount=6")

    def _cool(self):
        if self.warm:
            self._acts(f"heal zone_offset {self.warm}")
            self.warm = ""

    def _key_cycle(self):
        self.bench.slowly = True
        self.bench.lit.clear()
        self._acts("key off")
        self.bench.does("key on", 150)

    def _source(self, volts, where):
        other = "pack" if where == "bus" else "bus"
        self._acts(f"{other}_source_v 0 V", f"{where}_source_v {volts} V")

    def _start(self):
        self._key_cycle()
        self.bench.slowly = False
        self.bench.does("start on", 400)
        self.bench.does("start off", 410)

    def _loop(self, number):
        return self.build.loop[int(number) - 1].name

    def _off(self, *_):
        self._leak(self.pole, NO_LEAK)

    DEEDS = (
        (r"^Turn the key on", lambda s: s._acts("key on")),
        (r"^Turn the key off, then on; wait", lambda s: s._start()),
        (r"^Turn the key off, then on", lambda s: s._key_cycle()),
        (r"^Turn the key off\.", lambda s: s._acts("key off")),
        (r"^Touch nothing. Turn the key off", lambda s: s._acts("key off")),
        (r"^The board does not answer: it may", lambda s: s._acts("key on")),
        (r"^Turn the service switch to (\w+)", lambda s, where: s._acts(f"service {where.lower()}")),
        (r"must be closed now", lambda s: None),
        (r"^Open loop (\d)", lambda s, n: s._opens(n)),
        (r"^Close it again", lambda s: s._acts(f"heal loop_open {s.open}")),
        (r"^Warm the sensor of zone (\d+)", lambda s, n: s._warm(n)),
        (r"^Press the emergency stop", lambda s: s._acts("stop on")),
        (r"^Release the emergency stop", lambda s: s._acts("stop off")),
        (r"^Press the start button", lambda s: s._acts("start on")),
        (r"^Let go of the start button", lambda s: s._acts("start off")),
        (r"^Press the acknowledge button", lambda s: s._acts("ack on")),
        (r"^Let go of the acknowledge button", lambda s: s._acts("ack off")),
        (r"^Put the charge plug in", lambda s: s._acts("plug on")),
        (r"^Take the charge plug out", lambda s: s._acts("plug off")),
        (r"^Make the crash sensor", lambda s: s._acts("crash_pulse_ms 50 ms")),
        (r"^Bench source, (\d+) V.* to the (bus|pack) terminals", lambda s, v, where: s._source(v, where)),
        (r"^Take the bench source off the bus", lambda s: s._acts("bus_source_v 0 V")),
        (r"^Put the resistor from the (\w+) pole", lambda s, pole: s._leak(pole, f"{s.known_ohm:g} ohm")),
        (r"^Put ([\d.]+ \w+) there", lambda s, ohm: s._leak(s.pole, ohm)),
        (r"^Take the bench source off again", lambda s: s._acts("bus_source_v 0 V", "pack_source_v 0 V")),
        (r"^Take the resistor off", lambda s: s._off()),
    )

    def _opens(self, number):
        self.open = self._loop(number)
        self._acts(f"strike loop_open {self.open}")

    # Asked

    def _instead(self, question):
        for n, (pattern, answer) in enumerate(self.answers):
            if re.search(pattern, question):
                del self.answers[n]
                return answer
        return None

    def ask(self, question):
        self._said(question)
        answer = self._instead(question)
        return "" if answer is None else answer

    def number(self, question, unit, low, high):
        self._said(question)
        value = self._instead(question)
        if value is None:
            value = self._measured(question)
        assert low <= value <= high, (question, value)
        return value

    def _measured(self, question):
        plant = self.bench.world.plant
        if question.startswith("The resistor by your ohmmeter"):
            want = re.search(r"resistor of ([\d.]+) (\w)ohm", "\n".join(self.said))
            self.known_ohm = float(want.group(1)) * {"k": 1e3, "M": 1e6}[want.group(2)]
            return self.known_ohm
        if question.startswith("Input resistance"):
            return 1e12
        if "heartbeat's last edge" in question:
            return 100.0
        self.bench.passes(20_000 if "now" in question else 4_000)  # what a meter takes to stand still
        if "across the bus" in question:
            return round(plant.circuit.bus_v, 1)
        if "across the pack" in question or "pole to pole" in question:
            return round(plant.circuit.pack_v, 2)
        volts = plant.leakage.negative_v if "negative" in question else plant.leakage.positive_v
        return round(abs(volts), 4)

    def choose(self, question, options):
        self._said(question)
        answer = self._instead(question)
        if answer is not None:
            return answer
        if question.startswith("Which contactor moved"):
            moved, self.bench.moved = self.bench.moved, set()
            assert len(moved) < 2
            return moved.pop() if moved else "none of them"
        raise AssertionError(f"{question}: {self.said[-3:]}")

    def several(self, question, options):
        self._said(question)
        answer = self._instead(question)
        if answer is not None:
            return answer
        out = self.bench.scene.outputs
        if "while the coil was on" in question:
            lit, self.bench.lit_with_coil = self.bench.lit_with_coil, set()
            return lit
        if "right after" in question:
            self.bench.passes(500)  # nobody answers sooner
            return set(self.bench.lit)
        return {name for name, field in LAMPS.items() if getattr(out, field)}


def sitting(bench, port, keys=None, *, form=FULL, instead=(), answers=(), pace=PACE):
    """Run the guide over some steps of the bench's build: (record, person, what ended it)."""
    build = bench.scenario.build
    steps = [step for step in steps_of(build, form) if keys is None or step.key in keys]
    record = Record(form, build.build.name, "d" * 64, "b" * 16, "now", [(step.key, step.title) for step in steps])
    person = Scripted(bench, build, port, instead, answers)
    ended = None
    with Link(port) as link:
        guide = Guide(build, Board(link), person, record, lambda record: None, by="A. Tester", pace=pace)
        try:
            guide.run(steps)
        except Exception as error:
            if isinstance(error, AssertionError):
                raise
            ended = error
    return record, person, ended


def step(record, key):
    """The result of a step."""
    return next(one for one in record.steps if one.key == key)


TRUCK = Path(__file__).resolve().parents[2] / "host_sim" / "builds" / "orchard_truck.toml"
CART = TRUCK.with_name("bench_cart.toml")
