"""A set in which every state of a place occurs, and the coins for it. The states follow from the definition by hand."""

from __future__ import annotations

from typing import Any

import httpx

from tests.pictures import picture

PASSWORD = "three farthings and a groat"
# Only as a text does this come to a page: were it taken for markup, there would be an element.
HOSTILE = "<img id=taken-over src=x>"

DEFINITION: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "One of every sign",
    "summary": "Small change for a test.",
    "presume": [{"facts": {"problems": []}}],
    "prefer": [{"highest": "grade"}],
    "slots": [
        {"id": "farthing", "label": "A farthing", "accepts": "denomination = 'farthing'", "note": "The smallest."},
        {"id": "halfpenny", "label": "A halfpenny", "accepts": "denomination = 'halfpenny'"},
        {
            "id": "sound",
            "label": "A sound shilling",
            "accepts": "denomination = 'shilling' AND count(problems) = 0",
            "look_at": "both sides, in slanting light",
        },
        {
            "id": "old-penny",
            "label": "A penny before 1901",
            "accepts": "denomination = 'penny' AND year_on_coin < 1901",
        },
        {"id": "crown", "label": "A crown", "accepts": "denomination = 'crown'"},
        {"id": "florin-a", "label": "A florin", "accepts": "denomination = 'florin'"},
        {"id": "florin-b", "label": "Another florin", "accepts": "denomination = 'florin'"},
        {"id": "guinea", "label": "A guinea", "accepts": "denomination = 'guinea'", "tier": "optional"},
    ],
    "one_per": [
        {
            "id": "alloys",
            "label": "{key}",
            "attribute": "material",
            "accepts": "denomination = 'token'",
            "keys": {"from": "list", "values": ["brass", "bronze"]},
        }
    ],
    "free_choice": [
        {"id": "sixpences", "label": "Any sixpence", "places": 3, "accepts": "denomination = 'sixpence'"},
    ],
    "layout": [
        {"page": "Bronze and silver", "slots": ["farthing", "halfpenny", "sound", "old-penny"], "note": "Two metals."},
        {"page": "Larger ones", "slots": ["crown", "florin-a", "florin-b", "guinea"]},
        {"page": "At will", "slots": ["sixpences"]},
    ],
}
COINS: list[dict[str, Any]] = [
    {"number": HOSTILE, "facts": {"denomination": "farthing", "year_on_coin": 1902, "grade": 40}},
    {"number": "f2", "facts": {"denomination": "farthing", "year_on_coin": 1903, "grade": 20}},
    {"number": "h1", "facts": {"denomination": "halfpenny", "year_on_coin": 1910, "grade": 30}},
    {"number": "h2", "facts": {"denomination": "halfpenny", "year_on_coin": 1911, "grade": 30}},
    {"number": "s1", "facts": {"denomination": "shilling", "year_on_coin": 1935, "grade": 50}},
    {"number": "p1", "facts": {"denomination": "penny", "year_on_coin": {"one_of": [1900, 1902]}, "grade": 20}},
    {"number": "d1", "facts": {"denomination": "florin", "year_on_coin": 1921, "grade": 20}},
    {"number": "x1", "facts": {"denomination": "sixpence", "year_on_coin": 1928, "grade": 20}},
    {"number": "t1", "facts": {"denomination": "token", "year_on_coin": 1811, "material": "bronze", "grade": 20}},
]
# State, disc, border and word of each place: which coin is where follows from the rules above.
PLACES = {
    "farthing": ("filled", "full tick", "solid", "Filled"),
    "halfpenny": ("filled", "full tick ring", "solid", "Filled (interchangeable)"),
    "sound": ("filled", "full tick dot", "solid", "Filled (presumed: problems)"),
    "old-penny": ("tentative", "broken half", "dashed", "Possible"),
    "crown": ("empty", "dotted", "dotted", "Empty"),
    "guinea": ("empty", "dotted", "dotted", "Empty"),
    "sixpences/1": ("filled", "full tick", "solid", "Filled"),
    "sixpences/2": ("empty", "dotted", "dotted", "Empty"),
    "sixpences/3": ("empty", "dotted", "dotted", "Empty"),
    "alloys/brass": ("empty", "dotted", "dotted", "Empty"),
    "alloys/bronze": ("filled", "full tick", "solid", "Filled"),
}
# One of the two, whichever the solver chose.
FLORINS = {
    # The coin itself could as well be in the other place.
    ("filled", "full tick ring", "solid", "Filled (interchangeable)"),
    ("contested", "dotted full full", "double", "Contested"),
}


class Collector:
    """An account with this set and these coins."""

    def __init__(self, client: httpx.Client, token: str) -> None:
        self.token = token
        self._client = client
        self._headers = {"Authorization": f"Bearer {token}"}
        self.set = self.ask("POST", "/v1/definitions", json={"document": DEFINITION}).json()["id"]
        self.coins = {coin["number"]: self.ask("POST", "/v1/holdings", json=coin).json()["id"] for coin in COINS}

    def ask(self, method: str, path: str, headers: dict[str, str] | None = None, **body: Any) -> httpx.Response:
        answer = self._client.request(method, path, headers={**self._headers, **(headers or {})}, **body)
        assert answer.is_success, answer.text
        return answer

    def change(self, number: str, **facts: Any) -> None:
        """From another device."""
        kind = {"If-Match": "*", "Content-Type": "application/merge-patch+json"}
        self.ask("PATCH", f"/v1/holdings/{self.coins[number]}", headers=kind, json={"facts": facts})

    def facts(self, number: str) -> dict[str, Any]:
        found: dict[str, Any] = self.ask("GET", f"/v1/holdings/{self.coins[number]}").json()["facts"]
        return found

    def photograph(self, number: str) -> None:
        path = f"/v1/holdings/{self.coins[number]}/photos?side=obverse"
        self.ask("POST", path, headers={"Content-Type": "image/jpeg"}, content=picture())

    def album(self) -> str:
        return f"/app/sets/{self.set}"

    def place(self, address: str) -> str:
        return f"{self.album()}/place?at={address}"
