"""Every view of the web app: a new one has its row here, and is looked at in all sizes, colours and languages."""

from __future__ import annotations

from tests.web.a_set import Collector


def every_view(collector: Collector) -> dict[str, str]:
    """The address of each view, and a selector of what is there once it is complete."""
    return {
        "/app/sign-in": "form",
        "/app/password": "form",
        "/pair?user_code=BCDF-GHJK": "form",
        "/app/": ".bar",
        "/app/build/new": ".starts",
        f"/app/build/{collector.set}": ".part-editor",
        "/app/coins": ".coins td",
        f"/app/coins/{collector.coins['p1']}": "#fact-year_on_coin",
        f"/app/coins/new?like={collector.coins['p1']}": "#own-number",
        "/app/attention": ".sync",
        "/app/coins/import": "input[type=file]",
        collector.album(): "li.place",
        collector.place("old-penny"): ".looked input",
        collector.place("farthing"): ".others",
        collector.place("crown"): ".decisions",
        "/app/table": ".fact-field",
        "/app/clubs": "details form",
        "/app/lists": ".adding",
        "/app/account": "form",
        "/app/join": "form",
        "/app/take": "form",
        "/app/print?what=exhibition": "form",
        "/app/print?what=labels": "form",
    }
