"""A link shows one revision to whoever has it, as JSON, as YAML and as a page; it never shows whose it is, and revoked it leads
nowhere from the next request on."""

from __future__ import annotations

import asyncio
import re
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import quote

import httpx
import pytest

from service.accounts.model import token_digest
from service.formats.strict_json import parse_yaml
from service.rules.document import document_digest
from service.sharing.model import Share
from tests.conftest import Running
from tests.http import doors
from tests.http.contents import everything_kept
from tests.http.examples import DOCUMENT
from tests.http.requests import own_headers
from tests.logs import listening
from tests.promises.plugin import Promise

pytestmark = pytest.mark.anyio

BASE = "http://setwright.test"
CANARY = "canary-of-the-owner"
SECOND = {**DOCUMENT, "title": "Two crowns, again"}
THIRD = {**DOCUMENT, "title": "Two crowns, once more"}


def path_of(share: dict[str, Any]) -> str:
    link: str = share["link"]
    assert link.startswith(f"{BASE}/v1/shared/sws_")
    return link.removeprefix(BASE)


async def test_a_link_shows_the_document_without_an_account(service: Running) -> None:
    owner = service.collector()
    share = await doors.shared(service, owner)
    answer = await service.client.get(path_of(share))
    assert answer.status_code == 200
    assert answer.json() == {
        "title": "Two crowns",
        "revision": 1,
        "digest": document_digest(DOCUMENT),
        "published_at": answer.json()["published_at"],
        "follows": False,
        "newest_revision": 1,
        "document": DOCUMENT,
    }
    kept = await service.client.get(f"/v1/shares/{share['id']}", headers=owner)
    assert kept.json()["status"] == "open"
    assert kept.json()["last_used_at"] is not None
    assert "link" not in kept.json()


async def test_the_secret_is_told_once_and_kept_as_its_hash(service: Running) -> None:
    owner = service.collector()
    share = await doors.shared(service, owner)
    secret = path_of(share).rpartition("/")[2]
    # 32 random bytes behind the prefix, as for tokens.
    assert len(secret) == len("sws_") + 43
    listed = await service.client.get("/v1/shares", headers=owner)
    assert [entry["id"] for entry in listed.json()["items"]] == [share["id"]]
    kept = everything_kept(service)
    assert token_digest(secret) in kept
    assert secret not in kept + listed.text


async def test_yaml_is_the_document_itself(service: Running) -> None:
    share = await doors.shared(service, service.collector())
    answer = await service.client.get(path_of(share), headers={"Accept": "application/yaml"})
    assert answer.headers["content-type"] == "application/yaml; charset=utf-8"
    assert document_digest(parse_yaml(answer.content)) == share_digest(await service.client.get(path_of(share)))


def share_digest(answer: httpx.Response) -> str:
    found: str = answer.json()["digest"]
    return found


