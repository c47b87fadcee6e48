"""Every page that the service sends: a browser may load and run nothing on it but what the service wrote."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterable
from html.parser import HTMLParser
from typing import Any

import httpx
import pytest

from tests.conftest import Running, running, settings_for
from tests.http import doors
from tests.http.examples import EVALUATION
from tests.http.test_club_display import two_lenders
from tests.http.test_shares import path_of
from tests.openapi import operations

pytestmark = pytest.mark.anyio
HTML = {"Accept": "text/html"}
# Load scripts and styles, all of the service's own; their style is not in the page.
DOCS, APP = ("get", "/docs"), ("get", "/pair")
WITH_PAGES = {
    (method, path)
    for method, path, declared in operations()
    if any("text/html" in answer.get("content", {}) for answer in declared["responses"].values())
}


async def pages(service: Running) -> dict[tuple[str, str], httpx.Response]:
    """A page of every operation that has pages."""
    owner, client = service.collector(), service.client
    published = await doors.published(service, owner)
    share = await doors.shared(service, owner, published)
    club, offer, ada, _, _ = await two_lenders(service)
    own = f"/v1/definitions/{published}"
    exhibition = {"title": "In the hall", "on": "2026-11-30"}
    shown = await client.post(f"{own}/exhibitions", json=exhibition, headers=owner)
    asked: dict[tuple[str, str], tuple[str, dict[str, str]]] = {
        DOCS: ("/docs", {}),
        ("get", "/problems"): ("/problems", {}),
        ("get", "/problems/{kind}"): ("/problems/stale", {}),
        APP: ("/pair?user_code=BCDF-GHJK", {}),
        ("get", "/v1/shared/{secret}"): (path_of(share), {}),
        ("get", "/v1/definitions/{id}/evaluation"): (f"{own}/evaluation", owner),
        ("get", "/v1/definitions/{id}/want-list"): (f"{own}/want-list", owner),
        ("get", "/v1/clubs/{club_id}/definitions/{id}/display"): (f"{club.address}{offer}/display", ada),
        ("get", "/v1/holdings/labels"): ("/v1/holdings/labels", owner),
        ("get", "/v1/insurance-list"): ("/v1/insurance-list", owner),
        ("get", "/v1/definitions/{id}/exhibitions/{exhibition_id}"): (shown.headers["location"], owner),
    }
    answers = {name: await client.get(path, headers={**HTML, **headers}) for name, (path, headers) in asked.items()}
    answers["post", "/v1/evaluations"] = await client.post("/v1/evaluations", json=EVALUATION, headers=HTML)
    return answers


class _Seen(HTMLParser):
    """What a page has that a browser might run or load."""

    def __init__(self) -> None:
        super().__init__()
        self.styles: list[str] = []
        self.loaded: list[str] = []
        self.inline: list[str] = []
        self._is_style = self._is_script = False

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self._is_style, self._is_script = tag == "style", tag == "script"
        for name, value in attributes:
            if name == "style" or name.startswith("on") or (value or "").strip().lower().startswith("javascript:"):
                self.inline.append(f"<{tag} {name}>")
            elif name == "src" or (name == "href" and tag == "link"):
                self.loaded.append(value or "")
        if (
            tag in ("form", "base", "iframe", "object", "embed", "meta")
            and dict(attributes).get("http-equiv", tag) != "meta"
        ):
            self.inline.append(f"<{tag}>")

    def handle_data(self, data: str) -> None:
        if self._is_style:
            self.styles.append(data)
        elif self._is_script and data.strip():
            self.inline.append("<script>")
        self._is_style = self._is_script = False


def directives(policy: str) -> dict[str, list[str]]:
    return {name: sources for name, *sources in (part.split() for part in policy.split(";") if part.strip())}


def faults(page: str, headers: Iterable[tuple[str, str]]) -> list[str]:
    """What is not as it should be with a page and its headers."""
    sent = [(name.lower(), value) for name, value in headers]
    found = [
        f"{name}: {[value for other, value in sent if other == name]}"
        for name, wanted in (("x-content-type-options", ["nosniff"]), ("referrer-policy", ["no-referrer"]))
        if [value for other, value in sent if other == name] != wanted
    ]
    policies = [value for name, value in sent if name == "content-security-policy"]
    if len(policies) != 1:
        return [*found, f"{len(policies)} policies"]
    allowed, seen = directives(policies[0]), _Seen()
    seen.feed(page)
    closed = ("default-src", "base-uri", "form-action", "frame-ancestors")
    found += [f"{name}: {allowed.get(name)}" for name in closed if allowed.get(name) != ["'none'"]]
    for text in seen.styles:
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        if f"'sha256-{digest}'" not in allowed.get("style-src", []):
            found.append("a style that the policy does not allow")
    found += [
        f"loads {address}" for address in seen.loaded if not re.fullmatch(r"/(?:docs/assets|app)/[\w./-]+", address)
    ]
    if any("unsafe" in source for name in ("script-src", "style-src") for source in allowed.get(name, [])):
        found.append("unsafe sources")
    return [*found, *seen.inline]


async def test_a_page_runs_and_loads_nothing_but_its_own(service: Running) -> None:
    answers = await pages(service)
    assert set(answers) == WITH_PAGES
    for name, answer in answers.items():
        assert answer.status_code == 200, (name, answer.text)
        assert answer.headers["content-type"] == "text/html; charset=utf-8", name
        assert faults(answer.text, answer.headers.multi_items()) == [], name
        seen = _Seen()
        seen.feed(answer.text)
        assert bool(seen.loaded) == (name in (DOCS, APP)), name
        assert bool(seen.styles) == (name not in (DOCS, APP)), name


@pytest.mark.parametrize(
    ("planted", "in_place_of"),
    [
        ("<body><p style='color: red'>", "<body>"),
        ("<body onload='x()'>", "<body>"),
        ("<body><script>x()</script>", "<body>"),
        ("<body><script src='https://elsewhere.example/x.js'></script>", "<body>"),
        ("<body><form>", "<body>"),
        ("<body><a href='javascript:x()'>y</a>", "<body>"),
        ("<style>x {}", "<style>"),
    ],
)
async def test_the_control_sees_what_is_planted(service: Running, planted: str, in_place_of: str) -> None:
    page = await service.client.get("/problems")
    headers = page.headers.multi_items()
    assert faults(page.text, headers) == []
    assert in_place_of in page.text
    assert faults(page.text.replace(in_place_of, planted), headers)
    for without in ("content-security-policy", "referrer-policy", "x-content-type-options"):
        assert faults(page.text, [(name, value) for name, value in headers if name != without])
        assert faults(page.text, [*headers, (without, page.headers[without])])


async def test_every_answer_has_one_nosniff(service: Running) -> None:
    owner = service.collector()
    answers: list[Any] = [
        await service.client.get("/v1/holdings", headers=owner),
        await service.client.get("/v1/holdings"),
        await service.client.get("/nowhere"),
        await service.client.head("/health/live"),
        await service.client.get("/docs/assets/docs.js"),
        await service.client.post("/v1/evaluations", content=b"x" * 10, headers={"Content-Type": "application/json"}),
    ]
    for answer in answers:
        assert answer.headers.get_list("x-content-type-options") == ["nosniff"]
        assert "strict-transport-security" not in answer.headers
        assert "content-security-policy" not in answer.headers


async def test_a_drawing_is_inert_too(service: Running) -> None:
    share = await doors.shared(service, service.collector())
    drawn = await service.client.get(f"{path_of(share)}/qr")
    assert directives(drawn.headers["content-security-policy"])["default-src"] == ["'none'"]


async def test_a_service_behind_https_says_so(database_url: str) -> None:
    settings = settings_for(database_url).model_copy(update={"base_url": "https://setwright.test"})
    async with running(settings) as secure:
        for path in ("/health/live", "/nowhere", "/problems"):
            answer = await secure.client.get(path)
            assert answer.headers.get_list("strict-transport-security") == ["max-age=31536000"]
