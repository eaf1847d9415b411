"""What is sent on a CAN bus: one frame a tick, in turn, before the other link; what each holds: loopwarden.dbc.

Reads only, decides nothing (S15). Every frame ends with a counter that goes up by one each time and with a checksum
over its identifier and all before it, so a receiver tells a repeated, a lost, a mangled and a misplaced one.
"""

from micropython import const

from loopwarden.memory.codes import TEST_FAILED
from loopwarden.policy import fault_table as T

STATUS, VOLTAGES, LIMITS, FAULT, ISOLATION, TEMPERATURES = range(6)  # added to the first identifier
FRAMES = const(6)
# What goes out in which turn: what the drive acts on in each of five ticks, what is slow in every second round.
_TURNS = b"\x00\x01\x02\x03\x04\x00\x01\x02\x03\x05"
_NO_WORD, _NO_SHORT, _NO_DC = const(0xFFFF), const(-0x8000), const(-0x800)  # in the place of a value (S10)
_DC_MAX = const(0x7FF)
_AGE_MAX_MS = const(60000)
# CRC-8 of SAE J1850: polynomial 0x1D, begun with 0xFF, inverted at the end.
_POLYNOMIAL = const(0x1D)


def _crc_table():
    table = bytearray(256)
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = crc << 1 ^ (_POLYNOMIAL if crc & 0x80 else 0)
        table[byte] = crc & 0xFF
    return bytes(table)


_CRC = _crc_table()


def begun(identifier):
    """The checksum over an identifier alone, low byte first: what a frame's own goes on from."""
    return _CRC[_CRC[0xFF ^ identifier & 0xFF] ^ identifier >> 8]


def seal(data, crc):
    """Write the last byte: the checksum over what it was begun with and bytes 0 to 6. Heap: none."""
    table = _CRC
    crc = table[crc ^ data[0]]  # a loop would take twice as long
    crc = table[crc ^ data[1]]
    crc = table[crc ^ data[2]]
    crc = table[crc ^ data[3]]
    crc = table[crc ^ data[4]]
    crc = table[crc ^ data[5]]
    data[7] = table[crc ^ data[6]] ^ 0xFF


