"""Counts, duty and edges to units and validity; used by the board and by the simulator."""
