"""What a published definition carries of its owner's vocabularies."""

from __future__ import annotations

from typing import Any

import pytest

from service.facts.own_vocabularies import OwnVocabulary, with_own
from service.facts.vocabulary import Concept
from service.rules.carried import with_needed
from service.rules.document import read_definition
from tests.factories import a_document
from tests.strategies import DECLARED, VOCABULARIES

BEASTS = OwnVocabulary(
    "beasts",
    (
        Concept("monster", "monster", ("beast",)),
        Concept("dragon", "dragon", ("monster",), ("Drake",)),
        Concept("fire-dragon", "fire dragon", ("dragon",)),
        Concept("roc", "roc", ("bird",)),
        Concept("ship", "ship"),
    ),
    "motifs",
)
LANDS = OwnVocabulary("lands", (Concept("north", "north"), Concept("south", "south")))
ISLES = OwnVocabulary("isles", (Concept("isle", "isle", ("north",)),), "lands")
OWN = (BEASTS, ISLES, LANDS)
LAND = {"name": "land", "type": "text", "vocabulary": "lands"}


def carried(document: dict[str, Any]) -> dict[str, list[str]]:
    made = with_needed(document, VOCABULARIES, OWN)
    # It needs nothing else, and carrying it again adds nothing.
    read_definition(made, vocabularies=VOCABULARIES)
    assert with_needed(made, VOCABULARIES, OWN) == made
    return {entry["name"]: [c["id"] for c in entry["concepts"]] for entry in made.get("vocabularies", [])}


@pytest.mark.parametrize(
    ("document", "expected"),
    [
        # A term of a rule, with all above and below it, and no other.
        (a_document({"a": "narrower(species, 'dragon')"}), {"beasts": ["monster", "dragon", "fire-dragon"]}),
        (a_document({"a": "species = 'Drake'"}), {"beasts": ["monster", "dragon", "fire-dragon"]}),
        (a_document({"a": {"op": "=", "args": [{"property": "species"}, "roc"]}}), {"beasts": ["roc"]}),
        # What stands below a shipped term of a rule is part of what it means.
        (a_document({"a": "narrower(species, 'bird')"}), {"beasts": ["roc"]}),
        (a_document({"a": "grade > 1"}), {}),
        (a_document({"a": "grade > 1"}, title="dragon", summary="roc"), {}),
        # Keys, presumed facts, examples.
        (
            a_document(one_per=[{"id": "o", "attribute": "species", "keys": {"from": "list", "values": ["ship"]}}]),
            {"beasts": ["ship"]},
        ),
        (a_document({"a": "grade > 1"}, presume=[{"facts": {"species": "roc"}}]), {"beasts": ["roc"]}),
        # A vocabulary that is named, whole; with what is added to it where a rule names that.
        (a_document({"a": "grade > 1"}, attributes=[*DECLARED, LAND]), {"lands": ["north", "south"]}),
        (
            a_document({"a": "narrower(land, 'isle')"}, attributes=[*DECLARED, LAND]),
            {"isles": ["isle"], "lands": ["north", "south"]},
        ),
        (
            a_document({"a": "grade > 1"}, attributes=[*DECLARED, {**LAND, "vocabulary": "isles"}]),
            {"isles": [], "lands": ["north", "south"]},
        ),
    ],
)
def test_what_is_carried(document: dict[str, Any], expected: dict[str, list[str]]) -> None:
    assert carried(document) == expected


def test_what_the_author_wrote_stays_and_gets_what_it_lacks() -> None:
    entry = {
        "name": "beasts",
        "extends": "motifs",
        "concepts": [{"id": "dragon", "label": "worm", "broader": ["tree"]}],
    }
    document = a_document({"a": "narrower(species, 'dragon')"}, vocabularies=[entry])
    made = with_needed(document, VOCABULARIES, OWN)
    (written,) = made["vocabularies"]
    assert written["concepts"][0] == entry["concepts"][0]
    assert [concept["id"] for concept in written["concepts"]] == ["dragon", "monster", "fire-dragon"]


def test_the_owner_and_others_judge_alike() -> None:
    document = a_document({"a": "narrower(species, 'beast')"})
    made = read_definition(with_needed(document, VOCABULARIES, OWN), vocabularies=VOCABULARIES)
    mine = with_own(VOCABULARIES, OWN)["motifs"]
    assert made.vocabularies["motifs"].below["beast"] == mine.below["beast"]
