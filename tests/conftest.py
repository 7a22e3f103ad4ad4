"""What holds for all tests: no test is timed, and random cases are the same in every run."""

from hypothesis import settings

settings.register_profile("geoseptic", deadline=None, derandomize=True)
settings.load_profile("geoseptic")
