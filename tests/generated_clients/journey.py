"""A small journey with the generated client: a set is stored, two coins are recorded, the set is evaluated, and every answer is
read by its members. Prints one JSON object for the test."""

from __future__ import annotations

import json
import sys

from setwright_client import AuthenticatedClient
from setwright_client.api.definitions import create_definition
from setwright_client.api.evaluations import evaluate_mine
from setwright_client.api.holdings import create_holding
from setwright_client.models import DefinitionDetails, DefinitionIn, Evaluation, HoldingIn, HoldingOut, ProblemOut

DOCUMENT = {
    "format": "set-definition/1",
    "title": "Two crowns",
    "slots": [
        {"id": "old", "label": "An old crown", "accepts": "denomination = 'crown' AND year_on_coin < 1900"},
        {"id": "new", "label": "A new crown", "accepts": "denomination = 'crown' AND year_on_coin >= 1900"},
    ],
}


def main(address: str, token: str) -> None:
    client = AuthenticatedClient(base_url=address, token=token)
    definition = create_definition.sync(client=client, body=DefinitionIn.from_dict({"document": DOCUMENT}))
    assert isinstance(definition, DefinitionDetails), definition
    for facts in ({"denomination": "crown", "year_on_coin": 1882}, {"denomination": "crown"}):
        held = create_holding.sync(client=client, body=HoldingIn.from_dict({"facts": facts}))
        assert isinstance(held, HoldingOut), held
    evaluation = evaluate_mine.sync(definition.id, client=client)
    assert isinstance(evaluation, Evaluation), evaluation
    refused = create_holding.sync(client=client, body=HoldingIn.from_dict({"facts": {"denomination": 7}}))
    assert isinstance(refused, ProblemOut), refused
    told = {
        "title": definition.title,
        "statuses": [[place.place, place.status] for place in evaluation.slots],
        "possible": evaluation.summary.possible,
        "conflicts": [conflict.to_dict()["kind"] for conflict in evaluation.conflicts],
        "refused": [fault.pointer for fault in refused.errors or []],
    }
    print(json.dumps(told))


if __name__ == "__main__":
    main(*sys.argv[1:])
