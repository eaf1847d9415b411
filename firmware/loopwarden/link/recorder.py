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

FORMAT = const(3)
ASKED, LOST = const(1), const(2)  # why it ended: the host wished it; the host took nothing, or no frame could be made
_WRAP = const(1112)  # no frame begins behind it; the ring takes some 120 ticks of a drive
_MOST = const(264)  # bytes of a frame in which everything changed, and of the last one after it
_END = const(3)  # bytes of the last one
_AGED, _MORE = const(0x40), const(0x80)  # in the head
_LAST = const(0x80)  # in a field's number: no other follows
_SLOTS = const(101)
_SELDOM, _SELDOM_FIRST = const(12), const(6)  # so many fields, and the first one's number
_ZONES, _ZONE_LAST = const(18), const(9)  # number of the first zone's field; place of the last zone
_UNKNOWN = const(-(1 << 27))  # in the place of a value: no reading lies there
_READY_MARKED = const(65)
_DRIVES = const(83)  # commands of most ticks of a drive: mains, inverter, high-voltage lamps
_NEGATIVE = const(2)  # of the commands
_ASKED = const(7)  # those before what the driver was asked
_LOOK = const(7)  # calls from one look at the host to the next
_SENT_MAX = const(24)  # bytes in a call: three times what a tick brings
_PIECE = const(64)  # bytes of the build in a call, at rest


class _Slice:
    def __getitem__(self, found):
        return found


