"""Commissioning: takes a person through the bring-up of a built drive in a safe order, and keeps the record of it.

Prints nothing: it speaks to a `Person` and asks a board over the link. It reads, and it runs the coil test.
"""
