"""Holdings by a filter in the rule language, in an order, counted, page by page."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, urlparse

import pytest

from tests.conftest import Running

pytestmark = pytest.mark.anyio

COINS: list[dict[str, Any]] = [
    {"number": "1", "facts": {"denomination": "crown", "grade": 40, "main_motifs": ["kiwi"]}},
    {"number": "2", "facts": {"denomination": "crown", "grade": {"from": 30, "to": 50}}},
    {"number": "3", "facts": {"denomination": "penny", "grade": 12}},
    {"number": "4", "facts": {"grade": {"one_of": [60, 8]}, "denomination": "florin"}},
    {"number": "5", "facts": {"denomination": "crown"}, "issue": {"one_of": ["euro-de-1-00", "euro-de-2-00"]}},
]


async def kept(service: Running) -> dict[str, str]:
    owner = service.collector()
    for coin in COINS:
        made = await service.client.post("/v1/holdings", json=coin, headers=owner)
        assert made.status_code == 201, made.text
    return owner


async def numbers(service: Running, owner: dict[str, str], **query: Any) -> list[str]:
    """The owner's numbers of all pages, two holdings a page."""
    found: list[str] = []
    params = {"limit": 2, **query}
    while True:
        answer = await service.client.get("/v1/holdings", params=params, headers=owner)
        assert answer.status_code == 200, answer.text
        found += [item["number"] for item in answer.json()["items"]]
        following = answer.json()["next"]
        if following is None:
            return found
        params = {name: values[0] for name, values in parse_qs(urlparse(following).query).items()}


async def test_a_filter_takes_what_fits_for_certain_and_on_demand_what_may(service: Running) -> None:
    owner = await kept(service)
    assert await numbers(service, owner, filter="denomination = 'crown' AND grade >= 35") == ["1"]
    assert await numbers(service, owner, filter="denomination = 'crown' AND grade >= 35", doubtful=True) == [
        "1",
        "2",
        "5",
    ]
    assert await numbers(service, owner, filter="narrower(main_motifs, 'bird')") == ["1"]
    # A holding inherits from its issues; with two candidates only what both say is certain.
    assert await numbers(service, owner, filter="shape = 'round'") == ["5"]
    assert await numbers(service, owner, filter="diameter = 23.25") == []
    assert await numbers(service, owner, filter="diameter = 23.25", doubtful=True) == ["1", "2", "3", "4", "5"]


def by_print(title: str, *terms: dict[str, Any], name: str = "prints", **more: Any) -> dict[str, Any]:
    """A set by the animal whose print is on the coin, from a list that it carries."""
    return {
        "format": "set-definition/1",
        "title": title,
        "attributes": [{"name": "print", "type": "text", "vocabulary": "prints", "many": True}],
        "vocabularies": [{"name": name, "concepts": list(terms), **more}],
        "slots": [{"id": "any", "accepts": "print IS NOT NULL"}],
    }


async def test_a_filter_knows_what_stands_below_a_term_of_a_list_that_a_definition_carries(service: Running) -> None:
    owner, client = service.collector(), service.client
    paws = by_print("Prints in the snow", {"id": "paw"}, {"id": "fox", "broader": ["paw"]}, {"id": "hoof"})
    # Another set has a list of the same name, with a term more and one under another.
    hoofs = by_print("Prints in the sand", {"id": "hoof"}, {"id": "roe deer", "broader": ["hoof"]})
    # And one adds a creature to the list that comes with the service.
    beasts = by_print("Moon beasts", {"id": "moon kiwi", "broader": ["kiwi"]}, name="more", extends="motifs")
    beasts["attributes"] = []
    beasts["slots"] = [{"id": "moon", "accepts": "narrower(main_motifs, 'moon kiwi')"}]
    made = {}
    for document in (paws, hoofs, beasts):
        answer = await client.post("/v1/definitions", json={"document": document}, headers=owner)
        assert answer.status_code == 201, answer.text
        made[document["title"]] = answer.headers["Location"], answer.headers["ETag"]
    for number, facts in {
        "1": {"print": ["fox"]},
        "2": {"print": ["roe deer"]},
        "3": {"main_motifs": ["moon kiwi"]},
        "4": {"print": {"has": ["hoof"], "perhaps": ["fox"]}},
    }.items():
        kept = await client.post("/v1/holdings", json={"number": number, "facts": facts}, headers=owner)
        assert kept.status_code == 201, kept.text
    assert await numbers(service, owner, filter="narrower(print, 'paw')") == ["1"]
    assert await numbers(service, owner, filter="narrower(print, 'paw')", doubtful=True) == ["1", "3", "4"]
    assert await numbers(service, owner, filter="narrower(print, 'hoof')") == ["2", "4"]
    assert await numbers(service, owner, filter="narrower(main_motifs, 'bird')") == ["3"]
    counts = (await client.get("/v1/holdings/counts?attribute=print", headers=owner)).json()["attributes"][0]["values"]
    assert {"value": "paw", "coins": 0, "perhaps": 0, "with_narrower": 1} in counts
    # A revision carries what its draft did.
    location, tag = made["Prints in the snow"]
    published = await client.post(f"{location}/revisions?acknowledged=true", headers={**owner, "If-Match": tag})
    assert published.status_code == 201, published.text
    assert await numbers(service, owner, filter="narrower(print, 'paw')") == ["1"]
    # What no set carries any more is no term.
    location, tag = made["Prints in the sand"]
    gone = await client.delete(location, headers={**owner, "If-Match": tag})
    assert gone.status_code == 204, gone.text
    assert await numbers(service, owner, filter="narrower(print, 'hoof')") == ["4"]
    assert await numbers(service, owner, filter="narrower(print, 'hoof')", doubtful=True) == ["2", "3", "4"]