class Frames:
    """What changed since the tick before, as a frame a tick, in a ring that somebody drains. Heap: none in a tick.

    inputs, outputs, memory   the objects that the supervisor is bound to
    driver          asked: the other commands, as the board's driver was asked for them
    tick(dt_ms)     after a tick, all of it: what it read and commanded; then a look, as nothing changes until the next
    ring, at, end   what is to be sent: ring[at:end]; where end is less than at, ring[at:top] and then ring[:end]
    lost            the ring was full, or a frame could not be made: what was missed cannot be told any more
    """

    def __init__(self, inputs, outputs, memory, driver):
        self.ring = bytearray(_WRAP + _MOST)
        self.at = self.end = self.top = 0
        self.lost = False
        self.tick = self._ticks(inputs, outputs, memory, driver, self.ring).send
        self.look()

    def look(self):
        """Before a tick decides: what it will find in the memory, which changes behind it, and the free heap."""
        self.tick(None)

    def close(self, why):
        """The last frame; _MOST leaves room for it."""
        end = self.end
        for byte in (_MORE, _LAST, why):
            self.ring[end] = byte
            end += 1
        self.end = end

    def _ticks(self, i, o, m, driver, ring):
        # A generator: its names stay where they are, so each is found ten times quicker than an attribute, and the room
        # for so many of them is not taken from the heap in each tick. The first 16 are the quickest. What may change in
        # any tick is written out, field by field: laid into lists first it took nearly twice as long.
        try:
            word = value = step = slot = head = last = end = states = commands = 0
            seldom, slots, number, new = [0] * _SELDOM, [0] * _SLOTS, _number, _new
            pack = bus = current = speed = pulses = supply = age = extra = ohm = reference = drive = charge = 0
            begin = count = free = zone = dt = 0
            odd = many = closed = False
            empty, every = [0] * _SLOTS, _Slice()[:]
            dc, state = i.zone_dc, i.zone_state
            was_seldom, was_dc, was_state = [0] * _SELDOM, [0] * ZONES_MAX, [0] * ZONES_MAX
            zones, forgotten = ((dc, was_dc), (state, was_state)), (was_seldom, was_dc, was_state)
            while True:
                seldom[0] = i.heap_free
                # While a contactor is closed these change only in a tick that the memory was busy in. Whether it is
                # idle takes long to say, and nobody looks then.
                if not (closed and commands & _NEGATIVE) or m.busy or not dt:
                    word = _READY_MARKED
                    if not m.ready:
                        word ^= 1
                    if m.new:
                        word |= 2
                    if m.failed:
                        word |= 4
                    if m.nearly_full:
                        word |= 8
                    if m.damaged:
                        word |= 16
                    if m.drifting:
                        word |= 32
                    if not m.mark:
                        word ^= 64
                    closed = commands & _NEGATIVE
                    if not closed and m.idle():
                        word |= 128
                    seldom[1] = word
                dt = yield
                if not dt or self.lost:
                    continue
                if end >= free:  # as far as frames may begin; where all before the end waits, none may wrap
                    word = self.at
                    free = (_WRAP if word > _END else _WRAP - _MOST) if word <= end else word - _MOST
                    if end >= free:
                        self.lost = True
                        continue
                if not count:  # every 256th frame tells all that is not 0: whoever lost one reads on there
                    pack = bus = current = speed = pulses = supply = age = extra = ohm = reference = drive = charge = 0
                    for was in forgotten:
                        for slot in range(len(was)):
                            was[slot] = 0
                    slots[every] = empty  # one by one it would take as long as a quarter of a tick
                begin = end
                end += 1
                head = last = states = 0
                # Steps that come again and again, as they are one, two or three of a converter's, are a slot each. The
                # state of a reading that has a value is 0 (S10).
                value = i.pack_mv
                if value != pack:
                    if value is None:
                        value = _UNKNOWN
                        states |= i.pack_state
                    step = value - pack
                    if step:
                        pack = value
                        head |= 1
                        slot = step % _SLOTS
                        if slots[slot] == step:
                            ring[end] = slot
                            end += 1
                        else:
                            slots[slot] = step
                            end = new(ring, end, step)
                value = i.bus_mv
                if value != bus:
                    if value is None:
                        value = _UNKNOWN
                        states |= i.bus_state << 3
                    step = value - bus
                    if step:
                        bus = value
                        head |= 2
                        slot = step % _SLOTS
                        if slots[slot] == step:
                            ring[end] = slot
                            end += 1
                        else:
                            slots[slot] = step
                            end = new(ring, end, step)
                value = i.current_ma
                if value != current:
                    if value is None:
                        value = _UNKNOWN
                        states |= i.current_state << 6
                    step = value - current
                    if step:
                        current = value
                        head |= 4
                        slot = step % _SLOTS
                        if slots[slot] == step:
                            ring[end] = slot
                            end += 1
                        else:
                            slots[slot] = step
                            end = new(ring, end, step)
                value = i.speed_mm_s
                if value != speed:
                    if value is None:
                        value = _UNKNOWN
                        states |= i.speed_state << 18
                    step = value - speed
                    if step:
                        speed = value
                        head |= 8
                        slot = step % _SLOTS
                        if slots[slot] == step:
                            ring[end] = slot
                            end += 1
                        else:
                            slots[slot] = step
                            end = new(ring, end, step)
                value = i.speed_pulses
                if value != pulses:
                    if value is None:
                        value = _UNKNOWN
                    step = value - pulses
                    if step:
                        pulses = value
                        head |= 16
                        slot = step % _SLOTS
                        if slots[slot] == step:
                            ring[end] = slot
                            end += 1
                        else:
                            slots[slot] = step
                            end = new(ring, end, step)
                value = i.supply_mv
                if value != supply:
                    if value is None:
                        value = _UNKNOWN
                        states |= i.supply_state << 9
                    step = value - supply
                    if step:
                        supply = value
                        head |= 32
                        slot = step % _SLOTS
                        if slots[slot] == step:
                            ring[end] = slot
                            end += 1
                        else:
                            slots[slot] = step
                            end = new(ring, end, step)
                # An age that grows as it did is no change, one that begins anew a bit.
                value = i.isolation_age_ms
                age += dt + extra
                if value != age:
                    if value == 0:
                        head |= _AGED
                    else:
                        ring[end] = 1
                        last = end
                        end = number(ring, end + 1, value, age)
                        extra += value - age
                    age = value
                # What changes less often has a number.
                value = i.isolation_ohm
                if value != ohm:
                    if value is None:
                        value = _UNKNOWN
                        states |= i.isolation_state << 15
                    if value != ohm:
                        ring[end] = 2
                        last = end
                        end = number(ring, end + 1, value, ohm)
                        ohm = value
                value = i.reference_mv
                if value != reference:
                    if value is None:
                        value = _UNKNOWN
                        states |= i.reference_state << 12
                    if value != reference:
                        ring[end] = 3
                        last = end
                        end = number(ring, end + 1, value, reference)
                        reference = value
                value = o.drive_limit_permille
                if value != drive:
                    ring[end] = 4
                    last = end
                    end = number(ring, end + 1, value, drive)
                    drive = value
                value = o.charge_limit_permille
                if value != charge:
                    ring[end] = 5
                    last = end
                    end = number(ring, end + 1, value, charge)
                    charge = value
                seldom[2] = dt
                seldom[3] = i.bits
                seldom[4] = i.known
                if odd or i.latch or i.loop_low or i.loop_high or i.late_ms:
                    seldom[5] = i.latch
                    seldom[6] = i.loop_low | i.loop_high << 6
                    seldom[8] = i.late_ms
                    odd = seldom[5] or seldom[6] or seldom[8]
                seldom[7] = states
                commands = driver.asked << _ASKED | _DRIVES
                if not o.positive:
                    commands ^= 1
                if not o.negative:
                    commands ^= 2
                if o.precharge:
                    commands |= 4
                if o.discharge:
                    commands |= 8
                if not o.inverter_enable:
                    commands ^= 16
                if o.lamp_stop:
                    commands |= 32
                if not o.lamp_hv:
                    commands ^= 64
                seldom[9] = commands
                seldom[10] = o.pump_permille
                seldom[11] = o.fan_permille
                if seldom != was_seldom:
                    slot = 0
                    for value in seldom:
                        step = was_seldom[slot]
                        if value != step:
                            was_seldom[slot] = value
                            ring[end] = _SELDOM_FIRST + slot
                            last = end
                            end = number(ring, end + 1, value, step)
                        slot += 1
                # One zone is looked at in every second tick, in turn; mostly it is the only one that changed.
                if dc != was_dc:
                    while dc[zone] == was_dc[zone]:
                        zone = zone + 1 if zone < _ZONE_LAST else 0
                    step = was_dc[zone]
                    was_dc[zone] = dc[zone]
                    if dc == was_dc:
                        ring[end] = _ZONES + zone
                        last = end
                        end = number(ring, end + 1, dc[zone], step)
                    else:
                        was_dc[zone] = step
                        many = True
                if many or state != was_state:
                    many = False
                    word = _ZONES
                    for now, was in zones:
                        slot = word
                        if now != was:
                            for value in now:
                                step = was[slot - word]
                                if value != step:
                                    was[slot - word] = value
                                    ring[end] = slot
                                    last = end
                                    end = number(ring, end + 1, value, step)
                                slot += 1
                        word += ZONES_MAX
                if last:
                    head |= _MORE
                    ring[last] |= _LAST
                ring[begin] = head
                ring[end] = count  # a frame that is missing shows in the next one
                end += 1
                count = count + 1 & 0xFF
                if end >= _WRAP:
                    self.top = end
                    end = free = 0
                self.end = end
        except Exception:  # it must not end the drive
            self.lost = True
            while True:
                yield


