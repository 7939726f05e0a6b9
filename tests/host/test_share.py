"""Who keeps a logger, in the settings and by the rule, and what processes say to each other."""

import json
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from intake_rig import LOGGER, ticks

from pitscribe.clock import SetClock
from pitscribe.commands.checking.scene import Scene
from pitscribe.commands.checking.share import waiting
from pitscribe.config import Config, ShareConfig, read_config
from pitscribe.errors import ConfigError, MessageError
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire.frames import FrameKey
from pitscribe.wire.share import Here, Layout, Passed, here, parse_here

NAMES = st.from_regex(r"[a-z0-9-]{1,32}", fullmatch=True)
MEMBERS = st.lists(NAMES, min_size=1, max_size=6, unique=True)
LOGGERS = st.integers(0, 2**32 - 1)
BROKER = '[broker]\nhost = "10.0.0.2"\n'


@settings(max_examples=40, deadline=None)
@given(MEMBERS, LOGGERS, st.randoms())
def test_all_members_agree_on_the_keeper_however_they_write_them(members, logger, dice):
    shuffled = members.copy()
    dice.shuffle(shuffled)
    said = {Layout("pit", one, tuple(order)).keeper_of(logger) for one in members for order in (members, shuffled)}
    assert len(said) == 1
    assert said <= set(members)
    assert len({Layout("pit", one, tuple(order)).digest for one in members for order in (members, shuffled)}) == 1


@settings(max_examples=40, deadline=None)
@given(MEMBERS.filter(lambda some: len(some) > 1), LOGGERS)
def test_a_member_that_goes_moves_its_own_loggers_and_no_others(members, logger):
    before = Layout("pit", members[0], tuple(members)).keeper_of(logger)
    after = Layout("pit", members[0], tuple(members[:-1])).keeper_of(logger)
    assert after == before or before == members[-1]


def test_loggers_are_spread_evenly():
    """A thousand loggers over four: 250 each, standard deviation 13.7 (binomial); within five of these."""
    layout = Layout("pit", "a", ("a", "b", "c", "d"))
    counts = Counter(layout.keeper_of(number) for number in range(0xE6000000, 0xE6000000 + 1000))
    assert all(abs(count - 250) < 68 for count in counts.values()), counts


def test_a_logger_that_is_given_to_somebody_is_kept_there_and_another_layout_has_another_digest():
    plain = Layout("pit", "a", ("a", "b", "c"))
    taken = next(n for n in range(100) if plain.keeper_of(n) != "c")
    given_ = Layout("pit", "a", ("a", "b", "c"), {taken: "c"})
    assert given_.keeper_of(taken) == "c"
    assert len({plain.digest, given_.digest, Layout("pit", "a", ("a", "b")).digest}) == 3


@settings(max_examples=40, deadline=None)
@given(NAMES, st.lists(NAMES, min_size=2, max_size=2, unique=True), LOGGERS, st.sampled_from(["frame", "stored"]))
def test_topics_between_processes_come_back(group, pair, logger, word):
    layout = Layout(group, pair[0], tuple(pair))
    assert layout.parse(layout.topic(pair[1], logger, word)) == Passed(pair[1], pair[0], logger, word)
    assert layout.parse(layout.here_topic(pair[1])) == pair[1]
    assert Layout(group + "x", pair[0], tuple(pair)).parse(layout.here_topic(pair[1])) is None


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=60))
def test_a_topic_of_nobodys_is_none(text):
    layout = Layout("pit", "a", ("a", "b"))
    assert layout.parse(text) is None
    assert layout.parse(f"pitscribe/1/share/pit/{text}") is None


def test_the_shared_subscription_is_as_mqtt_5_writes_it():
    """MQTT 5 (OASIS Standard, 2019), section 4.8.2: $share/{ShareName}/{filter}."""
    assert Layout("pit", "a", ("a",)).dealt() == "$share/pit/pitscribe/1/+/frame"


def test_what_a_process_says_of_itself_comes_back_and_nonsense_is_refused():
    said = Here(True, Layout("pit", "a", ("a",)).digest, "0f0f")
    assert parse_here(here(said)) == said
    for wrong in (b"", b"[]", b'{"v":2,"online":true,"layout":"","run":""}', b'{"v":1,"online":1}'):
        with pytest.raises(MessageError):
            parse_here(wrong)


def test_the_settings_name_the_processes(tmp_path):
    text = '[share]\nname = "north"\nmembers = ["north", "south"]\nkeepers = { "a0b1c2d3" = "south" }\n'
    text += '[mirror]\nurl = "http://10.0.0.3:8428"\nbucket = "pit"\n'
    (tmp_path / "pitscribe.toml").write_text(BROKER + text)
    config = read_config(tmp_path)
    assert config.share == ShareConfig("north", ("north", "south"), "pit", {0xA0B1C2D3: "south"})
    assert config.mirror.name == "north", "two ledgers in one bucket need two names"


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ('[share]\nname = "north"\nmembers = ["north"]', "broker.host"),
        (BROKER + '[share]\nname = "north"\nmembers = ["south"]', "share.members"),
        (BROKER + '[share]\nname = "north"\nmembers = ["north", "north"]', "share.members"),
        (BROKER + '[share]\nname = "the north/"\nmembers = ["the north/"]', "share.name"),
        (BROKER + '[share]\nname = "a"\nmembers = ["a"]\nkeepers = { "a0b1c2d3" = "b" }', "share.keepers"),
        (BROKER + '[share]\nname = "a"\nmembers = ["a"]\nkeepers = { "pit" = "a" }', "share.keepers"),
        (BROKER + '[share]\nname = "a"\nmembers = ["a"]\nkeeper = 3', "share.keeper"),
    ],
)
def test_settings_that_cannot_be_are_named(tmp_path, text, named):
    (tmp_path / "pitscribe.toml").write_text(text + "\n")
    with pytest.raises(ConfigError, match=named.replace(".", r"\.")):
        read_config(tmp_path)


@pytest.mark.parametrize(
    ("waits_s", "shared", "verdict"),
    [(None, True, "ok"), (60, True, "ok"), (3600, True, "look"), (60, False, "wrong"), (None, False, None)],
)
def test_a_check_finds_frames_that_nobody_comes_for(tmp_path, waits_s, shared, verdict):
    clock = SetClock(1_780_000_000.0)
    ledger = Ledger(tmp_path / "ledger.sqlite", clock)
    if waits_s is not None:
        ledger.hold([(FrameKey(LOGGER, 1, 1), "south", ticks(1))])
        clock.at += waits_s
    config = Config(tmp_path, share=ShareConfig("north", ("north", "south")) if shared else None)
    found = [one.verdict for one in waiting(Scene(config, clock, ledger=ledger))]
    assert found == ([] if verdict is None else [verdict])
    ledger.close()


def test_the_command_says_who_keeps_a_logger_and_what_waits(command, tmp_path):
    assert command("share")[0] == 1
    (tmp_path / "home" / "pitscribe.toml").write_text(BROKER + '[share]\nname = "a"\nmembers = ["a", "b"]\n')
    keeper = Layout("pit", "a", ("a", "b")).keeper_of(7)
    status, lines, _ = command("share", "00000007")
    assert (status, lines[0], lines[-1]) == (0, "share    a of a, b, group pit", "waiting  nothing")
    assert lines[1].startswith(f"logger   00000007: {keeper}")
    said = json.loads(command("share", "--json", "00000007")[1][0])
    assert (said["keepers"], said["waiting"]) == ({"00000007": keeper}, {})
    assert command("share", "seven")[0] == 1
