"""Recordings: their bytes, their file, deciding them again."""

from pathlib import Path

SCENARIOS = Path(__file__).parents[2] / "host_sim" / "scenarios"
