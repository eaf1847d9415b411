"""Proof by attack: every promise, for one build, against everything that can go wrong."""