BROWSER = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,*/*;q=0.8"}


async def test_the_page_says_the_places_in_words_and_does_nothing(service: Running) -> None:
    hostile = {
        **DOCUMENT,
        "title": "<script>alert(1)</script>",
        "summary": '"><img src=x onerror=alert(1)>',
        "language": 'en"><script>',
    }
    owner = service.collector()
    share = await doors.shared(service, owner, await doors.published(service, owner, hostile))
    answer = await service.client.get(path_of(share), headers=BROWSER)
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert "<script" not in answer.text
    assert "<img" not in answer.text
    assert "<dt>Worn crown</dt><dd>a crown, grade less than 40." in answer.text
    assert "<svg" in answer.text
    # The only addresses on it are relative. That of the app has the link behind #, which a browser sends to no server.
    taken = f"/app/take#from={quote(share['link'], safe='')}"
    assert set(re.findall(r'(?:href|src|action)="([^"]*)"', answer.text)) == {"?format=json", "?format=yaml", taken}
    policy = answer.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("more", ["", "?format=yaml", "?format=html", "/qr", "/revisions", "/revisions/1"])
async def test_every_answer_keeps_the_link_from_caches_indexes_and_other_places(service: Running, more: str) -> None:
    share = await doors.shared(service, service.collector(), follows=True)
    answer = await service.client.get(path_of(share) + more)
    assert answer.status_code == 200, answer.text
    assert "no-store" in answer.headers["cache-control"]
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert answer.headers["x-robots-tag"] == "noindex"


async def test_the_qr_code_is_a_drawing_of_the_link(service: Running) -> None:
    share = await doors.shared(service, service.collector())
    drawn = await service.client.get(f"{path_of(share)}/qr")
    assert drawn.headers["content-type"] == "image/svg+xml"
    assert drawn.text.startswith("<svg")
    assert 'xmlns="http://www.w3.org/2000/svg"' in drawn.text
    # The same modules as in the answer that made the share.
    path = re.search(r' d="([^"]+)"', drawn.text)
    assert path is not None
    assert path[1] in share["qr_svg"]
    another = await service.client.get(f"{path_of(await doors.shared(service, service.collector()))}/qr")
    assert path[1] not in another.text


async def test_a_version_that_is_known_is_not_sent_again(service: Running) -> None:
    owner = service.collector()
    definition = await doors.published(service, owner)
    share = await doors.shared(service, owner, definition, follows=True)
    first = await service.client.get(path_of(share))
    known = {"If-None-Match": first.headers["etag"]}
    again = await service.client.get(path_of(share), headers=known)
    assert (again.status_code, again.content) == (304, b"")
    assert (await service.client.get(path_of(share), headers={**known, **BROWSER})).status_code == 200
    # A share that follows has changed when a revision was published.
    await doors.publish(service, owner, definition, SECOND)
    changed = await service.client.get(path_of(share), headers=known)
    assert changed.json()["newest_revision"] == 2
    assert changed.json()["document"] == DOCUMENT


async def test_a_revision_that_a_link_does_not_show_is_absent_in_the_same_words(service: Running) -> None:
    owner = service.collector()
    definition = await doors.published(service, owner)
    told = set()
    for follows in (True, False):
        link = (await doors.shared(service, owner, definition, follows=follows))["link"]
        where = link.removeprefix("http://setwright.test")
        for number in (2, 99):
            answer = await service.client.get(f"{where}/revisions/{number}")
            assert answer.status_code == 404
            assert definition not in answer.text
            told.add(answer.json()["detail"].replace(str(number), "N"))
    assert len(told) == 1


async def test_a_share_that_follows_shows_later_revisions_and_never_earlier_ones(service: Running) -> None:
    owner = service.collector()
    definition = await doors.published(service, owner)
    await doors.publish(service, owner, definition, SECOND)
    following = path_of(await doors.shared(service, owner, definition, revision=2, follows=True))
    fixed = path_of(await doors.shared(service, owner, definition, revision=2))
    await doors.publish(service, owner, definition, THIRD)
    put = await service.client.put(
        f"/v1/definitions/{definition}", json={"document": DOCUMENT}, headers={**owner, "If-Match": "*"}
    )
    assert put.json()["status"] == "draft"
    for link, shown in ((following, [2, 3]), (fixed, [2])):
        items = (await service.client.get(f"{link}/revisions")).json()["items"]
        assert [item["revision"] for item in items] == shown
        got = {n: (await service.client.get(f"{link}/revisions/{n}")).status_code for n in (1, 2, 3, 4)}
        assert [n for n, status in got.items() if status == 200] == shown
        assert (await service.client.get(link)).json()["newest_revision"] == shown[-1]
    third = (await service.client.get(f"{following}/revisions/3")).json()
    assert (third["document"], third["digest"]) == (THIRD, document_digest(THIRD))
    page = (await service.client.get(following, headers=BROWSER)).text
    assert "There is a newer revision: 3." in page
    assert "newer revision" not in (await service.client.get(fixed, headers=BROWSER)).text
    first = (await service.client.get(f"{following}/revisions?limit=1")).json()
    assert [item["revision"] for item in first["items"]] == [2]
    rest = (await service.client.get(first["next"])).json()
    assert [item["revision"] for item in rest["items"]] == [3]


async def test_what_cannot_be_shared(service: Running) -> None:
    owner, stranger = service.collector(), service.collector()
    published = await doors.published(service, owner)
    draft = (await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=owner)).json()["id"]
    for headers, definition, revision in ((owner, draft, 1), (owner, published, 2), (stranger, published, 1)):
        body = {"definition": definition, "revision": revision}
        answer = await service.client.post("/v1/shares", json=body, headers=headers)
        assert answer.status_code == 404, (definition, revision)


DOORS = ("", "?format=yaml", "?format=html", "/qr", "/revisions", "/revisions/1")


async def test_every_link_that_leads_nowhere_is_answered_in_the_same_words(service: Running) -> None:
    """Promise 12: a live link opens every door, a revoked, expired, used up, unknown or misspelt one none."""
    owner = service.collector()
    live = path_of(await doors.shared(service, owner, follows=True))
    revoked = await doors.shared(service, owner)
    assert (await service.client.delete(f"/v1/shares/{revoked['id']}", headers=owner)).status_code == 204
    expired = path_of(await doors.shared(service, owner, expires_in_seconds=60))
    used = path_of(await doors.shared(service, owner, most_uses=1))
    assert (await service.client.get(used)).status_code == 200
    service.app.state.clock = lambda: datetime.now(UTC) + timedelta(seconds=61)
    dead = [path_of(revoked), expired, used, f"/v1/shared/sws_{'A' * 43}", "/v1/shared/x", live[:-1], f"{live}A"]
    assert [(await service.client.get(live + door)).status_code for door in DOORS] == [200] * len(DOORS)
    told = set()
    for link in dead:
        for door in DOORS:
            answer = await service.client.get(link + door)
            assert answer.status_code == 404, (link, door)
            headers = own_headers(answer)
            headers.pop("content-length")
            told.add((answer.text, tuple(sorted(headers.items()))))
    assert len(told) == 1
    assert "there is no share '...'" in next(iter(told))[0]


async def readers_around_a_revocation(service: Running) -> tuple[set[int], set[int]]:
    """What readers in a loop were answered: before the revocation was, and when they began after its answer."""
    owner = service.collector()
    share = await doors.shared(service, owner)
    revoked_at: list[float] = []
    seen: list[tuple[float, int]] = []
    clock = asyncio.get_running_loop().time

    async def read_on() -> None:
        while not revoked_at or clock() < revoked_at[0] + 0.2:
            began = clock()
            seen.append((began, (await service.client.get(path_of(share))).status_code))

    readers = [asyncio.create_task(read_on()) for _ in range(4)]
    await asyncio.sleep(0.2)
    # Once more is no error: it is what was asked for.
    for _ in range(2):
        assert (await service.client.delete(f"/v1/shares/{share['id']}", headers=owner)).status_code == 204
        revoked_at[:] = revoked_at or [clock()]
    await asyncio.gather(*readers)
    kept = await service.client.get(f"/v1/shares/{share['id']}", headers=owner)
    assert kept.json()["revoked_at"] is not None
    early, late = ({status for began, status in seen if (began >= revoked_at[0]) is after} for after in (False, True))
    return early, late


async def test_revocation_holds_from_the_next_request_on(service: Running, promise: Promise) -> None:
    """Promise 13: 0 successes among the requests that began after the answer."""
    early, late = await readers_around_a_revocation(service)
    assert (200 in early, late) == (True, {404})
    promise(13, "a link revoked while it is read", kept="0 successes after the answer")


async def test_a_link_that_outlives_its_revocation_is_seen(
    service: Running, monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    # The control of the test above: shares that are remembered as open.
    monkeypatch.setattr(Share, "status", lambda share, now: "open")
    early, late = await readers_around_a_revocation(service)
    assert 200 in early & late
    promise(13, "a link revoked while it is read", control="shares remembered as open: successes after the answer")


async def test_a_links_secret_stands_in_no_log(service: Running, capfd: pytest.CaptureFixture[str]) -> None:
    with listening() as written:
        share = await doors.shared(service, service.collector())
        for door in (*DOORS, "?format=x", "/revisions/x", "/nothing", "%00"):
            await service.client.get(path_of(share) + door)
    logged = written.getvalue() + "".join(capfd.readouterr())
    assert "method=GET route=/v1/shared/{secret}" in logged, "the log must have been seen"
    assert path_of(share).rpartition("/")[2] not in logged


async def test_uses_are_counted_exactly_whoever_comes_at_once(service: Running) -> None:
    owner = service.collector()
    share = await doors.shared(service, owner, most_uses=5)
    answers = await asyncio.gather(*(service.client.get(path_of(share)) for _ in range(20)))
    assert sorted(answer.status_code for answer in answers) == [200] * 5 + [404] * 15
    kept = (await service.client.get(f"/v1/shares/{share['id']}", headers=owner)).json()
    assert (kept["status"], kept["uses_left"]) == ("used up", 0)


async def test_asking_whether_something_is_new_uses_nothing_up(service: Running) -> None:
    owner = service.collector()
    share = await doors.shared(service, owner, most_uses=2)
    tag = (await service.client.get(path_of(share))).headers["etag"]
    for _ in range(3):
        assert (await service.client.get(path_of(share), headers={"If-None-Match": tag})).status_code == 304
        assert (await service.client.get(f"{path_of(share)}/qr")).status_code == 200
    assert (await service.client.get(f"/v1/shares/{share['id']}", headers=owner)).json()["uses_left"] == 1


async def test_head_uses_nothing_up(service: Running) -> None:
    owner = service.collector()
    share = await doors.shared(service, owner, most_uses=1)
    for door in ("", "/revisions/1"):
        assert (await service.client.head(path_of(share) + door)).status_code == 200
    assert (await service.client.get(f"/v1/shares/{share['id']}", headers=owner)).json()["uses_left"] == 1
    assert (await service.client.get(path_of(share))).status_code == 200
    assert (await service.client.head(path_of(share))).status_code == 404


async def test_nothing_of_the_owner_shows_through_a_link(service: Running) -> None:
    owner = service.collector()
    account = (await service.client.get("/v1/account", headers=owner)).json()
    coin = {
        "facts": {"denomination": "crown", "grade": 20},
        "number": CANARY,
        "note": CANARY,
        "location": CANARY,
        "tags": [CANARY],
    }
    held = await service.client.post("/v1/holdings", json=coin, headers=owner)
    assert held.status_code == 201, held.text
    definition = await doors.published(service, owner)
    pins = {"pins": [{"holding": held.json()["id"], "place": "worn"}], "nevers": []}
    pinned = await service.client.put(
        f"/v1/definitions/{definition}/pins", json=pins, headers={**owner, "If-Match": "*"}
    )
    assert pinned.status_code == 200, pinned.text
    share = await doors.shared(service, owner, definition, name=CANARY, follows=True)
    told = ""
    for door in DOORS:
        answer = await service.client.get(path_of(share) + door)
        told += answer.text + str(answer.headers)
    private = [CANARY, account["id"], account["name"], held.json()["id"], definition, share["id"], "grade: 20"]
    for canary in private:
        assert canary not in told
    # The control: the search would find what is there.
    assert "Two crowns" in told
    assert CANARY in (await service.client.get("/v1/shares", headers=owner)).text
