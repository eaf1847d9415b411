"""Starts the firmware of the flash image under MicroPython, as a board's own start does: boot.py, then main.py.

argv: configuration file, flash image, read end and write end of the host's pipes. The files that run are those of the
image; stand-ins take the place of machine, rp2 and time, and an observer keeps hold of the loop that main.py makes.
"""

import builtins
import json
import sys

import can_controller  # noqa: F401  (the firmware imports these once their folder is out of reach)
import machine  # noqa: F401
import raw_prompt
import rp2
import vfs
import vgc
import vtime
import wires


def observe(names):
    """The loop tells the wires of itself, once the program has imported it; nothing of it is changed."""
    original = builtins.__import__
    loop_name, supervisor_name = names["Loop"], names["supervisor"]

    def observing(name, *args):
        found = original(name, *args)
        module = sys.modules.get(names["module"])
        if module and hasattr(module, names["start"]):
            builtins.__import__ = original
            plain = getattr(module, loop_name)

            class Observed(plain):
                def __init__(self, *args):
                    wires.WIRES.loop = self
                    setattr(self, supervisor_name, None)
                    super().__init__(*args)

            setattr(module, loop_name, Observed)
        return found

    builtins.__import__ = observing


def run(name, heard=True):
    """Run a file as the board does, where it is there; an exception is printed and ends it: False then.

    heard   False before the port is up, when what is printed is lost
    """
    try:
        with open(name) as file:
            text = file.read()
    except OSError:
        return True
    try:
        exec(compile(text, name, "exec"), {"__name__": "__main__"})
    except SystemExit:
        pass
    except BaseException as error:
        if heard:
            sys.print_exception(error)
        return False
    return True


def prompt():
    """The interpreter's prompt, for a person and for tools that copy files."""
    raw_prompt.serve()


def start():
    config_name, image, reading, writing = sys.argv[1:5]
    with open(config_name) as file:
        config = json.load(file)
    sys.modules["time"] = vtime
    sys.modules["gc"] = vgc
    w = wires.connect(config, open("/dev/fd/" + writing, "wb"), open("/dev/fd/" + reading, "rb"))
    rp2.open_image(image, config["flash_log"])
    vfs.umount("/")
    try:
        vfs.mount(vfs.VfsLfs2(rp2.Flash(), progsize=256), "/")
    except OSError:  # as a board does: whatever does not mount is made anew, program and memory are gone
        vfs.VfsLfs2.mkfs(rp2.Flash(), progsize=256)
        vfs.mount(vfs.VfsLfs2(rp2.Flash(), progsize=256), "/")
    sys.path[:] = ["", "/lib"]
    w.advance(0)
    observe(config["names"])
    if run("boot.py", heard=False):  # as the RP2 port has it: main.py is not run when boot.py failed
        run("main.py")
    prompt()


start()
