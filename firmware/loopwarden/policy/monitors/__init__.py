"""Monitors: one module per subject, each turning readings into findings. They judge and never act."""
