"""Puts a version of the firmware, with its build, on a board: compiled, checked there, and switched to in one step."""
