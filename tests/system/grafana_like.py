"""What Grafana does with a dashboard, as far as its queries go: fills in variables, asks the server, reads the answer.

Grafana is not in Debian and does not run here. What is done here is what its documentation and its public source say:
variable formats (docs "Variable syntax": singlequote, doublequote, regex, text), macros of the InfluxDB data source
($timeFilter, $__interval) and of the Prometheus one ($__range, $__interval; range queries start at a multiple of their
step), options of variables (label_values, query_result; SHOW TAG VALUES and SELECT), annotations of both (textColumn,
tagsColumn; useValueForTime). Nice steps beyond the least one are from memory.
"""

import json
import math
import re
import urllib.error
import urllib.parse
from typing import NamedTuple


class Said(NamedTuple):
    """A series of an answer. rows : (UTC s, {column: value}); a column of a series without names is ``value``"""

    labels: dict
    rows: list


_FORMATS = {
    "singlequote": lambda values: ",".join("'" + v.replace("'", "\\'") + "'" for v in values),
    "doublequote": lambda values: ",".join('"' + v.replace('"', '\\"') + '"' for v in values),
    "regex": lambda values: values[0] if len(values) == 1 else f"({'|'.join(values)})",
    "": lambda values: values[0],
}
_REGEX = re.compile(r"[\\^$*+?.()|\[\]{}/]")


