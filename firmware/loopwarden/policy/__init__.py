"""Decisions: integers in, integers out; no clock, no pin, no file, no print."""
