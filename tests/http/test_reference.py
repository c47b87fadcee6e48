"""Reference data over HTTP."""

from __future__ import annotations

import pytest
from jsonschema_rs import Draft202012Validator, ValidationError, meta

from service.facts.core_attributes import CORE
from tests.conftest import Running
from tests.http.examples import DOCUMENT

pytestmark = pytest.mark.anyio


async def test_every_core_attribute_is_listed_with_where_to_look(service: Running) -> None:
    items = (await service.client.get("/v1/attributes")).json()["items"]
    assert [item["name"] for item in items] == list(CORE)
    grade = next(item for item in items if item["name"] == "grade")
    assert (grade["type"], grade["low"], grade["high"]) == ("integer", 1, 70)


async def test_the_functions_of_the_language_are_listed(service: Running) -> None:
    items = (await service.client.get("/v1/functions")).json()["items"]
    assert {"narrower", "defunct", "count"} <= {item["name"] for item in items}
    assert all(item["meaning"] and item["example"] for item in items)


async def test_a_vocabulary_comes_plain_or_as_skos(service: Running) -> None:
    plain = await service.client.get("/v1/vocabularies/motifs")
    skos = await service.client.get("/v1/vocabularies/motifs", headers={"Accept": "application/ld+json"})
    assert skos.headers["content-type"] == "application/ld+json"
    assert all("Accept" in answer.headers["vary"].split(", ") for answer in (plain, skos))
    assert plain.headers["etag"] != skos.headers["etag"]
    scheme, *concepts = skos.json()["@graph"]
    base = scheme["@id"]
    assert base == "http://setwright.test/v1/vocabularies/motifs"
    broader = {c["skos:notation"]: [b["@id"] for b in c.get("skos:broader", [])] for c in concepts}
    told = {c["id"]: [f"{base}#{upper}" for upper in c["broader"]] for c in plain.json()["concepts"]}
    assert broader == told
    ids = {concept["@id"] for concept in concepts}
    assert all(upper in ids for uppers in broader.values() for upper in uppers)
    tops = [top["@id"] for top in scheme["skos:hasTopConcept"]]
    assert tops == [f"{base}#{name}" for name, uppers in told.items() if not uppers]


async def test_a_known_vocabulary_is_not_sent_again(service: Running) -> None:
    first = await service.client.get("/v1/vocabularies/issuers")
    again = await service.client.get("/v1/vocabularies/issuers", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


async def test_the_catalogue_says_what_it_is_complete_for(service: Running) -> None:
    items = (await service.client.get("/v1/catalogue/complete")).json()["items"]
    # The first florin is of 1849 (Encyclopaedia Britannica, 11th ed., Florin).
    assert {"issuer": "GB", "denomination": "florin", "first": 1849, "last": 1970} in items
    assert {"issuer": "DE", "denomination": "2 euro", "first": 2002, "last": None} in items


async def test_a_term_comes_with_its_short_names_and_days(service: Running) -> None:
    plain = await service.client.get("/v1/vocabularies/denominations")
    half = next(concept for concept in plain.json()["concepts"] if concept["id"] == "half crown")
    assert {"text": "2/6", "issuer": None} in half["abbreviations"]
    skos = await service.client.get("/v1/vocabularies/denominations", headers={"Accept": "application/ld+json"})
    ids = {concept["@id"].partition("#")[2] for concept in skos.json()["@graph"][1:]}
    assert "half%20crown" in ids  # RFC 3987: no blank stands in an IRI
    issuers = (await service.client.get("/v1/vocabularies/issuers")).json()["concepts"]
    east = next(concept for concept in issuers if concept["id"] == "DDDE")
    assert (east["started"], east["ended"]) == ("1949-10-07", "1990-10-02")


async def test_numbers_of_the_catalogue_keep_their_digits(service: Running) -> None:
    answer = await service.client.get("/v1/issues?limit=1")
    assert b'"face_value":0.01,' in answer.content
    assert answer.json()["edition"]


async def test_the_schema_of_a_definition_is_sound_and_takes_the_example(service: Running) -> None:
    answer = await service.client.get("/v1/schemas/set-definition")
    assert answer.headers["content-type"] == "application/schema+json"
    assert answer.json()["$id"] == f"{service.app.state.settings.public_url}/v1/schemas/set-definition"
    meta.validate(answer.json())
    Draft202012Validator(answer.json()).validate(DOCUMENT)
    with pytest.raises(ValidationError):
        Draft202012Validator(answer.json()).validate({**DOCUMENT, "slots": "none"})
