"""Recordings: every tick's exact readings and commands, taken from a board or a simulation, kept, and decided again."""
