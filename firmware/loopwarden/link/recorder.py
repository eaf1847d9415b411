"""A recording: every tick's exact readings and commands, as bytes, for a program that asked for it at rest.

Reads only. With it the decisions begin anew, as after a loss of power: whoever replays it then knows all that they
start from. It ends when the host sends anything, or does not take what is sent for some seconds. The layout of the
bytes stands in hardware_notes/recording.md.
"""

import binascii

from micropython import const

from loopwarden.link import parts
from loopwarden.link.lines import clean
from loopwarden.link.tables import not_off
from loopwarden.policy.supervisor import Supervisor
from loopwarden.signals import ZONES_MAX, Outputs

FORMAT = const(1)
ASKED, LOST = const(1), const(2)  # why it ended: the host wished it; the host took nothing, or no frame could be made
_SIZE, _MASK = const(2048), const(2047)  # some 150 ticks
_MOST = const(344)  # bytes of a frame in which everything changed, and of the last one after it
_MORE, _NO_MORE = const(0x80), const(0)
_READINGS, _OFTEN, _SELDOM, _FIELDS = const(7), const(4), const(12), const(43)
_AGE = const(6)
_UNKNOWN = const(-(1 << 27))  # in the place of a value: no reading lies there
_SENT_MAX = const(24)  # bytes in a call: twice what a tick brings
_PIECE = const(64)  # bytes of the build in a call, at rest
_POLLOUT = const(4)  # as in select


class Frames:
    """What changed since the tick before, as a frame a tick, in a ring that somebody drains. Heap: none in a tick.

    inputs, outputs, memory   the objects that the supervisor is bound to
    tick(dt_ms)     after a tick, all of it: what it read and commanded; then a look, as nothing changes until the next
    ring, at, end   what is to be sent, from `at` to `end`
    lost            the ring was full, or a frame could not be made: what was missed cannot be told any more
    """

    def __init__(self, inputs, outputs, memory):
        self.ring = bytearray(_SIZE)
        self.at = self.end = 0
        self.lost = False
        self.tick = self._ticks(inputs, outputs, memory, self.ring).send
        self.look()

    def look(self):
        """Before a tick decides: what it will find in the memory, which changes behind it, and the free heap."""
        self.tick(None)

    def close(self, why):
        """The last frame; _MOST leaves room for it."""
        end = self.end
        for byte in (_MORE, _NO_MORE, why):
            self.ring[end] = byte
            end = end + 1 & _MASK
        self.end = end

    def _ticks(self, i, o, m, ring):
        # A generator: its names stay where they are, so each is found ten times quicker than an attribute, and the room
        # for so many of them is not taken from the heap in each tick.
        try:
            now, was = [0] * _READINGS, [0] * _READINGS
            often, was_often = [0] * _OFTEN, [0] * _OFTEN
            seldom, was_seldom = [0] * _SELDOM, [0] * _SELDOM
            zone_dc, zone_state = [0] * ZONES_MAX, [0] * ZONES_MAX
            others = (
                (often, was_often, 0),
                (seldom, was_seldom, _OFTEN),
                (i.zone_dc, zone_dc, _OFTEN + _SELDOM),
                (i.zone_state, zone_state, _OFTEN + _SELDOM + ZONES_MAX),
            )
            tags, steps = [0] * _FIELDS, [0] * _FIELDS
            count = end = 0
            while True:
                seldom[0] = i.heap_free
                word = m.ready | m.new << 1 | m.failed << 2 | m.nearly_full << 3 | m.damaged << 4 | m.drifting << 5
                # Whether it is idle takes long to say, and nobody looks while a contactor is closed.
                seldom[1] = word | m.mark << 6 | (0 if o.negative else m.idle() << 7)
                dt = yield
                if not dt or self.lost:
                    continue
                if self.at - end - 1 & _MASK < _MOST:
                    self.lost = True
                    continue
                if not count:  # every 256th frame tells all that is not 0: whoever lost one reads on there
                    for old in (was, was_often, was_seldom, zone_dc, zone_state):
                        for k in range(len(old)):
                            old[k] = 0
                head = k = n = 0
                # What changes in nearly every tick: a bit each. An age that grows is no change.
                now[0] = i.pack_mv
                now[1] = i.bus_mv
                now[2] = i.current_ma
                now[3] = i.supply_mv
                now[4] = i.speed_mm_s
                now[5] = i.speed_pulses
                now[_AGE] = i.isolation_age_ms
                was[_AGE] += dt
                for value in now:
                    if value != was[k]:
                        head |= 1 << k
                        tags[n] = 0
                        steps[n] = (_UNKNOWN if value is None else value) - (_UNKNOWN if was[k] is None else was[k])
                        was[k] = value
                        n += 1
                    k += 1
                # What mostly stays: a number each.
                often[0] = i.isolation_ohm
                often[1] = i.reference_mv
                often[2] = o.drive_limit_permille
                often[3] = o.charge_limit_permille
                seldom[2] = dt
                seldom[3] = i.bits
                seldom[4] = i.known
                seldom[5] = i.latch
                seldom[6] = i.loop_low | i.loop_high << 6
                word = i.pack_state | i.bus_state << 3 | i.current_state << 6 | i.supply_state << 9
                seldom[7] = word | i.reference_state << 12 | i.isolation_state << 15 | i.speed_state << 18
                seldom[8] = i.late_ms
                word = o.positive | o.negative << 1 | o.precharge << 2 | o.discharge << 3 | o.inverter_enable << 4
                word |= o.charger_enable << 5 | o.hv_loads_enable << 6 | o.hold << 7 | o.heater << 8
                word |= o.chiller << 9 | o.chill_valve << 10 | o.heat_share << 11 | o.lamp_ready << 12
                seldom[9] = word | o.lamp_caution << 13 | o.lamp_stop << 14 | o.lamp_hv << 15
                seldom[10] = o.pump_permille
                seldom[11] = o.fan_permille
                for new, old, tag in others:
                    if new != old:
                        head |= _MORE
                        k = 0
                        for value in new:
                            tag += 1
                            if value != old[k]:
                                tags[n] = tag
                                word = _UNKNOWN if old[k] is None else old[k]
                                steps[n] = (_UNKNOWN if value is None else value) - word
                                old[k] = value
                                n += 1
                            k += 1
                ring[end] = head
                end = end + 1 & _MASK
                k = 0
                while k < n:
                    if tags[k]:
                        ring[end] = tags[k]
                        end = end + 1 & _MASK
                    word = steps[k] << 1
                    if word < 0:
                        word = ~word
                    while word > 0x7F:
                        ring[end] = word & 0x7F | 0x80
                        end = end + 1 & _MASK
                        word >>= 7
                    ring[end] = word
                    end = end + 1 & _MASK
                    k += 1
                if head & _MORE:
                    ring[end] = _NO_MORE
                    end = end + 1 & _MASK
                ring[end] = count  # a frame that is missing shows in the next one
                self.end = end = end + 1 & _MASK
                count = count + 1 & 0xFF
        except Exception:  # it must not end the drive
            self.lost = True
            while True:
                yield