async def test_an_order_puts_what_is_not_recorded_last_both_ways_and_pages_do_not_overlap(service: Running) -> None:
    owner = await kept(service)
    # A range counts by its low end, alternatives by the least of them.
    assert await numbers(service, owner, sort="grade") == ["4", "3", "2", "1", "5"]
    assert await numbers(service, owner, sort="-grade") == ["1", "2", "3", "4", "5"]
    assert await numbers(service, owner, sort="-number") == ["5", "4", "3", "2", "1"]
    assert await numbers(service, owner, sort="denomination") == ["1", "2", "5", "4", "3"]
    assert await numbers(service, owner, sort="-updated_at", filter="grade < 45") == ["3", "1"]


async def test_a_count_is_of_all_pages(service: Running) -> None:
    owner = await kept(service)
    answer = await service.client.get("/v1/holdings?limit=1&count=true&filter=denomination='crown'", headers=owner)
    assert (len(answer.json()["items"]), answer.json()["total"]) == (1, 3)


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ("filter=finess > 1", "/filter"),
        ("filter=grade >", "/filter"),
        ("filter=", "/filter"),
        ("sort=grad", "/sort"),
        ("sort=", "/sort"),
    ],
)
async def test_what_is_no_rule_or_order_is_refused_with_the_nearest_name(
    service: Running, query: str, pointer: str
) -> None:
    answer = await service.client.get(f"/v1/holdings?{query}", headers=service.collector())
    assert answer.status_code == 422, answer.text
    (fault, *_) = answer.json()["errors"]
    assert fault["pointer"] == pointer


async def test_a_cursor_of_another_order_is_refused(service: Running) -> None:
    owner = await kept(service)
    first = (await service.client.get("/v1/holdings?limit=1&sort=grade", headers=owner)).json()["next"]
    cursor = parse_qs(urlparse(first).query)["cursor"][0]
    for query in (f"sort=number&cursor={cursor}", f"cursor={cursor}", "sort=grade&cursor=WyJ4Il0"):
        assert (await service.client.get(f"/v1/holdings?{query}", headers=owner)).status_code == 422


# --- own fields ----------------------------------------------------------------------------------------------------------

NOTED: list[dict[str, Any]] = [
    {
        "number": "A-1",
        "tags": ["silver", "gift"],
        "note": "A gift of Zo\u00eb\u2019s",
        "price_paid": {"amount": 12.5, "currency": "EUR"},
        "bought_from": "Marrow & Sedge",
        "bought_on": "2024-05-01",
        "mark": "keep",
        "facts": {"denomination": "penny", "year_on_coin": 1889},
    },
    {
        "number": "A-2",
        "status": "for trade",
        "location": "Cabinet, tray 3",
        "values": [
            {"basis": "paid", "amount": 3, "currency": "GBP", "on": "2020-01-01"},
            {"basis": "paid", "amount": 4, "currency": "GBP", "on": "2021-01-01", "by": "a fair"},
            {"basis": "insured", "amount": 900, "currency": "GBP"},
        ],
        "facts": {"denomination": "penny", "year_on_coin": 1950},
    },
    {"number": "A-3", "quantity": 3, "facts": {"denomination": "penny", "year_on_coin": 1952, "note": "a slip"}},
    {"status": "sold", "issue": {"one_of": ["euro-de-1-00", "euro-de-2-00"]}, "facts": {}, "number": "A-4"},
]


async def noted(service: Running) -> dict[str, str]:
    owner = service.collector()
    for coin in NOTED:
        made = await service.client.post("/v1/holdings", json=coin, headers=owner)
        assert made.status_code == 201, made.text
        # An entry of `values` comes back with all of its members.
        rest = {name: value for name, value in coin.items() if name != "values"}
        assert {name: made.json()[name] for name in rest} == rest
    return owner


