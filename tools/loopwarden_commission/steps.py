"""The steps of a build, in the order in which nothing is trusted before it was tried."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from loopwarden_build.model import BuildFile
from loopwarden_commission import steps_coils, steps_high, steps_inputs, steps_isolation, steps_safe, steps_sources
from loopwarden_commission.trial import Trial

FULL, AFTER_SERVICE = "full", "after service"


@dataclass(frozen=True)
class Step:
    """One step.

    short       part of the form after service as well
    essential   no high voltage before it passed
    high        the pack is connected in it
    """

    key: str
    title: str
    run: Callable[[Trial], None]
    short: bool = False
    essential: bool = False
    high: bool = False


def steps_of(build: BuildFile, form: str) -> list[Step]:
    """The steps of a form for this build; keys are unique and stand in records."""
    every = [*_safe(), *_inputs(build), *_coils(build), *_sources(build)]
    every.append(Step("first_start", "first start at high voltage", steps_high.first_start, high=True))
    return [step for step in every if form == FULL or step.short]


def _safe() -> list[Step]:
    return [
        Step("cautions", "cautions and tools", steps_safe.cautions, short=True, essential=True),
        Step("low_voltage", "bus and pack dead", steps_safe.low_voltage, short=True, essential=True),
        Step("identity", "firmware and build", steps_safe.identity, short=True, essential=True),
    ]


def _inputs(build: BuildFile) -> list[Step]:
    steps = [
        Step("key", "key", steps_inputs.key),
        Step("lamps", "lamps", steps_inputs.lamps, short=True, essential=True),
        Step("service", "service switch", steps_inputs.service, short=True, essential=True),
    ]
    for n, loop in enumerate(build.loop):
        title = f"loop {n + 1}: {loop.name}"
        steps.append(Step(f"loop_{n + 1}", title, partial(steps_inputs.loop, number=n), short=True, essential=True))
    for n, zone in enumerate(build.zone):
        run = partial(steps_inputs.zone, number=n)
        steps.append(Step(f"zone_{n + 1}", f"temperature {n + 1}: {zone.name}", run, essential=True))
    steps.append(Step("emergency_stop", "emergency stop", steps_inputs.emergency_stop, short=True, essential=True))
    pressed = "Press {0} and hold it, for less than 10 s.", "Let go of {0}."
    for name in ("start", "acknowledge"):
        deed, undo = [text.format(f"the {name} button") for text in pressed]
        steps.append(Step(name, f"{name} button", partial(steps_inputs.button, name=name, deed=deed, undo=undo)))
    if build.inputs.plug == "fitted":
        deed, undo = "Put the charge plug in, its other end without supply.", "Take the charge plug out."
        steps.append(
            Step("plug", "charge plug", partial(steps_inputs.button, name="charge plug", deed=deed, undo=undo))
        )
    if build.inputs.crash:
        steps.append(Step("crash", "crash sensor", steps_inputs.crash))
    return steps


def _coils(build: BuildFile) -> list[Step]:
    steps = [Step("no_supply", "no coil supply in SERVICE", steps_coils.no_supply, essential=True)]
    coils = steps_coils.coils_of(build)
    for name in coils:
        run = partial(steps_coils.coil, name=name)
        steps.append(Step(f"coil_{name}", f"{name} coil", run, essential=True))
    seen = build.contactor.feedback != "none"
    for name in ("negative", "positive") if seen else ("negative",):
        run = partial(steps_coils.hold, name=name)
        steps.append(Step(f"hold_{name}", f"{name} coil without a heartbeat", run, essential=True))
    return steps


def _sources(build: BuildFile) -> list[Step]:
    return [
        Step("bus_channel", "bus voltage channel", partial(steps_sources.channel, name="bus"), essential=True),
        Step("pack_channel", "pack voltage channel", partial(steps_sources.channel, name="pack"), essential=True),
        Step("discharge", "discharge", steps_sources.discharge, short=True, essential=True),
        Step("isolation", "isolation", steps_isolation.isolation, short=True, essential=True),
    ]
