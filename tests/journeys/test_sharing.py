"""Two real servers on one machine: a definition is shared on one, imported on the other, revised, followed, adopted, revoked."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.rules.document import document_digest
from tests.http.examples import DOCUMENT
from tests.server import Server, serving

pytestmark = pytest.mark.process

SECOND: dict[str, Any] = {**DOCUMENT, "title": "Two crowns, again"}


@contextmanager
def somebody(server: Server) -> Iterator[httpx.Client]:
    headers = {"Authorization": f"Bearer {server.token()}"}
    with httpx.Client(base_url=server.address, headers=headers, timeout=20, trust_env=False) as client:
        yield client


def published(client: httpx.Client, document: dict[str, Any]) -> str:
    made = client.post("/v1/definitions", json={"document": document}).raise_for_status()
    client.post(f"{made.headers['location']}/revisions", headers={"If-Match": "*"}).raise_for_status()
    where: str = made.headers["location"]
    return where


@pytest.mark.timeout(120)
def test_share_import_revise_follow_adopt_revoke(
    another_database_url: Callable[[], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SETWRIGHT_IMPORTS_FROM_LOOPBACK", "true")
    with serving(another_database_url()) as lender, serving(another_database_url()) as borrower:
        with somebody(lender) as ada, somebody(borrower) as ben:
            original = published(ada, DOCUMENT)
            body = {"definition": original.rpartition("/")[2], "revision": 1, "follows": True}
            share = ada.post("/v1/shares", json=body).raise_for_status().json()
            assert share["link"].startswith(f"{lender.address}/v1/shared/sws_")
            # Anybody may look at it, without an account.
            assert "Worn crown" in httpx.get(share["link"], headers={"Accept": "text/html"}, trust_env=False).text
            # Looked at, and kept.
            brought = ben.post("/v1/imports", json={"from": share["link"], "digest": document_digest(DOCUMENT)})
            assert brought.status_code == 201, brought.text
            assert ben.get("/v1/definitions").json()["items"] == []
            kept = ben.post(f"{brought.headers['location']}/confirmation").raise_for_status()
            assert (kept.json()["digest"], kept.json()["status"]) == (document_digest(DOCUMENT), "published")
            mine = kept.headers["location"]
            # Nothing newer; then there is.
            assert ben.post(f"{mine}/origin/checks").json()["outcome"] == "unchanged"
            ada.put(original, json={"document": SECOND}, headers={"If-Match": "*"}).raise_for_status()
            ada.post(f"{original}/revisions", headers={"If-Match": "*"}).raise_for_status()
            found = ben.post(f"{mine}/origin/checks").json()
            assert (found["outcome"], found["origin"]["available"][0]["digest"]) == ("newer", document_digest(SECOND))
            assert ben.get(f"{mine}/origin/revisions/2").json()["document"] == SECOND
            assert ben.get(mine).json()["document"] == DOCUMENT
            assert ben.post(f"{mine}/origin/checks").json()["outcome"] == "unchanged"
            # Taken in: a draft, which says what it would do; the set goes on as it was until the owner adopts it.
            anyway = {"If-Match": "*"}
            pulled = ben.post(f"{mine}/pulls", json={}, headers=anyway).raise_for_status().json()
            assert (pulled["conflicts"], pulled["draft"]["digest"]) == ([], document_digest(SECOND))
            assert [change["kind"] for change in ben.get(f"{mine}/impact").json()["changes"]] == ["title-changed"]
            published_again = ben.post(f"{mine}/revisions", headers=anyway).raise_for_status().json()
            assert (published_again["revision"], published_again["digest"]) == (2, document_digest(SECOND))
            assert ben.get(f"{mine}/evaluation").json()["definition"]["digest"] == document_digest(DOCUMENT)
            ben.put(f"{mine}/adoption", json={"revision": 2}, headers=anyway).raise_for_status()
            assert ben.get(f"{mine}/evaluation").json()["definition"]["digest"] == document_digest(SECOND)
            # Revoked: the next question fails, kindly, and what was taken stays.
            assert ada.delete(f"/v1/shares/{share['id']}").status_code == 204
            failed = ben.post(f"{mine}/origin/checks").json()
            assert (failed["outcome"], failed["origin"]["last_problem"]) == ("failed", "fetch-failed")
            assert "revoked" in failed["problem"]["detail"]
            assert ben.post(f"{mine}/origin/checks").status_code == 429
            assert ben.get(f"{mine}/evaluation").status_code == 200
            assert ben.get(f"{mine}/origin/revisions/2").status_code == 200
        # "unchanged" was answered by 304, the others by documents.
        assert lender.printed.count("route=/v1/shared/{secret} status=304") == 2
        assert lender.printed.count("route=/v1/shared/{secret} status=404") == 1
        secret = share["link"].rpartition("/")[2]
        assert secret not in lender.printed + borrower.printed


@pytest.mark.timeout(60)
def test_without_the_setting_another_server_on_this_machine_is_not_asked(
    another_database_url: Callable[[], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("SETWRIGHT_IMPORTS_FROM_LOOPBACK", raising=False)
    with serving(another_database_url()) as server, somebody(server) as client:
        answer = client.post("/v1/imports", json={"from": f"{server.address}/v1/shared/sws_x"})
        assert (answer.status_code, answer.json()["type"].rpartition("/")[2]) == (422, "address-not-allowed")
        assert "route=/v1/shared/{secret}" not in server.printed


@pytest.mark.timeout(90)
@pytest.mark.skipif(shutil.which("chromium") is None, reason="looks at the page in a browser")
def test_a_browser_shows_the_page_and_asks_for_nothing_else(empty_database_url: str, tmp_path: Path) -> None:
    hostile = {**DOCUMENT, "title": "Crowns <script>document.title = 'taken'</script>"}
    with serving(empty_database_url) as server, somebody(server) as ada:
        original = published(ada, hostile)
        body = {"definition": original.rpartition("/")[2], "revision": 1}
        link = ada.post("/v1/shares", json=body).raise_for_status().json()["link"]
        command = [
            "chromium",
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--enable-logging=stderr",
            "--log-level=0",
            f"--user-data-dir={tmp_path}",
            "--dump-dom",
        ]
        done = subprocess.run([*command, link], capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 0, done.stderr
        # The page as the browser understood it: the title is text, the style is taken, the drawing is there.
        assert "<title>Crowns &lt;script&gt;" in done.stdout
        assert "<script" not in done.stdout
        assert "<dt>Worn crown</dt><dd>a crown, grade less than 40" in done.stdout
        assert "<svg" in done.stdout
        assert "CONSOLE" not in done.stderr
        asked = re.findall(r'method=GET route=("\(no route\)"|\S+) status=(\d+)', server.printed)
        expected = {("/health/ready", "200"), ("/v1/shared/{secret}", "200")}
        assert set(asked) - expected <= {('"(no route)"', "404")}, asked
