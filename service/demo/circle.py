"""The demo's club: five fictional people, one small set, and what each of them has of it."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

CLUB = {
    "name": "The Ferry House Coin Circle",
    "note": "A fictional club. Thursdays, when the tide allows.",
    "own_name": "Alder Finch",
}
STEWARD, READER, OUTSIDER = "Alder Finch", "Brona Tansy", "Emlyn Sorrel"
# Dorrit Vane shows coins and no photos of them.
PHOTOGRAPHERS = (STEWARD, READER, "Cosmo Wick")


def _place(identity: str, label: str, rule: str) -> dict[str, str]:
    return {"id": identity, "label": label, "accepts": rule}


def _coin_of(denomination: str, more: str = "") -> str:
    return f"denomination = '{denomination}'{more} AND year_on_coin BETWEEN 1937 AND 1952"


SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Fare for the ferry",
    "summary": "What a passenger had in the purse under George VI: one of each small coin, 1937 to 1952.",
    "language": "en",
    "authors": ["Alder Finch (fictional)"],
    "licence": "CC0-1.0",
    "prefer": [{"highest": "grade"}],
    "slots": [
        _place("farthing", "Farthing", _coin_of("farthing")),
        _place("halfpenny", "Halfpenny", _coin_of("halfpenny")),
        _place("penny", "Penny", _coin_of("penny")),
        _place("silver-threepence", "Silver threepence", _coin_of("threepence", " AND material = 'silver'")),
        _place("brass-threepence", "Brass threepence", _coin_of("threepence", " AND material = 'nickel-brass'")),
        _place("sixpence", "Sixpence", _coin_of("sixpence")),
        _place("shilling", "Shilling", _coin_of("shilling")),
        _place("florin", "Florin", _coin_of("florin")),
        _place("half-crown", "Half crown", _coin_of("half crown")),
    ],
}
NEWS = "Any penny of the century will do, threepences go by their sides, and the coronation year gets a place."


def revised() -> dict[str, Any]:
    """The club's second revision: a place with another name, one that takes more coins, and one more place."""
    document = deepcopy(SET)
    slots = {slot["id"]: slot for slot in document["slots"]}
    slots["brass-threepence"].update(id="twelve-sided-threepence", label="Twelve-sided threepence")
    slots["penny"]["accepts"] = "denomination = 'penny' AND year_on_coin BETWEEN 1902 AND 1952"
    document["slots"].append(_place("coronation", "A coin of the coronation year", "year_on_coin = 1937"))
    return document


# The owner's own number, denomination, year, grade.
_COINS: dict[str, list[tuple[str, str, Any, int]]] = {
    "Alder Finch": [
        ("a1", "farthing", 1942, 40),
        ("a2", "farthing", 1949, 20),
        ("a3", "halfpenny", 1944, 30),
        ("a4", "penny", 1947, 30),
        ("a5", "silver threepence", 1941, 20),
        ("a6", "sixpence", 1950, 40),
        ("a7", "shilling", 1948, 30),
        ("a8", "florin", 1947, 40),
        ("a9", "half crown", 1943, 50),
        ("a10", "half crown", 1946, 30),
    ],
    "Brona Tansy": [
        ("b1", "farthing", 1939, 50),
        ("b2", "halfpenny", 1940, 20),
        ("b3", "penny", 1912, 20),
        ("b4", "brass threepence", 1943, 40),
        ("b5", "sixpence", 1945, 30),
        ("b6", "shilling", 1937, 60),
        ("b7", "shilling", 1949, 40),
        ("b8", "florin", 1948, 50),
        ("b9", "florin", 1951, 30),
    ],
    "Cosmo Wick": [
        ("c1", "farthing", 1944, 30),
        ("c2", "halfpenny", 1949, 50),
        ("c3", "penny", 1938, 20),
        ("c4", "silver threepence", 1940, 30),
        ("c5", "brass threepence", 1942, 40),
        ("c6", "brass threepence", 1952, 20),
        ("c7", "half crown", 1950, 50),
    ],
    "Dorrit Vane": [
        ("d1", "halfpenny", 1938, 40),
        ("d2", "halfpenny", 1942, 20),
        ("d3", "penny", 1951, 60),
        ("d4", "shilling", {"one_of": [1936, 1938]}, 8),
    ],
    "Emlyn Sorrel": [
        ("e1", "silver threepence", 1942, 20),
        ("e2", "silver threepence", 1944, 30),
        ("e3", "sixpence", 1940, 20),
        ("e4", "sixpence", 1951, 60),
    ],
}
MEMBERS = tuple(_COINS)
_METALS = {"silver threepence": "silver", "brass threepence": "nickel-brass"}


def coins_of(name: str) -> list[dict[str, Any]]:
    """A member's coins as they are sent, each under its owner's own number."""
    return [
        {"number": number, "facts": {**_kind(what), "issuer": "GB", "year_on_coin": year, "grade": grade}}
        for number, what, year, grade in _COINS[name]
    ]


def _kind(what: str) -> dict[str, str]:
    metal = _METALS.get(what)
    return {"denomination": "threepence", "material": metal} if metal else {"denomination": what}
