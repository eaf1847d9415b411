"""Replays a recording and asks "why" at every change of stage and now and then: a script for all three Pythons.

Needs build.json and ticks.bin; prints every answer.
"""

from replay import Session, files

from loopwarden.policy import fault_table as T
from loopwarden.words import SUBJECTS, why


def main():
    session = Session(*files())
    stage = -1
    while session.next():
        session.step()
        session.end()
        sup = session.sup
        if sup.phases.stage != stage or session.ticks % 499 == 0:
            stage = sup.phases.stage
            for subject in SUBJECTS:
                print(session.ticks, subject, why(sup, subject))
    for row in T.TABLE:
        print(why(sup, row[T.NAME]))
    try:
        why(sup, "tea")
    except ValueError as refused:
        print(refused)


main()