class Grafana:
    """Looks at dashboards on one server, at one time. from_s, to_s : UTC s"""

    def __init__(self, language, server, from_s, to_s):
        self.language, self.server, self.from_s, self.to_s = language, server, from_s, to_s
        self.chosen = {}  # variable -> (values, texts)

    # variables

    def choose(self, name, *values, text=None):
        self.chosen[name] = list(values), [text] if text else list(values)

    def fill(self, text):
        """A text with its variables filled in."""
        known = {"__from": [str(round(self.from_s * 1000))], "__to": [str(round(self.to_s * 1000))]}

        def one(found):
            name, how = found[1] or found[3], found[2] or ""
            if name in known:
                return known[name][0]
            if name not in self.chosen:
                return found[0]
            values, texts = self.chosen[name]
            if how == "text":
                return " + ".join(texts)
            if how == "regex":
                values = [_REGEX.sub(lambda c: "\\" + c[0], v) for v in values]
            return _FORMATS[how](values)

        return re.sub(r"\$\{(\w+)(?::(\w+))?\}|\$(\w+)", one, text)

    def options(self, variable):
        """What a variable offers, in the order of the list."""
        if variable["type"] == "custom":
            return [tuple(part.split(" : ")) for part in variable["query"].split(",")]
        assert variable["datasource"]["uid"] == "${source}"
        found = self._influx_options(variable) if self.language == "influxql" else self._prom_options(variable)
        if pattern := variable.get("regex"):
            matched = [re.search(pattern.strip("/"), one) for one in found]
            found = [m[1] for m in matched if m]
        if variable.get("sort") == 4:  # numerical, descending: by the first number in the text
            found.sort(key=lambda text: -int(re.search(r"\d+", text)[0]))
        return found

    def _influx_options(self, variable):
        series = self._influxql(self.fill(variable["query"]))
        values = [row[1] for one in series for row in one["values"]]
        return list(dict.fromkeys(str(int(v)) if isinstance(v, float) and v == int(v) else str(v) for v in values))

    def _prom_options(self, variable):
        query = self.fill(variable["query"])
        if found := re.fullmatch(r"label_values\((.+), (\w+)\)", query):
            values = {"match[]": found[1], "start": str(math.floor(self.from_s)), "end": str(math.ceil(self.to_s))}
            return self._get(f"/api/v1/label/{found[2]}/values", **values)
        asked = re.fullmatch(r"query_result\((.+)\)", query)[1]
        found = self._get("/api/v1/query", query=asked, time=str(math.ceil(self.to_s)))["result"]
        labels = [",".join(f'{name}="{value}"' for name, value in one["metric"].items()) for one in found]
        return [f"{{{said}}} {one['value'][1]} {one['value'][0] * 1000:.0f}"
                for said, one in zip(labels, found, strict=True)]

    # panels

    def step(self, least, points=1000):
        """The interval of a query: the least one, unless the time shown is too long for so many points."""
        number, unit = int(least[:-1]), least[-1]
        return max(number * {"s": 1, "m": 60, "h": 3600}[unit], (self.to_s - self.from_s) // points)

    def ask(self, target, panel):
        """The answer to one query of a panel."""
        step = self.step(panel.get("interval", "1s"))
        moved = self.moved(panel)
        shown = self.from_s - moved, self.to_s - moved
        if self.language == "influxql":
            return self._influx(self.fill(target["query"]), shown, step)
        return self._prom(self.fill(target["expr"]), shown, step, target.get("instant", False))

    def follow(self, url, row):
        """Where a link of a table's row leads."""

        def one(found):
            value = row[found[1]]
            return urllib.parse.quote(value, safe="") if found[2] == ":percentencode" else f"{value:.0f}"

        url = re.sub(r"\$\{__data\.fields\.(\w+)(:percentencode|\.numeric)\}", one, url)
        quoted = {name: urllib.parse.quote(values[0]) for name, (values, _) in self.chosen.items()}
        url = re.sub(r"\$\{(\w+):queryparam\}", lambda found: f"var-{found[1]}={quoted[found[1]]}", url)
        assert "$" not in url, url
        return urllib.parse.urlsplit(url)

    def moved(self, panel):
        """By how many seconds a panel's time is earlier."""
        return 60 * int(self.fill(panel["timeShift"]).removesuffix("m")) if "timeShift" in panel else 0

    def marks(self, annotation, points=100):
        """(UTC ms, tags, text) of each mark; points of one kind no more than a step apart are one to Grafana."""
        shown = self.from_s, self.to_s
        if self.language == "influxql":
            columns = annotation["tagsColumn"].split(",")
            said = self._influx(self.fill(annotation["query"]), shown, 60)
            return [(round(t * 1000), tuple(str(row[c]) for c in columns), row[annotation["textColumn"]])
                    for one in said for t, row in one.rows]
        assert annotation["useValueForTime"] is True
        target, columns = annotation["target"], annotation["tagKeys"].split(",")
        assert target["expr"] == annotation["expr"]
        step, found = self.step(target["interval"], points), []
        for one in self._prom(self.fill(target["expr"]), shown, step, instant=False):
            ends = -math.inf
            for t in (round(row["value"]) for _, row in one.rows):
                if t > ends + 1000 * step:
                    found.append((t, tuple(one.labels[c] for c in columns), ""))
                ends = t
        return found

    def curves(self, panel):
        """What a panel shows as lines or numbers: name in the legend -> (UTC s, value)s."""
        found = {}
        for target in panel["targets"]:
            influx = self.language == "influxql"
            name = self.fill(target["alias"] if influx else target["legendFormat"])
            for one in self.ask(target, panel):
                def label(match, labels=one.labels):
                    return labels[match[1]]
                shown = re.sub(r"\$tag_(\w+)" if influx else r"\{\{(\w+)\}\}", label, name)
                assert shown not in found, f"two lines {shown!r}"
                found[shown] = [(t, row["value"]) for t, row in one.rows if row["value"] is not None]
        return found

    def table(self, panel):
        """What a panel shows as a table: rows of the merged answers, by column, in no order."""
        merge, organize = panel["transformations"]
        assert (merge["id"], organize["id"]) == ("merge", "organize")
        names, dropped = organize["options"]["renameByName"], organize["options"]["excludeByName"]
        rows = {}
        for target in panel["targets"]:
            column = "Value" if len(panel["targets"]) == 1 else f"Value #{target['refId']}"
            for one in self.ask(target, panel):
                for t, row in one.rows:
                    shared = {"Time": t, **one.labels}
                    values = row if self.language == "influxql" else {column: row["value"]}
                    if "kind" in values:  # columns of each point: nothing to merge
                        shared |= {name: values[name] for name in ("kind", "place") if name in values}
                    whole = tuple(sorted(shared.items()))
                    rows.setdefault(whole, dict(shared)).update(values)
        return [{names.get(name, name): value for name, value in row.items() if name not in dropped}
                for row in rows.values()]

    # servers

    def _influx(self, query, shown, step):
        when = f"time >= {round(shown[0] * 1000)}ms and time <= {round(shown[1] * 1000)}ms"
        query = query.replace("$timeFilter", when).replace("$__interval", f"{step:.0f}s")
        return [Said(one.get("tags", {}), [(row[0] / 1000, dict(zip(one["columns"][1:], row[1:], strict=True)))
                                           for row in one["values"]]) for one in self._influxql(query)]

    def _influxql(self, query):
        try:
            return self.server.influxql(query)
        except urllib.error.HTTPError as error:
            raise AssertionError(f"{query}\n{error.read().decode()}") from error

    def _prom(self, query, shown, step, instant):
        span = round(shown[1] - shown[0])
        query = query.replace("$__range", f"{span}s").replace("$__interval", f"{step:.0f}s")
        if instant:
            found = self._get("/api/v1/query", query=query, time=repr(shown[1]))["result"]
            return [Said(one["metric"], [_row(one["value"])]) for one in found]
        start, end = (math.floor(t / step) * step for t in shown)
        found = self._get("/api/v1/query_range", query=query, start=str(start), end=str(end), step=str(step))["result"]
        return [Said(one["metric"], [_row(pair) for pair in one["values"]]) for one in found]

    def _get(self, path, **values):
        try:
            return json.loads(self.server.get(path, **values))["data"]
        except urllib.error.HTTPError as error:
            raise AssertionError(f"{values}\n{error.read().decode()}") from error


def _row(pair):
    return float(pair[0]), {"value": float(pair[1])}
