"""Settings: read once, typed, bounded; a typo is told."""

import pytest

from pitscribe.config import Config, read_config
from pitscribe.errors import ConfigError


def written(folder, text):
    (folder / "pitscribe.toml").write_text(text)
    return read_config(folder)


def test_without_a_file_everything_has_a_default(tmp_path):
    assert read_config(tmp_path / "none") == Config(home=tmp_path / "none")
    assert not (tmp_path / "none").exists(), "reading the settings makes nothing"


def test_a_broker_of_ones_own_is_taken(tmp_path):
    config = written(tmp_path, '[broker]\nhost = "10.0.0.2"\nport = 8883\nuser = "a"\npassword = "b"\n')
    assert (config.broker.host, config.broker.port, config.broker.user) == ("10.0.0.2", 8883, "a")


def test_tls_is_for_a_broker_of_ones_own_and_its_authority_is_beside_the_settings(tmp_path):
    config = written(tmp_path, '[broker]\nhost = "pit.test"\ntls = true\nca = "ca.pem"\n')
    assert (config.broker.tls, config.broker.ca) == (True, tmp_path / "ca.pem")
    with pytest.raises(ConfigError, match=r"broker\.tls"):
        written(tmp_path, "[broker]\ntls = true\n")


def test_a_clock_may_be_vouched_for(tmp_path):
    assert not read_config(tmp_path).trust_clock
    assert written(tmp_path, "[host]\ntrust_clock = true\n").trust_clock


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ('unit = "F"', "unit"),
        ("[broker]\nprot = 1883", "broker.prot"),
        ("[page]\nport = 99999", "port"),
        ('[page]\nport = "80"', "port"),
        ("[page]\nport = true", "port"),
        ("[host]\ntrust_clock = 1", "trust_clock"),
        ("[host]\ntrust = true", "host.trust"),
        ('units = "K"', "units"),
        ("broker = 3", "broker"),
        ('[broker]\npassword = "x"', "broker.password"),
        ("units = \n", "line 1"),
    ],
)
def test_what_cannot_be_used_is_named_with_the_file(tmp_path, text, named):
    with pytest.raises(ConfigError) as caught:
        written(tmp_path, text)
    assert named in str(caught.value)
    assert "pitscribe.toml" in str(caught.value)


def test_the_home_folder_is_for_its_owner_alone(tmp_path):
    folder = Config(home=tmp_path / "a" / "b").folder()
    assert folder.stat().st_mode & 0o077 == 0
