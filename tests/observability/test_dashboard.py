"""The dashboard, the alerts and the documentation name only what the service really tells."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
import yaml
from prometheus_client.parser import text_string_to_metric_families

from service.http.dependencies import context_of
from service.http.metric_sources import readings
from service.observability.metrics import FAMILIES, Metrics
from tests.conftest import Running
from tests.server import ROOT

pytestmark = pytest.mark.anyio

DOCS = ROOT / "docs"
DASHBOARD = json.loads((DOCS / "observability" / "dashboard.json").read_text(encoding="utf-8"))
ALERTS = yaml.safe_load((DOCS / "observability" / "alerts.yml").read_text(encoding="utf-8"))
# By name, the labels that a sample has.
Told = dict[str, set[str]]

_METRIC = re.compile(r"\b(setwright_\w+)(?:\{([^}]*)\})?")
_GROUPING = re.compile(r"\b(?:by|without) \(([^)]*)\)")


def queries(dashboard: Any, alerts: Any) -> Iterator[str]:
    for panel in dashboard["panels"]:
        for target in panel.get("targets", ()):
            yield target["expr"]
    for group in alerts["groups"]:
        for rule in group["rules"]:
            yield rule["expr"]


def faults(query: str, told: Told) -> list[str]:
    """What of a query the service does not tell."""
    found, labels = [], set[str]()
    for name, selectors in _METRIC.findall(query):
        if name not in told:
            found.append(f"no metric {name}")
            continue
        labels |= told[name]
        for selector in filter(None, re.split(r",\s*", selectors)):
            label = re.match(r"\w+", selector)
            if label is None or label[0] not in told[name]:
                found.append(f"{name} has no label {selector}")
    for grouping in _GROUPING.findall(query):
        found += [f"no label {label}" for label in re.split(r",\s*", grouping) if label not in labels]
    return found


@pytest.fixture
async def told(service: Running) -> Told:
    """What is told after a few requests, of which each family has a sample but those that need a job to have ended."""
    await service.client.get("/v1/holdings", headers=service.collector())
    metrics: Metrics = service.app.state.metrics
    context = context_of(service.app)
    metrics.publish(readings(service.app.state, context))
    found: Told = {}
    for family in text_string_to_metric_families(metrics.text().decode()):
        for sample in family.samples:
            found.setdefault(sample.name, set()).update(sample.labels)
    return found | {"setwright_job_last_success_timestamp_seconds": {"job"}}


async def test_every_query_asks_for_what_is_told(told: Told) -> None:
    asked = list(queries(DASHBOARD, ALERTS))
    assert len(asked) > 50
    assert {query: found for query in asked if (found := faults(query, told))} == {}
    # All that is told is shown.
    shown = {name for query in asked for name, _ in _METRIC.findall(query)}
    kinds = {re.sub(r"_(bucket|sum|count)$", "", name) for name in told if name.startswith("setwright_")}
    assert {re.sub(r"_(bucket|sum|count)$", "", name) for name in shown} == kinds


@pytest.mark.parametrize(
    "planted",
    [
        "sum(rate(setwright_request_total[5m]))",
        "setwright_requests",
        'rate(setwright_requests_total{code="500"}[5m])',
        "sum by (path) (setwright_gate_waiting)",
        "setwright_cache_bytes / setwright_cache_byte",
    ],
)
async def test_a_query_for_something_else_is_seen(told: Told, planted: str) -> None:
    # The control of the test above.
    changed = deepcopy(DASHBOARD)
    changed["panels"][1]["targets"][0]["expr"] = planted
    assert [query for query in queries(changed, ALERTS) if faults(query, told)] == [planted]


def test_the_dashboard_is_one_that_can_be_read() -> None:
    panels = DASHBOARD["panels"]
    assert len({panel["id"] for panel in panels}) == len(panels)
    for panel in panels:
        assert panel["title"]
        place = panel["gridPos"]
        assert place["x"] + place["w"] <= 24
        if panel["type"] == "row":
            continue
        assert panel["targets"]
        assert panel["datasource"]["uid"] == "${source}"
        for target in panel["targets"]:
            query = target["expr"]
            assert all(query.count(begin) == query.count(end) for begin, end in ("()", "[]", "{}")), query
            labels = set(re.findall(r"\{\{(\w+)\}\}", target["legendFormat"]))
            grouped = {label for found in _GROUPING.findall(query) for label in re.split(r",\s*", found)}
            assert labels <= grouped, query
    # No two panels lie on one another.
    cells = [
        (x, y)
        for place in (panel["gridPos"] for panel in panels)
        for x in range(place["x"], place["x"] + place["w"])
        for y in range(place["y"], place["y"] + place["h"])
    ]
    assert len(cells) == len(set(cells))


def test_every_alert_says_what_to_do() -> None:
    rules = [rule for group in ALERTS["groups"] for rule in group["rules"]]
    assert len({rule["alert"] for rule in rules}) == len(rules) >= 8
    assert all(len(rule["annotations"]["summary"]) > 30 for rule in rules)


def in_the_documentation(text: str) -> dict[str, str]:
    """Names with their labels, and meanings, of the table of metrics."""
    return dict(re.findall(r"^\| `(\w+(?:\{[\w, ]+\})?)` \| (.+) \|$", text, re.MULTILINE))


def test_the_documentation_lists_every_metric_as_it_is() -> None:
    listed = in_the_documentation((DOCS / "observability.md").read_text(encoding="utf-8"))
    for name, family in FAMILIES.items():
        labels = "{" + ", ".join(family.labels) + "}" if family.labels else ""
        shown = f"{name}{'_total' if family.kind == 'counter' else ''}{labels}"
        assert listed.get(shown) == family.meaning.rstrip("."), shown


def test_the_paths_of_this_test_lead_somewhere() -> None:
    assert {path.name for path in Path(DOCS / "observability").iterdir()} == {"dashboard.json", "alerts.yml"}
