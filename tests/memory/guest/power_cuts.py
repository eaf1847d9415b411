"""Cuts the power at every flash operation of many sessions, in four ways, and looks at what is left: a guest script.

Needs plan.json: {"start": "blank" | "fresh" | "full" | "aged", "sessions": [first, last], "again": every how many cuts
a second one falls into the recovery, "broken": a name from `BROKEN`, or ""}. Prints one JSON object: `cuts` tried,
`lost` of them after which something was missing or invented, and `losses`, the first few in words.
A session is a power-up and some steps from `SESSIONS`; it begins from the flash that the one before left behind.
"""

import json
import os

import vfs
from bench_world import BenchWorld
from nor import RANDOM, WAYS, Nor, PowerCut

from loopwarden.memory import journal
from loopwarden.memory.flash import FlashMemory
from loopwarden.memory.journal import Journal

BLOCKS = 48
ROOT = "/flash"
FOLDER = ROOT + "/memory"
# Steps: n note, g gone, e end, c clear (with a row), L mark live, D mark dead, P prove positive, S spend it,
# l live, o off, and a number: so many ticks.
SESSIONS = (
    "n76 4 e76 60",
    "L 2 l n7 1 n51 1 S 1 n44 3 o D P 60",
    "n50 3 g50 e50 60 L 2 l n7 2 g7 e7 n7 2",
    "c7 2 60 n46 2 e46 3 60",
    "L 2 S l n61 1 n57 1 n1 1 n8 1 n35 4 o D 80 e44 4 60",
    "n34 2 n54 2 60 e34 2 60 c51 1 c61 1 60",
    "L 2 l n7 1 g7 1 e7 1 n7 1 g7 1 e7 1 n7 1 g7 1 e7 1 n7 2 o D P 60",
    "n62 1 60 n79 2 60 e62 1 e79 1 e54 1 60 n80 2 e80 2 60",
)


def times(memory, row):
    """How often a row has come, by its record; 0 without one."""
    record = memory.raw(row)
    return record[1] if record else 0


class Witness:
    """What must be there after a cut: `sure` was reported as stored, `open` may be there as well."""

    def __init__(self, memory):
        self.memory = memory
        self.settle()

    def settle(self):
        """Everything that does not wait any more is sure."""
        m = self.memory
        self.sure = {row: times(m, row) for row in range(81) if m.stored(row)}
        for row in range(81):
            self.sure.setdefault(row, 0)
        self.locks = set(m.locked)
        self.mark = m.mark
        self.proven = m.positive_proven

    def look(self):
        m = self.memory
        for row in range(81):
            if m.stored(row):
                self.sure[row] = times(m, row)
        if not m.state_waits:
            self.locks = set(m.locked)
            self.mark = m.mark
            self.proven = m.positive_proven

    def problems(self, found):
        """What a memory that was read again lacks, or invents."""
        m = self.memory
        told = []
        if not found.ready:
            told.append("not ready: " + found.why_failed)
            return told
        for row in range(81):
            count = times(found, row)
            now = times(m, row)
            if not min(self.sure[row], now) <= count <= max(self.sure[row], now):
                told.append("row %d: %d times, stored %d, in RAM %d" % (row, count, self.sure[row], now))
            if count and found.raw(row)[0] != row:
                told.append("row %d holds another" % row)
        now_locks = set(m.locked)
        for row in self.locks & now_locks - set(found.locked):
            told.append("lock %d forgotten" % row)
        for row in set(found.locked) - self.locks - now_locks:
            told.append("lock %d invented" % row)
        if found.mark not in (self.mark, m.want):
            told.append("mark %d" % found.mark)
        if found.positive_proven and not (self.proven or m.positive_proven):
            told.append("proof invented")
        if self.mark == 1 and m.want == 1 and found.positive_proven:
            told.append("proof kept over a restart while live")
        if found.damaged or found.foreign:
            told.append("damaged %s foreign %s" % (found.damaged, found.foreign))
        return told


def mounted(nor):
    try:
        vfs.umount(ROOT)
    except OSError:
        pass
    vfs.mount(vfs.VfsLfs2(nor, progsize=256), ROOT)
    memory = FlashMemory(nor, FOLDER)
    memory.begin()
    return memory


