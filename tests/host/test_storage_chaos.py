"""The host's storage fails on purpose: a short run of each part of ``python -m chaos.storage``."""

import pytest
from chaos.storage import PARTS

TIMES = {"damage": 4, "full": 4}


@pytest.mark.parametrize("part", PARTS)
def test_a_short_run_of_the_storage_failing_breaks_no_promise(part, tmp_path):
    figures = PARTS[part](tmp_path, 20261126, TIMES.get(part, 1))
    assert figures
