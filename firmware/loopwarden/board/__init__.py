"""Pins, converters, edges, watchdog: the only place that imports machine or rp2."""
