"""Runs device code under MicroPython and judges its cost: runners, frames, small integers."""
