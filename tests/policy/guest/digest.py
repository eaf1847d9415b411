"""Replays a recording and prints a digest over every output of every tick: a script for all three Pythons.

Needs build.json and ticks.bin. Prints the digest, the number of ticks, and what was active and stored at the end.
"""

import binascii
import hashlib

from replay import Digest, Session, files


def main():
    session = Session(*files())
    digest = Digest(hashlib.sha256())
    while session.next():
        session.step()
        digest.add(session.sup, session.outputs)
        session.end()
    print(binascii.hexlify(digest.sha.digest()).decode(), session.ticks)
    print(session.sup.faults.active_ids())
    for record in session.memory.codes():
        latest = record["latest"]
        print(record["row"], record["count"], record["places"], [latest[name] for name in sorted(latest)])


main()
