"""A collector's set, everything that an answer about it follows from, and a change of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import httpx

SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "One of each",
    "prefer": [{"highest": "grade"}],
    "slots": [
        {"id": "sound", "label": "Sound", "accepts": "denomination = 'crown' AND count(problems) = 0"},
        {"id": "issue", "label": "Known by its issue", "accepts": "denomination = 'florin'"},
        {"id": "beast", "label": "A beast", "accepts": "narrower(main_motifs, 'equine')"},
        {"id": "late", "label": "Late", "accepts": "denomination = 'penny'"},
    ],
}
ISSUE = {"label": "Own florin", "source": "own", "edition": "1", "facts": {"denomination": "florin"}}
BEASTS = {"extends": "motifs", "concepts": [{"id": "quagga", "broader": ["equine"]}]}
SOUND = {"presume": [{"facts": {"problems": []}}], "identify": []}
ASKED = (
    "evaluation",
    "want-list",
    "evaluation?today=2026-01-02",
    "evaluation?presume=false",
    "evaluation?format=text",
    "evaluation?revision=1",
    "want-list?upgrades=0",
    "want-list?format=html",
    "want-list?format=html&paper=a6",
    "want-list?format=text",
)


@dataclass(frozen=True)
class Collector:
    """An account with two sets of one document; the second changes only by what both follow from."""

    headers: Mapping[str, str]
    sets: tuple[str, str]
    coin: str
    is_about_all: bool = False
    """Whether only answers about all sets together are asked for."""

    @property
    def paths(self) -> list[str]:
        first, second = self.sets
        of_sets = [*(f"{first}/{asked}" for asked in ASKED), *(f"{second}/{asked}" for asked in ASKED[:2])]
        of_all = ["/v1/need-sheets", "/v1/need-sheets?today=2026-01-02"]
        return of_all if self.is_about_all else [*of_sets, *of_all]


async def done(
    client: httpx.AsyncClient, headers: Mapping[str, str], method: str, path: str, body: Any = None
) -> httpx.Response:
    answer = await client.request(method, path, json=body, headers={**headers, "If-Match": "*"})
    assert answer.is_success, (path, answer.text)
    return answer


async def move_in(client: httpx.AsyncClient, headers: Mapping[str, str]) -> Collector:
    """Coins for the places, an issue, a vocabulary, and two sets."""
    await done(client, headers, "POST", "/v1/issues", {"id": "own-florin", **ISSUE})
    await done(client, headers, "POST", "/v1/vocabularies", {"name": "beasts", **BEASTS})
    coins: list[dict[str, Any]] = [
        {"facts": {"denomination": "penny", "grade": 8}},
        {"facts": {"denomination": "crown"}},
        {"issue": "own-florin"},
        {"facts": {"main_motifs": ["quagga"]}},
    ]
    ids = [(await done(client, headers, "POST", "/v1/holdings", coin)).json()["id"] for coin in coins]
    made = [await done(client, headers, "POST", "/v1/definitions", {"document": SET}) for _ in range(2)]
    return Collector(headers, (made[0].headers["location"], made[1].headers["location"]), ids[0])


CHANGES = (
    "state",
    "issue",
    "vocabulary",
    "presumption",
    "decisions",
    "notes",
    "draft",
    "publication",
    "same draft",
    "adoption",
)


async def change(client: httpx.AsyncClient, mine: Collector, what: str) -> None:
    """One change, of the first set where it is one of a set."""
    where, headers = mine.sets[0], mine.headers
    if what == "state":
        await done(client, headers, "POST", "/v1/holdings", {"facts": {"denomination": "penny", "grade": 60}})
    elif what == "issue":
        await done(client, headers, "PUT", "/v1/issues/own-florin", {**ISSUE, "facts": {"denomination": "farthing"}})
    elif what == "vocabulary":
        other = {**BEASTS, "concepts": [{"id": "quagga"}]}
        await done(client, headers, "PUT", "/v1/vocabularies/beasts", other)
    elif what == "presumption":
        await done(client, headers, "PUT", "/v1/account/presumptions", SOUND)
    elif what == "decisions":
        never = {"pins": [], "nevers": [{"holding": mine.coin, "place": "late"}]}
        await done(client, headers, "PUT", f"{where}/pins", never)
    elif what == "notes":
        notes = {"notes": [{"place": slot["id"], "note": "any will do"} for slot in SET["slots"]]}
        await done(client, headers, "PUT", f"{where}/want-notes", notes)
    elif what == "draft":
        document = {**SET, "slots": SET["slots"][:3]}
        await done(client, headers, "PUT", where, {"document": document})
    elif what == "publication":
        await done(client, headers, "POST", f"{where}/revisions?acknowledged=true")
    elif what == "same draft":
        # The document of the revision before, under another number.
        document = (await client.get(where, headers=dict(headers))).json()["document"]
        await done(client, headers, "PUT", where, {"document": document})
    else:
        other_title = {**SET, "title": "Another", "slots": SET["slots"][1:]}
        await done(client, headers, "PUT", where, {"document": other_title})
        await done(client, headers, "POST", f"{where}/revisions?acknowledged=true")
        await done(client, headers, "PUT", f"{where}/adoption", {"revision": 1})
