"""Drawn examples are the same in every run, so that a change is judged by the same cases.

`HYPOTHESIS_PROFILE=search` draws new ones.
"""

import os

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.register_profile("search", deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))