def session(nor, steps, witnesses):
    """Run one; `witnesses` gets the witness once the memory is up."""
    memory = mounted(nor)
    world = BenchWorld()
    witness = Witness(memory)
    witnesses.append(witness)
    for step in steps.split():
        kind = step[0]
        row = int(step[1:]) if len(step) > 1 and kind.isalpha() else 0
        if kind == "n":
            world.note(row)
        elif kind == "g":
            world.gone(row)
        elif kind == "e":
            world.end(row)
        elif kind == "c":
            memory.clear(row)
        elif kind == "L":
            memory.mark_live(1000, 2000)
        elif kind == "D":
            memory.mark_dead(10, 20)
        elif kind == "P":
            memory.prove_positive()
        elif kind == "S":
            memory.spend_positive()
        elif kind == "l":
            world.live()
        elif kind == "o":
            world.off()
        else:
            for _ in range(int(step)):
                world.tick(memory)
                witness.look()
    return memory


def prepared(start):
    nor = Nor(BLOCKS)
    vfs.VfsLfs2.mkfs(nor, progsize=256)
    if start == "blank":  # no memory was ever made: the first power-up is cut as well
        return nor.image
    mounted(nor)
    rounds = 160 if start == "aged" else 0
    for n in range(rounds):
        session(nor, SESSIONS[n % len(SESSIONS)], [])
    if start == "full":
        with_file = 0
        try:
            while True:
                with open(ROOT + "/filler%d" % with_file, "wb") as file:
                    file.write(bytes(4096))
                with_file += 1
        except OSError:
            os.remove(ROOT + "/filler%d" % (with_file - 1))
            os.remove(ROOT + "/filler%d" % (with_file - 2))
    return nor.image


def cut(image, steps, at, way, again, seed):
    """One cut; returns what was wrong, and whether the session reached the cut at all."""
    nor = Nor(BLOCKS, bytearray(image))
    nor.cut_at, nor.way, nor.seed = at, way, seed
    witnesses = []
    try:
        session(nor, steps, witnesses)
        if not nor.off:
            return [], False
    except PowerCut:
        pass
    # From here on another device on the same bits: what the cut left open stays without power.
    if again >= 0:  # a second cut, in the recovery
        nor = Nor(BLOCKS, nor.image)
        nor.cut_at, nor.way, nor.seed = again, RANDOM, seed
        try:
            mounted(nor)
        except PowerCut:
            pass
    found = mounted(Nor(BLOCKS, nor.image))
    if not witnesses:  # it fell into the power-up itself: what was there before must be there still
        before = Nor(BLOCKS, bytearray(image))
        witnesses.append(Witness(mounted(before)))
        witnesses[0].memory.positive_proven |= found.positive_proven
        vfs.umount(ROOT)
    return witnesses[0].problems(found), True


def _erases_first(memory):
    """A fold that erases the journal before the files are written."""
    for k in range(len(memory.journal.blocks)):
        if memory.journal.dirty[k]:
            memory.journal.erase(k)
    memory.journal.recount()
    for row in range(81):
        if memory.unfolded[row]:
            memory._write("c%02d" % row, 2, bytes(memory.codes_of[row]))
            memory.unfolded[row] = 0
            yield


def _trusts(journal, kind):
    """A page that is called stored without being programmed at all."""
    return True


def _believes(page, size):
    """A page that was cut short is taken for whole."""
    return page[2]


BROKEN = {
    "erases first": (FlashMemory, "_fold", _erases_first),
    "trusts": (Journal, "commit", _trusts),
    "believes": (journal, "sealed_kind", _believes),
}


def main():
    with open("plan.json") as file:
        plan = json.load(file)
    if plan["broken"]:
        owner, name, instead = BROKEN[plan["broken"]]
        setattr(owner, name, instead)
    image = prepared(plan["start"])
    cuts = count = 0
    losses = []
    for n in range(plan["sessions"][0], plan["sessions"][1]):
        steps = SESSIONS[n % len(SESSIONS)]
        at = 0
        reached = True
        while reached:
            for way in WAYS:
                again = (cuts // plan["again"]) % 40 if cuts % plan["again"] == 0 else -1
                told, reached = cut(image, steps, at, way, again, cuts + 1)
                if not reached:
                    break
                cuts += 1
                if told:
                    count += 1
                    if len(losses) < 8:
                        where = "session %d operation %d way %d again %d: " % (n, at, way, again)
                        losses.append(where + "; ".join(told[:4]))
            at += 1
        nor = Nor(BLOCKS, bytearray(image))
        session(nor, steps, [])
        image = nor.image
    print(json.dumps({"cuts": cuts, "losses": losses, "lost": count}))


main()
