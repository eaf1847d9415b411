"""An ideal circuit for the policy's tests: contactors, one capacitor, one pack; first order, exact per millisecond.

It shares nothing with the simulator's plant, so that one wrong model cannot hide in both. No bounce, no noise, no
inductance. Contacts follow their command after travel or release time unless they are welded or stuck.
"""

from math import exp

BUS_R_OHM = 0.02  # cables and closed contacts


class Contact:
    """One contactor: commanded, and closed some time later. `welded` never opens, `stuck` never closes."""

    def __init__(self, close_ms, release_ms):
        self.close_ms = close_ms
        self.release_ms = release_ms
        self.command = 0
        self.since_ms = 10_000
        self.moved = 0
        self.welded = False
        self.stuck = False

    def step_ms(self, command):
        if command != self.command:
            self.command = command
            self.since_ms = 0
        self.since_ms += 1
        if self.since_ms >= (self.close_ms if command else self.release_ms):
            self.moved = command

    @property
    def closed(self):
        return self.welded or (bool(self.moved) and not self.stuck)


class TinyPlant:
    """Pack, bus and contactors of an integer build. Volts, amperes, ohm, farad inside.

    pack_v          open-circuit voltage of the pack
    load_a          what the inverter draws while enabled and connected; negative charges
    leak_ohm        an extra load across the bus, None for none
    discharge_dead  the discharge resistor or its contactor is broken
    coarse          goes in whole ticks wherever nothing moves, so the heat of resistors is no longer exact
    feed_v          something else (a spinning motor) that holds the bus at this voltage or above, None for none
    """

    def __init__(self, build, pack_v):
        self.pack_v = pack_v
        self.pack_ohm = 0.05
        self.c_farad = build.bus_c_uf * 1e-6
        self.precharge_ohm = build.precharge_r_mohm / 1000
        self.discharge_ohm = build.discharge_r_mohm / 1000
        self.bleed_ohm = build.bleed_tau_ms / 1000 / self.c_farad
        self.has_discharge = build.discharge_kind != 2
        self.positive = Contact(build.close_ms, build.release_ms)
        self.negative = Contact(build.close_ms, build.release_ms)
        self.precharge = Contact(build.close_ms, build.release_ms)
        self.discharge = Contact(build.close_ms, build.release_ms)
        self.bus_v = 0.0
        self.current_a = 0.0
        self.load_a = 0.0
        self.leak_ohm = None
        self.discharge_dead = False
        self.feed_v = None
        self.coarse = False
        self.precharge_j = 0.0  # all heat ever made in the resistor
        self.discharge_j = 0.0

    def advance(self, outputs, ms):
        """Let `ms` whole milliseconds pass under these commands."""
        contacts = ((self.positive, outputs.positive), (self.negative, outputs.negative))
        contacts += ((self.precharge, outputs.precharge), (self.discharge, outputs.discharge))
        still = all(contact.moved == contact.command == command for contact, command in contacts)
        if still and (self.coarse or not (self.precharge.closed or self.discharge.closed)):
            for contact, _ in contacts:
                contact.since_ms += ms
            self._circuit_ms(bool(outputs.inverter_enable or outputs.charger_enable), ms)
            return
        for _ in range(ms):
            self.positive.step_ms(outputs.positive)
            self.negative.step_ms(outputs.negative)
            self.precharge.step_ms(outputs.precharge)
            self.discharge.step_ms(outputs.discharge)
            self._circuit_ms(bool(outputs.inverter_enable or outputs.charger_enable))

    def _circuit_ms(self, loaded, ms=1):
        # A node with conductances to sources: it relaxes to their mean with tau = C / sum(g).
        sources = [(1 / self.bleed_ohm, 0.0)]
        if self.leak_ohm is not None:
            sources.append((1 / self.leak_ohm, 0.0))
        draining = self.has_discharge and self.discharge.closed and not self.discharge_dead
        if draining:
            sources.append((1 / self.discharge_ohm, 0.0))
        pack_g = 0.0
        if self.negative.closed:
            if self.positive.closed:
                pack_g += 1 / (self.pack_ohm + BUS_R_OHM)
            if self.precharge.closed:
                pack_g += 1 / (self.pack_ohm + self.precharge_ohm)
        if pack_g:
            sources.append((pack_g, self.pack_v))
        load_a = self.load_a if loaded and self.negative.closed and self.positive.closed else 0.0
        g = sum(part for part, _ in sources)
        target = (sum(part * volts for part, volts in sources) - load_a) / g
        before = self.bus_v
        self.bus_v = target + (before - target) * exp(-0.001 * ms * g / self.c_farad)
        if self.feed_v is not None:
            self.bus_v = max(self.bus_v, self.feed_v)
        mean = (before + self.bus_v) / 2
        self.current_a = (self.pack_v - mean) * pack_g
        if self.precharge.closed and self.negative.closed:
            self.precharge_j += (self.pack_v - mean) ** 2 / self.precharge_ohm * 0.001 * ms
        if draining:
            self.discharge_j += mean**2 / self.discharge_ohm * 0.001 * ms

    @property
    def pack_terminal_v(self):
        return self.pack_v - self.current_a * self.pack_ohm
