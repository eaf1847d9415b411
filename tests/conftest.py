"""Settings for every test."""

from hypothesis import settings

# No deadline: how long an example takes says how busy the machine is, nothing about the code. The same examples every
# time, so that a red run is red again for whoever looks; a found example stays in the tests by name.
settings.register_profile("loopwarden", deadline=None, derandomize=True)
# For a long search on purpose: `pytest --hypothesis-profile=soak`. New examples each time; what is found is kept in
# .hypothesis and tried first by the next such run.
settings.register_profile("soak", deadline=None, max_examples=4000)
settings.load_profile("loopwarden")