class Recorder:
    """One recording at a time, on a console."""

    def __init__(self, console):
        self.out, self.info = console.lines, console.info
        self.port, self.read, self.write = console.port, console.read, console.write

    def record(self, loop, arg):
        out = self.out
        reason = self._refused(loop)
        if reason:
            out.error(b"no recording: ", 0, reason)
            yield
            return
        yield from self._image()
        reason = self._refused(loop)  # that took some time
        if reason:
            out.error(b"no recording: ", 0, reason)
            yield
            return
        self._anew(loop)
        frames = Frames(loop.inputs, loop.outputs, loop.memory)
        parts.collected(loop)
        loop.watch = frames.tick
        try:
            yield from self._begin(loop)
            yield from self._stream(frames)
        finally:
            loop.watch = None

    def _refused(self, loop):
        s, m = loop.supervisor, loop.memory
        reason = not_off(loop)
        if reason:
            return reason
        if s.faults.marked or m.waits():
            return b"the memory is at work; ask again"
        for k in range(s.faults.actives):
            if s.faults.active[k] not in m.locked:
                # It would be over without what ends it (S15).
                return b"a fault is active; what ends it stands under faults CODE"
        return b"" if self.out.program else b"it is bytes, for a program; use the host tool"

    def _image(self):
        # The build, as it was packed and checked at the start: an object that tells how long it is, then its bytes.
        out, write = self.out, self.write
        with open(self.info["image"], "rb") as file:
            out.begin(b"image")
            out.int(b"bytes", file.seek(0, 2))
            out.close()
            yield
            file.seek(0)
            piece = file.read(_PIECE)
            while piece:
                at = 0
                while at < len(piece) and write(piece[at]):
                    at += 1
                piece = piece[at:] or file.read(_PIECE)
                yield None if at else False

    def _anew(self, loop):
        # As after a loss of power; what outlives that lies in the memory.
        old = loop.supervisor
        loop.supervisor = Supervisor(loop.build, loop.memory)
        loop.supervisor.faults.clock_ms = old.faults.clock_ms
        heartbeat = loop.outputs.heartbeat
        loop.outputs = Outputs()
        loop.outputs.heartbeat = heartbeat  # S11: the next edge comes in its tick

    def _begin(self, loop):
        # What the decisions start from; read before the next tick.
        out, m = self.out, loop.memory
        heat, proofs = (m.precharge_mj, m.discharge_mj), (m.positive_proven, m.negative_proven)
        counts, locked = (m.flats, m.under_load), binascii.hexlify(bytes(m.locked))
        out.begin(b"recording")
        out.int(b"format", FORMAT)
        out.text(b"program", clean(self.info["program"]))
        out.text(b"board", clean(self.info["board"]))
        out.int(b"clock_ms", loop.supervisor.faults.clock_ms)
        out.int(b"cycle", m.cycle)
        out.close()
        yield
        out.begin(b"memory")
        out.int(b"positive_proven", int(proofs[0]))
        out.int(b"negative_proven", int(proofs[1]))
        out.int(b"precharge_mj", heat[0])
        out.int(b"discharge_mj", heat[1])
        out.int(b"flats", counts[0])
        out.int(b"under_load", counts[1])
        out.text(b"locked", locked)
        out.close()
        yield

    def _stream(self, frames):
        # In a loop of its own: what sends an answer takes twice as long for a byte.
        ring, ready, put = frames.ring, self.port.ready, self.port.put
        one = bytearray(1)
        why = 0
        while not why or frames.at != frames.end:
            if not why and (frames.lost or self.read() >= 0):
                why = LOST if frames.lost else ASKED
                frames.lost = True  # no more of them
                frames.close(why)
            at, end, left = frames.at, frames.end, _SENT_MAX
            while at != end and left:
                room = 0
                for found in ready(0):
                    room = found[1] & _POLLOUT
                if not room:
                    break
                one[0] = ring[at]
                put(one)
                at = at + 1 & _MASK
                left -= 1
            frames.at = at
            yield None if left < _SENT_MAX else False