def _number(ring, end, value, was):
    # By how much it changed, in groups of seven bits, lowest first; returns where the next byte lies.
    if value is None:
        value = _UNKNOWN
    if was is None:
        was = _UNKNOWN
    step = value - was << 1
    if step < 0:
        step = ~step
    while step > 0x7F:
        ring[end] = step & 0x7F | 0x80
        end += 1
        step >>= 7
    ring[end] = step
    return end + 1


def _new(ring, end, step):
    # In two groups at the least: one alone is a slot.
    after = _number(ring, end, step, 0)
    if after == end + 1:
        ring[end] |= 0x80
        ring[after] = 0
        after += 1
    return after


class Recorder:
    """One recording at a time, on a console."""

    def __init__(self, console):
        self.console, self.out, self.info = console, console.lines, console.info
        self.port, self.read, self.write = console.port, console.read, console.port.write

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
        frames = Frames(loop.inputs, loop.outputs, loop.memory, loop.board.driver)
        parts.collected(loop)
        loop.watch = frames.tick
        try:
            yield from self._begin(loop)
            self.stream(frames)
            yield
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

    def stream(self, frames):
        """Take the console's place until the recording has ended and all of it was sent."""
        console = self.console
        sends = self._sends(console, console.work, frames, frames.ring, self.port.ready, self.port.put, self.read)
        next(sends)
        console.work = sends.send

    def _sends(self, console, work, frames, ring, ready, put, read):
        # A generator, as that of the console.
        at = end = begin = why = left = 0
        try:
            while not why or frames.at != frames.end:
                yield at > begin
                if left:
                    left -= 1
                elif not why:
                    left = _LOOK
                    if frames.lost or read() >= 0:
                        why = LOST if frames.lost else ASKED
                        frames.lost = True  # no more of them
                        frames.close(why)
                at, end = frames.at, frames.end
                if end < at:
                    end = frames.top
                    if at == end:
                        at, end = 0, frames.end
                if end > at + _SENT_MAX:
                    end = at + _SENT_MAX
                begin = at
                while at < end:
                    for _ in ready(0):
                        put(ring, at, 1)
                        at += 1
                        break
                    else:
                        break
                frames.at = at
        except Exception:  # it must not end the drive
            frames.lost = True
        console.work = work
        while True:
            yield True
