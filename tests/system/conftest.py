"""Fixtures that several files of the system's tests use."""

import pytest
from servers import InfluxDB, VictoriaMetrics


@pytest.fixture(scope="module", params=[VictoriaMetrics, InfluxDB], ids=["victoria", "influx"])
def server(request, tmp_path_factory):
    """A real store, each of the two kinds in turn; one for all tests of a file."""
    made = request.param(tmp_path_factory.mktemp("store"))
    made.start()
    yield made
    made.stop()
