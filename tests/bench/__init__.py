"""Measures speed, cost and size."""
