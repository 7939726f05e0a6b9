"""What all tests share: Hypothesis draws the same examples in every run, so that a run can be repeated.

``HYPOTHESIS_SEARCH=1 ./tests/run`` draws anew instead: to look for what nobody has thought of. What it finds becomes an
``@example`` of its test.
"""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from servers import Mosquitto

settings.register_profile("repeat", derandomize=True)
settings.register_profile("search", derandomize=False, print_blob=True)
settings.load_profile("search" if os.environ.get("HYPOTHESIS_SEARCH") else "repeat")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running mosquitto that lets anybody in."""
    mosquitto = Mosquitto(tmp_path)
    mosquitto.start()
    yield mosquitto
    mosquitto.stop()