@pytest.mark.parametrize(
    ("rule", "fitting"),
    [
        ("number = 'A-1'", ["A-1"]),
        ("number LIKE 'A-%' AND denomination = 'penny'", ["A-1", "A-2", "A-3"]),
        ("a_contains(tags, ('gift'))", ["A-1"]),
        ("count(tags) = 0", ["A-2", "A-3", "A-4"]),
        ("status IN ('for trade', 'sold')", ["A-2", "A-4"]),
        ("mark = 'keep'", ["A-1"]),
        ("mark IS NULL", ["A-2", "A-3", "A-4"]),
        ("NOT (mark = 'keep')", ["A-2", "A-3", "A-4"]),
        ("quantity > 1", ["A-3"]),
        # The newest value of the basis `paid` where the field is empty.
        ("price_paid BETWEEN 4 AND 13", ["A-1", "A-2"]),
        ("price_paid < 4", []),
        ("price_currency = 'GBP'", ["A-2"]),
        ("bought_from LIKE 'Marrow%'", ["A-1"]),
        ("bought_on >= DATE('2024-01-01')", ["A-1"]),
        ("bought_on IS NULL", ["A-2", "A-3", "A-4"]),
        ("location LIKE 'Cabinet%'", ["A-2"]),
        ("note IS NULL", ["A-2", "A-3", "A-4"]),
        # Two candidates: neither is certain, one of the two is.
        ("issue = 'euro-de-1-00'", []),
        ("issue IN ('euro-de-1-00', 'euro-de-2-00')", ["A-4"]),
    ],
)
async def test_a_filter_knows_own_fields_beside_facts(service: Running, rule: str, fitting: list[str]) -> None:
    owner = await noted(service)
    assert sorted(await numbers(service, owner, filter=rule)) == fitting


async def test_a_filter_knows_the_place_in_a_set(service: Running) -> None:
    owner = await noted(service)
    document = {
        "format": "set-definition/1",
        "title": "Pennies",
        "slots": [{"id": "old", "accepts": "denomination = 'penny' AND year_on_coin < 1901"}],
        "free_choice": [
            {"id": "later", "places": 2, "accepts": "denomination = 'penny' AND year_on_coin = 1952"},
            {"id": "trade", "places": 1, "accepts": "denomination = 'penny' AND year_on_coin = 1950"},
        ],
    }
    made = await service.client.post("/v1/definitions", json={"document": document}, headers=owner)
    identity = made.json()["id"]
    assert await numbers(service, owner, filter=f"set('{identity}') = 'old'") == ["A-1"]
    # A coin for trade counts as held.
    assert await numbers(service, owner, filter=f"set('{identity}') LIKE 'trade/%'") == ["A-2"]
    # Three like pieces: two in places, the third is a duplicate.
    assert await numbers(service, owner, filter=f"set('{identity}') LIKE 'later/%'") == ["A-3"]
    assert sorted(await numbers(service, owner, filter=f"set('{identity}') IS NULL")) == ["A-3", "A-4"]
    assert await numbers(service, owner, filter=f"set('{identity}') IS NULL AND status = 'held'") == ["A-3"]


@pytest.mark.parametrize(
    ("rule", "code"),
    [
        ("set('nothing') = 'old'", "not-found"),
        ("set(number) = 'old'", "type"),
        ("mark = 'kept'", "value"),
        ("bought_frm = 'x'", "unknown-attribute"),
    ],
)
async def test_what_is_wrong_with_own_fields_in_a_filter_is_named(service: Running, rule: str, code: str) -> None:
    answer = await service.client.get("/v1/holdings", params={"filter": rule}, headers=service.collector())
    assert answer.status_code == 422, answer.text
    assert [fault["code"] for fault in answer.json()["errors"]] == [code]


@pytest.mark.parametrize(
    ("words", "fitting"),
    [
        ("gift", ["A-1"]),
        ("ZOE gift", ["A-1"]),
        ("zo\u00eb", ["A-1"]),
        ("tray CABINET", ["A-2"]),
        ("fair", ["A-2"]),
        ("marrow & sedge", ["A-1"]),
        ("A-", ["A-1", "A-2", "A-3", "A-4"]),
        ("slip", []),
    ],
)
async def test_words_are_found_in_own_fields_whatever_case_and_accents(
    service: Running, words: str, fitting: list[str]
) -> None:
    owner = await noted(service)
    assert sorted(await numbers(service, owner, q=words)) == fitting
    assert sorted(await numbers(service, owner, q=words, filter="status = 'held'")) == [
        number for number in fitting if number in ("A-1", "A-3")
    ]


async def test_holdings_are_sorted_by_own_fields(service: Running) -> None:
    owner = await noted(service)
    assert await numbers(service, owner, sort="-price_paid") == ["A-1", "A-2", "A-3", "A-4"]
    assert await numbers(service, owner, sort="quantity", filter="denomination = 'penny'") == ["A-1", "A-2", "A-3"]
