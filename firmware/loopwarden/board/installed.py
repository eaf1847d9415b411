"""Versions of the program on this board: each in a folder of its own, and one small file that names the one to start.

A folder holds `files.txt`, a line "SHA256 PATH" for each file of the program and "end N" at last, those files, and
`build.bin`, which carries its own digest. Whatever is cut off, `current.txt` names one whole version, or none (S11).
"""

import gc
import os
from binascii import hexlify
from hashlib import sha256

from loopwarden import build
from loopwarden.board.chip import CHIP

CURRENT = "current.txt"
BUILD_FILE = "build.bin"
PREFIX = "version-"
_LIST = "files.txt"
_OUTSIDE = ("main.py", "boot.py")  # copied to the top, where the runtime looks for them
_FOLDER = 0x4000


def check(folder, feed):
    """Read every file of a version. Errors: ValueError that names the first one which is missing or damaged.

    feed    of the watchdog, called after each file
    """
    try:
        with open(folder + "/" + _LIST) as listed:
            lines = listed.read().split("\n")
    except OSError:
        lines = [""]
    if lines[-1] != "end %d" % (len(lines) - 1):
        raise ValueError("install: %s/%s is not whole" % (folder, _LIST))
    buffer = bytearray(512)
    view = memoryview(buffer)
    for line in lines[:-1]:
        digest, name = line.split(" ", 1)
        if _digest_of(folder + "/" + name, buffer, view) != digest:
            raise ValueError("install: %s/%s is missing or damaged" % (folder, name))
        feed()


def _digest_of(path, buffer, view):
    digest = sha256()
    try:
        with open(path, "rb") as file:
            while True:
                size = file.readinto(buffer)
                if not size:
                    return hexlify(digest.digest()).decode()
                digest.update(view[:size])
    except OSError:
        return ""


def load_build(folder):
    """The build of a version, and its digest. Errors: ValueError, also for another chip's; OSError."""
    with open(folder + "/" + BUILD_FILE, "rb") as file:
        packed = file.read()
    built = build.load(packed)
    if built.chip != CHIP:
        raise ValueError("build: it is for an RP%d, this board is an RP%d" % (built.chip, CHIP))
    return built, packed.split(b"\n", 1)[0].split()[-1].decode()


def current():
    """The name of the folder that is started, "" where there is none."""
    try:
        with open("/" + CURRENT) as file:
            return file.read().strip()
    except OSError:
        return ""


def switch(name):
    """Make the version in folder /`name` the one that starts: checked first, named last. In service only.

    The folder gets its own name, by its content, so that no later copy can touch it; an installer uses that from the
    start. Errors: ValueError for a file that is not as it should be, or a build that cannot be believed; OSError.
    """
    check("/" + name, gc.collect)
    load_build("/" + name)
    digest = sha256()
    for inner in (_LIST, BUILD_FILE):
        with open("/" + name + "/" + inner, "rb") as file:
            digest.update(file.read())
    own = PREFIX + hexlify(digest.digest()).decode()[:8]
    if name != own and current() != own:
        if own in os.listdir("/"):
            remove("/" + own, gc.collect)
        os.rename("/" + name, "/" + own)
    for top in _OUTSIDE:
        _copy("/" + own + "/" + top, "/" + top)
    if current() != own:
        with open("/" + CURRENT, "w") as file:  # one write: the old name or the new one, whenever the power goes
            file.write(own)


def _copy(source, target):
    with open(source, "rb") as file:
        wanted = file.read()
    try:
        with open(target, "rb") as file:
            if file.read() == wanted:
                return
    except OSError:
        pass
    with open(target, "wb") as file:
        file.write(wanted)


def others():
    """Names of the folders at the top that hold another version, whole or not."""
    now = current()
    return [
        entry[0]
        for entry in os.ilistdir("/")
        if entry[1] == _FOLDER and entry[0] != now and entry[0].startswith(PREFIX)
    ]


def remove(path, feed):
    """Take a folder away with all that is in it; what is left after a power cut is no version and goes another time."""
    for entry in list(os.ilistdir(path)):
        inner = path + "/" + entry[0]
        if entry[1] == _FOLDER:
            remove(inner, feed)
        else:
            os.remove(inner)
            feed()
    os.rmdir(path)
