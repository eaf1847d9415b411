"""Fault memory: what happened, kept for later."""
