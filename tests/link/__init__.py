"""The serial console: what it answers, what it refuses, and that no port and no host can disturb the loop."""
