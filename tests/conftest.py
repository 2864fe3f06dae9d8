import os

from hypothesis import settings

import tests.asked  # noqa: F401 - first of all: it takes what is the tests' own out of the environment

# A change is judged by what it changes: CI tries the same cases each time, people try new ones at every run.
settings.register_profile("ci", derandomize=True, deadline=None)
if os.environ.get("CI") == "true":
    settings.load_profile("ci")
