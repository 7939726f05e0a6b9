"""What all tests share: Hypothesis draws the same examples in every run, so that a run can be repeated.

``HYPOTHESIS_SEARCH=1 ./tests/run`` draws anew instead: to look for what nobody has thought of. What it finds becomes an
``@example`` of its test.
"""

import os

from hypothesis import settings

settings.register_profile("repeat", derandomize=True)
settings.register_profile("search", derandomize=False, print_blob=True)
settings.load_profile("search" if os.environ.get("HYPOTHESIS_SEARCH") else "repeat")
