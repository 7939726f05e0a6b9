"""The files of the dashboards: what the description makes, by the SDK's schema, laid out for Grafana's provisioning."""

import json
import re

import pytest
import yaml
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.cog.plugins import register_default_plugins
from grafana_foundation_sdk.models.dashboard import Dashboard, Panel

import dashboards
from boards.targets import InfluxQuery, register
from boards.variables import TYPES
from pitscribe.cook.fire_event import FireEvent
from pitscribe.metrology.flags import Flag

FILES = sorted(path.relative_to(dashboards.HERE).as_posix() for path in dashboards.HERE.glob("*ql/*.json"))
OKABE_ITO = {"#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}
# What data sources know of annotations besides the schema. Source: Grafana's public repository,
# packages/grafana-prometheus/src/annotations.ts and public/app/plugins/datasource/influxdb/datasource.ts
OWN = {"influxql": {"query", "textColumn", "tagsColumn"},
       "promql": {"step", "useValueForTime", "titleFormat", "textFormat", "tagKeys", "target"}}


@pytest.fixture(scope="module", autouse=True)
def sdk():
    register_default_plugins()
    register()


def read(name):
    return json.loads((dashboards.HERE / name).read_text(encoding="utf-8"))


def test_the_files_are_what_the_description_makes_every_time():
    assert dashboards.stale() == []
    assert dashboards.texts() == dashboards.texts()
    assert len(FILES) == 2 * len(dashboards.BOARDS) == 10


@pytest.mark.parametrize("name", FILES)
def test_a_dashboard_comes_unchanged_through_the_classes_of_the_schema(name):
    written = read(name)
    made = Dashboard.from_json(written)
    again = json.loads(json.dumps(made, cls=JSONEncoder))
    language = name.split("/")[0]
    for one in written["annotations"]["list"]:
        assert one.keys() >= OWN[language]
        for own in OWN[language]:  # the SDK's class has none of these
            del one[own]
    for one in again["annotations"]["list"]:
        one.pop("target", None)
    assert again == written
    queries = [query for panel in made.panels if isinstance(panel, Panel) for query in panel.targets]
    kinds = {type(query) is InfluxQuery for query in queries}
    assert kinds == {language == "influxql"}, "read by the class of its query, not as something unknown"


@pytest.mark.parametrize("name", FILES)
def test_panels_have_places_and_numbers_of_their_own_and_explain_themselves(name):
    panels = read(name)["panels"]
    assert len({one["id"] for one in panels}) == len(panels)
    taken = set()
    for one in panels:
        at = one["gridPos"]
        cells = {(x, y) for x in range(at["x"], at["x"] + at["w"]) for y in range(at["y"], at["y"] + at["h"])}
        assert not cells & taken, one["title"]
        assert at["x"] + at["w"] <= 24
        taken |= cells
        assert one["title"]
        assert one["type"] == "row" or one["description"].endswith(".")


@pytest.mark.parametrize("name", FILES)
def test_every_query_goes_to_the_store_that_the_reader_chose(name):
    board, language = read(name), name.split("/")[0]
    chosen = {"type": TYPES[language], "uid": "${source}"}
    asking = [one for panel in board["panels"] for one in (panel, *panel.get("targets", [])) if panel["type"] != "row"]
    asking += board["annotations"]["list"] + [one for one in board["templating"]["list"] if one["type"] == "query"]
    assert all(one["datasource"] == chosen for one in asking)
    assert board["templating"]["list"][0]["name"] == "source"


def test_both_languages_have_the_same_panels_at_the_same_places():
    for board in dashboards.BOARDS:
        both = [[(one["title"], one["type"], one["gridPos"]) for one in read(f"{language}/{board.key}.json")["panels"]]
                for language in TYPES]
        assert both[0] == both[1]


def test_addresses_are_all_different_and_links_lead_to_one_of_them():
    boards = [read(name) for name in FILES]
    uids = {one["uid"] for one in boards}
    assert len(uids) == len(FILES)
    assert all(len(uid) <= 40 for uid in uids)  # Grafana's limit, from memory
    assert set(re.findall(r"/d/([\w-]+)", json.dumps(boards))) <= uids


def test_colours_are_okabe_and_itos():
    text = "".join((dashboards.HERE / name).read_text() for name in FILES)
    assert set(re.findall(r"#[0-9A-Fa-f]{6}\b", text)) <= OKABE_ITO


def test_flags_have_the_words_of_the_ledger():
    panel = next(one for one in read("promql/loggers.json")["panels"] if one["title"] == "What is wrong with readings")
    (mapping,) = panel["fieldConfig"]["defaults"]["mappings"]
    said = {int(value): one["text"] for value, one in mapping["options"].items()}
    single = [flag for flag in Flag if flag.value.bit_count() == 1]
    assert said.keys() == {0} | {flag.value for flag in single}
    for flag in single:
        assert set(said[flag.value].upper().split()) & set(flag.name.split("_")), flag


@pytest.mark.parametrize("language", TYPES)
def test_provisioning_names_a_store_of_the_right_kind_and_the_folder_of_the_dashboards(language):
    home, name = dashboards.HERE / "provisioning", f"pitscribe-{language}.yaml"
    stores = yaml.safe_load((home / "datasources" / name).read_text(encoding="utf-8"))
    providers = yaml.safe_load((home / "dashboards" / name).read_text(encoding="utf-8"))
    assert stores["apiVersion"] == providers["apiVersion"] == 1
    (store,), (provider,) = stores["datasources"], providers["providers"]
    assert (store["type"], store["access"]) == (TYPES[language], "proxy")
    said = [store["url"], *store.get("secureJsonData", {}).values()]
    assert all(re.fullmatch(r"\$[A-Z_]+", one) for one in said), "placeholders: no server and no secret of ours"
    assert provider["type"] == "file"
    assert provider["options"]["path"].endswith(f"/{language}")


def test_the_event_kinds_that_the_fire_panel_explains_are_those_that_there_are():
    panel = next(one for one in read("promql/fire.json")["panels"] if one["title"] == "What was found of the fire")
    kinds = re.findall(r'"(\w+)"', FireEvent.__doc__.split("kind :")[1].split("\n")[0])
    assert all(kind in panel["description"] for kind in kinds)
