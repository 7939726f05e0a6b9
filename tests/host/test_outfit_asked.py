"""What `pitscribe outfit` asks for where a board has no settings yet, and what it never takes of the host's own."""

import sys
from types import SimpleNamespace

import pytest

from pitscribe.commands.outfit_settings import ask_settings
from pitscribe.config import BrokerConfig, Config
from pitscribe.errors import ConfigError

HOSTS_OWN = "the host's own password"


@pytest.fixture
def asked(monkeypatch):
    """Somebody at the keyboard: answers by the beginning of the question; the questions that were asked."""
    answers = {"Wi-Fi network": "home", "its password": "long enough", "the logger's": "1a2b3c4d"}
    seen = []

    def answer(question):
        seen.append(question)
        return next((text for begin, text in answers.items() if question.startswith(begin)), "")

    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True))
    monkeypatch.setattr("builtins.input", answer)
    monkeypatch.setattr("getpass.getpass", answer)
    return seen


def test_on_a_broker_of_somebody_else_the_logger_gets_a_user_and_password_of_its_own_never_the_hosts(asked, tmp_path):
    broker = BrokerConfig("192.168.1.10", user="pitscribe", password=HOSTS_OWN)
    settings = ask_settings(Config(tmp_path, broker=broker))
    assert settings["broker"] == {"host": "192.168.1.10", "port": 1883, "user": "1a2b3c4d", "password": "long enough"}
    assert HOSTS_OWN not in repr(settings)
    assert HOSTS_OWN not in repr(asked)


def test_a_broker_that_wants_tls_is_not_set_up_by_asking(asked, tmp_path):
    with pytest.raises(ConfigError, match="--settings"):
        ask_settings(Config(tmp_path, broker=BrokerConfig("pit.local", port=8883, tls=True)))
