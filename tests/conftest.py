"""Settings for every test."""

from hypothesis import settings

# No deadline: how long an example takes says how busy the machine is, nothing about the code. The same examples every
# time, so that a red run is red again for whoever looks; a found example stays in the tests by name.
settings.register_profile("loopwarden", deadline=None, derandomize=True)
settings.load_profile("loopwarden")
