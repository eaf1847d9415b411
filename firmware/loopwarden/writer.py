"""Text into one buffer that is made once: constant bytes, integers and quantities as people write them.

Decides nothing. Nothing here takes from the heap: an answer over the link is made in a live tick, and nobody collects.
"""

import io

from micropython import const

_DIGITS = const(12)
_ZERO = const(48)
_BLANKS = (b"", b" ", b"  ", b"   ", b"    ", b"     ", b"      ", b"       ")
NOT_FITTED = (-10000, 10000)  # a temperature of the build that is never reached


class Writer:
    """A page to write on, from the front; `put` takes bytes. Past `size` it would grow, so callers keep below."""

    def __init__(self, size):
        self.page = io.BytesIO(bytes(size))
        self.put = self.page.write  # a saved bound method: looking it up costs more than calling it
        self.put(b" ")  # the page is copied at the first write: once, here
        self.tell = self.page.tell
        self.digits = bytearray(_DIGITS)
        self.tails = [memoryview(self.digits)[k:] for k in range(_DIGITS)]
        self.clear()

    def clear(self):
        """Begin at the front again."""
        self.page.seek(0)

    def take(self, buffer):
        """Copy what was written into `buffer`, clear, and return its length, at most the buffer's."""
        n = min(self.page.tell(), len(buffer))
        self.page.seek(0)
        self.page.readinto(buffer)
        self.page.seek(0)
        return n

    def text(self, text):
        """A str of plain ASCII."""
        self.put(text.encode())

    def column(self, k):
        """Blanks up to column k; one at least."""
        self.blanks(max(k - self.tell(), 1))

    def blanks(self, k):
        """k blanks."""
        while k >= 8:
            k -= 8
            self.put(b"        ")
        self.put(_BLANKS[k])

    def right(self, begin, width):
        """Move what was written from place `begin` on to the right end of `width` columns."""
        k = self.tell()
        rest = width - (k - begin)
        if rest > 0:
            self.page.seek(begin)
            part = self.page.read(k - begin)
            self.page.seek(begin)
            self.blanks(rest)
            self.put(part)

    def int(self, n, least=1):
        """An integer, with leading zeros up to `least` digits."""
        digits = self.digits
        if n < 0:
            self.put(b"-")
            n = -n
        k = _DIGITS
        while n or k > _DIGITS - least:
            k -= 1
            digits[k] = _ZERO + n % 10
            n //= 10
        self.put(self.tails[k])

    def int_right(self, n, width):
        """A count, at the right end of `width` columns."""
        rest = n
        while rest > 9:
            width -= 1
            rest //= 10
        self.blanks(max(width - 1, 0))
        self.int(n)

    def hex(self, n, digits, signs=b"0123456789abcdef"):
        """An integer of at most 30 bits as hexadecimal digits."""
        k = _DIGITS - digits
        part = self.tails[k]
        while digits:
            digits -= 1
            self.digits[k + digits] = signs[n & 15]
            n >>= 4
        self.put(part)

    def fixed(self, value, unit, decimals):
        """`value` in units of 1/(unit * 10**decimals), rounded to 1 or 2 decimals."""
        if value < 0:
            self.put(b"-")
            value = -value
        value = (value + unit // 2) // unit
        scale = 10 if decimals == 1 else 100
        self.int(value // scale)
        self.put(b".")
        self.int(value % scale, decimals)

    # Quantities, with their unit

    def mv(self, mv):
        """mV: "412.3 V"; two decimals below 100 V."""
        if -100000 < mv < 100000:
            self.fixed(mv, 10, 2)
        else:
            self.fixed(mv, 100, 1)
        self.put(b" V")

    def ma(self, ma):
        """mA: "50.0 A"."""
        self.fixed(ma, 100, 1)
        self.put(b" A")

    def ohm(self, ohm):
        """Ohm: "380 ohm", "156.2 kohm", "4.2 Mohm"."""
        if ohm < 10000:
            self.int(ohm)
            self.put(b" ohm")
        elif ohm < 1000000:
            self.fixed(ohm, 100, 1)
            self.put(b" kohm")
        else:
            self.fixed(ohm, 100000, 1)
            self.put(b" Mohm")

    def ms(self, ms):
        """Milliseconds: "420 ms", "3.2 s", "125 s", "12 min", "3 h 5 min"."""
        if ms < 1000:
            self.int(ms)
            self.put(b" ms")
        elif ms < 10000:
            self.fixed(ms, 100, 1)
            self.put(b" s")
        elif ms < 600000:
            self.int(ms // 1000)
            self.put(b" s")
        elif ms < 7200000:
            self.int(ms // 60000)
            self.put(b" min")
        else:
            self.int(ms // 3600000)
            self.put(b" h ")
            self.int(ms // 60000 % 60)
            self.put(b" min")

    def moment(self, s):
        """Seconds since 2020-01-01, UTC: "2026-11-26 07:03 UTC"."""
        days = s // 86400
        year = 2020
        while days >= (366 if year % 4 == 0 else 365):  # no century falls between 2020 and 2099
            days -= 366 if year % 4 == 0 else 365
            year += 1
        month = 1
        while days >= _month_days(month, year):
            days -= _month_days(month, year)
            month += 1
        self.int(year)
        self._two(b"-", month)
        self._two(b"-", days + 1)
        self._two(b" ", s // 3600 % 24)
        self._two(b":", s // 60 % 60)
        self.put(b" UTC")

    def _two(self, mark, n):
        self.put(mark)
        self.int(n, 2)

    def permille(self, permille):
        """Permille: "80 %", "12.5 %"."""
        if permille % 10:
            self.fixed(permille, 1, 1)
        else:
            self.int(permille // 10)
        self.put(b" %")

    def dc(self, dc):
        """Tenths of a degree: "53.5 degC"."""
        if dc in NOT_FITTED:
            self.put(b"not fitted")
        else:
            self.fixed(dc, 1, 1)
            self.put(b" degC")

    def mj(self, mj):
        """Millijoule: "400.0 J"."""
        self.fixed(mj, 100, 1)
        self.put(b" J")

    def mm_s(self, mm_s):
        """mm/s: "36.0 km/h"."""
        self.fixed(mm_s * 36 // 100, 10, 1)
        self.put(b" km/h")

    def quantity(self, name, value):
        """`value` in the unit that `name` ends with, as in "dead_mv"; a bare number where it ends with none."""
        if name.endswith("_mv"):
            self.mv(value)
        elif name.endswith("_ms"):
            self.ms(value)
        elif name.endswith("_dc"):
            self.dc(value)
        elif name.endswith("_permille"):
            self.permille(value)
        elif name.endswith("_ma"):
            self.ma(value)
        elif name.endswith("_ohm"):
            self.ohm(value)
        elif name.endswith("_mj"):
            self.mj(value)
        elif name.endswith("_s"):
            self.ms(value * 1000)
        else:
            self.int(value)


def said(write, *args):
    """What a method of Writer writes, as a str (allocates; for hosts)."""
    page = Writer(80)
    write(page, *args)
    part = bytearray(80)
    return part[: page.take(part)].decode()


def _month_days(month, year):
    if month == 2:
        return 29 if year % 4 == 0 else 28
    return 30 if month in (4, 6, 9, 11) else 31