class Frames:
    """A link of the loop, which calls it after a tick, unless that programmed flash, did much or was late.

    can     send(identifier, data): True when it was taken; never waits
    link    the other one: what is done for it is done as without this one
    Made before the loop runs: the codes of the fault table are not there later. Heap: none after that.
    """

    def __init__(self, can, build, link):
        self.can, self.link, self.first_id = can, link, build.can[0]
        self.told_us = -1  # when the tick began after which the last one was sent
        self.data = bytearray(8)
        self.counts = bytearray(FRAMES)
        self.turn = self.fault = 0
        self.codes = bytes(3) + b"".join([bytes((row[T.CODE] >> 8, row[T.CODE] & 0xFF, row[T.FTB])) for row in T.TABLE])
        self.begun = bytes([begun(self.first_id + kind) for kind in range(FRAMES)])
        places = range(len(build.zone_where))
        self.inverters, self.motors = [sum([1 << n for n in places if build.zone_where[n] == k]) for k in (1, 2)]
        self.makers = (self._status, self._voltages, self._limits, self._fault, self._isolation, self._temperatures)

    def work(self, loop):
        """A frame in the first call after a tick; then as the other link has it."""
        if self.told_us != loop.last_us:
            self.told_us = loop.last_us
            self.send(loop)
        return self.link.work(loop)

    def send(self, loop):
        """The next frame; the same one again with the next call where it was not taken."""
        s = loop.supervisor
        if s is None:  # nothing is decided any more: silence says so, a frame would say that somebody watches
            return
        kind = _TURNS[self.turn]
        data, counts = self.data, self.counts
        self.makers[kind](s, data)
        data[6] |= counts[kind]
        seal(data, self.begun[kind])
        if self.can.send(self.first_id + kind, data):
            counts[kind] = counts[kind] + 1 & 15
            self.turn = (self.turn + 1) % 10
            if kind == FAULT:
                self.fault += 1

    # Each writes bytes 0 to 6, whose last half byte is left to the counter. A frame of more than eleven words would be
    # taken from the heap, so each has few names.

    def _status(self, s, data):
        o = s.outputs
        data[0] = s.phases.phase | o.positive << 4 | o.negative << 5 | o.precharge << 6 | o.discharge << 7
        bits = o.inverter_enable | o.charger_enable << 1 | o.hv_loads_enable << 2 | o.hold << 3 | o.lamp_ready << 4
        data[1] = bits | o.lamp_caution << 5 | o.lamp_stop << 6 | o.lamp_hv << 7
        data[2] = s.faults.actives
        data[3] = s.faults.worst_row
        bits = s.memory.cycle
        data[4] = bits & 0xFF
        data[5] = bits >> 8 & 0xFF
        data[6] = 0

    def _voltages(self, s, data):
        i = s.inputs
        value = i.bus_mv
        value = (value + 50) // 100 if s.electrics.bus_ok and value is not None else _NO_SHORT
        data[0] = value & 0xFF
        data[1] = value >> 8 & 0xFF
        value = i.pack_mv
        value = (value + 50) // 100 if s.electrics.pack_ok and value is not None else _NO_SHORT
        data[2] = value & 0xFF
        data[3] = value >> 8 & 0xFF
        value = i.current_ma
        value = (value + 50) // 100 if not i.current_state and value is not None else _NO_SHORT
        data[4] = value & 0xFF
        data[5] = value >> 8 & 0xFF
        data[6] = 0

    def _limits(self, s, data):
        value = s.outputs.drive_limit_permille
        data[0] = value & 0xFF
        data[1] = value >> 8 | (s.limits.drive_goal & 15) << 2
        value = s.outputs.charge_limit_permille
        data[2] = value & 0xFF
        data[3] = value >> 8 | (s.limits.charge_goal & 15) << 2
        value, state = s.inputs.speed_mm_s, s.inputs.speed_state
        value = _NO_WORD if state or value is None else value // 10
        data[4] = value & 0xFF
        data[5] = value >> 8
        data[6] = state << 4

    def _fault(self, s, data):
        if self.fault >= s.faults.actives:
            self.fault = 0
        row = s.faults.active[self.fault]  # 0 where none is
        data[0] = self.fault
        data[1] = row
        codes = self.codes
        data[2] = codes[3 * row]
        data[3] = codes[3 * row + 1]
        data[4] = codes[3 * row + 2]
        data[5] = data[6] = 0
        if row:  # one that has no record yet has failed all the same
            data[5] = TEST_FAILED if s.memory.raw(row) is None else s.memory.status(row)

    def _isolation(self, s, data):
        i = s.inputs
        ohm = i.isolation_ohm
        known = ohm is not None and not i.isolation_state
        value = min(ohm // s.build.working_v, _NO_WORD - 1) if known else _NO_WORD
        data[0] = value & 0xFF
        data[1] = value >> 8
        value = min(ohm // 1000, _NO_WORD - 1) if known else _NO_WORD
        data[2] = value & 0xFF
        data[3] = value >> 8
        value = min(i.isolation_age_ms, _AGE_MAX_MS)
        data[4] = value & 0xFF
        data[5] = value >> 8
        data[6] = i.isolation_state << 4 | s.build.iso_measures << 7

    def _temperatures(self, s, data):
        t = s.thermal
        if t.valid & t.pack_zones:
            _pair(data, 0, t.hottest_dc, t.coldest_dc)
        else:
            _pair(data, 0, _NO_DC, _NO_DC)
        dc = t.motor_dc if t.valid & self.motors else _NO_DC
        _pair(data, 3, t.inverter_dc if t.valid & self.inverters else _NO_DC, dc)
        data[6] = 0


def _pair(data, at, one, other):
    # In 12 bits each. More than fits stands at the end; what nobody has looked at yet lies far below (S10).
    one = _NO_DC if one < -_DC_MAX else _DC_MAX if one > _DC_MAX else one
    other = _NO_DC if other < -_DC_MAX else _DC_MAX if other > _DC_MAX else other
    data[at] = one & 0xFF
    data[at + 1] = one >> 8 & 15 | (other & 15) << 4
    data[at + 2] = other >> 4 & 0xFF
