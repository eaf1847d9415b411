"""The circuits of hardware_notes, drawn from code: `python -m loopwarden_circuits` draws them all anew.

Values that the build or the board's code has as well are taken from there, so that a picture cannot disagree with them.
"""
