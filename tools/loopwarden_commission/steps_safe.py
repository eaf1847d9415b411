"""The first steps: cautions, nothing live, and the board that this build file means."""

from loopwarden import VERSION
from loopwarden_build.derived import dead_v
from loopwarden_build.integer_build import to_device
from loopwarden_build.pack import digest_of
from loopwarden_commission.trial import Trial, Unsafe, Wrong

TOOLS = (
    "a tester rated for this pack's voltage, tried on a live source before and after",
    "gloves rated for this pack's voltage, in date; eye protection; a second person who knows how to switch off",
    "lock and tag for the service disconnect",
    "a low-voltage bench source with a current limit, set to 100 mA at first",
    "an ohmmeter or multimeter whose input resistance you know (usually 10 Mohm)",
    "a resistor for the isolation test, rated for the voltage of that step; warm air for the temperature sensors",
)
CAUTIONS = (
    "High voltage kills. Prove it dead with a tested meter before you touch anything; what is shown here is no proof.",
    "The pack stays disconnected, locked out and tagged until the step that says otherwise.",
    "Emergency stop, interlock and discharge must work without this board. This guide does not prove that they do.",
    "Contactors move by themselves in the coil steps: hands and tools off their contacts.",
    "Capacitors hold their charge: wait the time on the card, then measure.",
    "A warm hand or warm air is enough for a temperature sensor; never heat a cell.",
)
_AT_REST = ("off", "checking", "locked out")


def cautions(t: Trial) -> None:
    """Read by the person; nobody can see that."""
    t.person.tell("Cautions:\n" + "\n".join(f"- {text}" for text in CAUTIONS))
    t.person.tell("Have at hand:\n" + "\n".join(f"- {text}" for text in TOOLS))
    t.person.ready(
        "Read both lists. The pack is disconnected, locked out and tagged; only the low-voltage supply is on."
    )


def low_voltage(t: Trial) -> None:
    """Bus and pack read validly, and dead. Errors: Unsafe."""
    status = t.board.status()
    if status.get("phase") not in _AT_REST:
        raise Unsafe(f"the board is {status.get('phase')}: key off, wait until it is proven dead, then begin again")
    dead_mv = round(1000 * dead_v(t.build))
    seen = t.board.inputs()
    for name in ("bus", "pack"):
        mv = seen.values.get(name)
        if mv is None:
            raise Unsafe(f"{name} has no valid reading ({seen.states.get(name)}): look at its wires, then begin again")
        try:
            t.hold(f"{name} voltage", mv / 1000, "V", None, (dead_mv - 1) / 1000, "there is voltage")
        except Wrong as error:
            raise Unsafe(
                f"{error}; disconnect and lock out the pack, prove bus and pack dead, then begin again"
            ) from None


def still_dead(t: Trial) -> None:
    """Before each step without high voltage: both channels read, and below the dead level. Errors: Unsafe."""
    seen = t.board.inputs()
    for name in ("bus", "pack"):
        mv = seen.values.get(name)
        if mv is None or mv >= 1000 * dead_v(t.build):
            read = "has no valid reading" if mv is None else f"reads {mv / 1000:.0f} V"
            raise Unsafe(f"{name} {read}: disconnect, lock out, prove it dead, then go on with the record")


def identity(t: Trial) -> None:
    """The firmware and the build on the board are those of this program and this file."""
    check_identity(t)
    status, version = t.board.status(), t.board.version()
    t.note("firmware", str(version.get("program")))
    t.note("runtime", str(version.get("runtime")))
    t.note("chip", str(version.get("board")))
    t.note("build digest", str(version.get("build")))
    t.note("birth id of the fault memory", str(status.get("birth")))


def check_identity(t: Trial) -> None:
    """Errors: Unsafe that names what differs and how to mend it."""
    version = t.board.version()
    wanted = digest_of(to_device(t.build))
    if version.get("build") != wanted:
        raise Unsafe(
            f"the build on the board ({str(version.get('build'))[:12]}) is not this build file ({wanted[:12]}): name"
            " the right file, or put this one on the board with loopwarden install"
        )
    if version.get("program") != VERSION:
        raise Unsafe(
            f"the firmware on the board is {version.get('program')}, this program is {VERSION}: bring them together"
            " with loopwarden install"
        )
