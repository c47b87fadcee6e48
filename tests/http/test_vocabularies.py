"""Vocabularies of an owner's own over HTTP. SKOS in Turtle and JSON-LD is read back with rdflib, which shares no code with the
reader of the service."""

from __future__ import annotations

import json
import socket
from typing import Any

import pytest
from rdflib import OWL, RDF, SKOS, Graph, Literal, URIRef

from tests.conftest import Running
from tests.graphs import read_graph
from tests.http.examples import DOCUMENT

pytestmark = pytest.mark.anyio
LD, TURTLE = "application/ld+json", "text/turtle"

BEASTS = {
    "name": "beasts",
    "extends": "motifs",
    "label": "Beasts of Ambria",
    "concepts": [
        {"id": "quagga", "label": "quagga", "broader": ["equine"]},
        {"id": "night-quagga", "label": "night quagga", "broader": ["quagga"]},
    ],
}
TOWNS = """
@prefix skos: <http://www.w3.org/2004/02/skos/core#> .
@prefix dcterms: <http://purl.org/dc/terms/> .
@prefix ex: <http://example.org/terms#> .
@prefix : <http://example.org/lands/> .
<http://example.org/lands> a skos:ConceptScheme ; skos:prefLabel "Lands"@en ; skos:hasTopConcept :north .
:north a skos:Concept ; skos:inScheme <http://example.org/lands> ;
  skos:prefLabel "Northland"@en, "Nordland"@de, "北国"@ja ; skos:altLabel "The North"@en, "Norðr" ; skos:hiddenLabel "Nrth" ;
  skos:narrower :isle ; skos:exactMatch <iso3166-1:XN> ; dcterms:valid "1900-01-01/.." .
:isle a skos:Concept ; skos:notation "x-isle" ; skos:prefLabel "Isle of \\"Dogs\\"" ; skos:broader :coast ;
  dcterms:valid "1901-05-06/1950-12-31" ; ex:colour "red" ; skos:scopeNote "An island." .
:coast a skos:Concept ; skos:prefLabel "Coast"@en .
"""


async def kept(service: Running, owner: dict[str, str], body: Any = BEASTS) -> dict[str, Any]:
    answer = await service.client.post("/v1/vocabularies", json=body, headers=owner)
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


async def sent(service: Running, owner: dict[str, str], content: str, kind: str = TURTLE, query: str = "") -> Any:
    return await service.client.post(
        f"/v1/vocabularies{query}", content=content.encode(), headers={**owner, "Content-Type": kind}
    )


# --- keeping them --------------------------------------------------------------------------------------------------------


async def test_a_vocabulary_is_kept_changed_and_deleted(service: Running) -> None:
    owner, client = service.collector(), service.client
    made = await client.post("/v1/vocabularies", json=BEASTS, headers=owner)
    assert (made.status_code, made.headers["location"]) == (201, "/v1/vocabularies/beasts")
    tag = made.headers["etag"]
    known = await client.get("/v1/vocabularies/beasts", headers=owner | {"If-None-Match": tag})
    assert (known.status_code, known.headers["etag"]) == (304, tag)
    fields = {name: value for name, value in BEASTS.items() if name != "name"}
    assert (await client.put("/v1/vocabularies/beasts", json=fields, headers=owner)).status_code == 428
    changed = await client.put(
        "/v1/vocabularies/beasts", json={**fields, "label": "Other"}, headers=owner | {"If-Match": tag}
    )
    assert (changed.status_code, changed.json()["label"]) == (200, "Other")
    stale = await client.delete("/v1/vocabularies/beasts", headers=owner | {"If-Match": tag})
    assert stale.status_code == 412
    # The tag of another form is of the same version.
    turtle = await client.get("/v1/vocabularies/beasts", headers=owner | {"Accept": TURTLE})
    assert turtle.headers["etag"] != changed.headers["etag"]
    gone = await client.delete("/v1/vocabularies/beasts", headers=owner | {"If-Match": turtle.headers["etag"]})
    assert gone.status_code == 204
    assert (await client.get("/v1/vocabularies/beasts", headers=owner)).status_code == 404


async def test_what_is_read_can_be_sent(service: Running) -> None:
    owner = service.collector()
    full = {
        "name": "lands",
        "label": "Lands",
        "source": "own observation",
        "notice": "None.",
        "concepts": [
            {
                "id": "north land/1",
                "label": "North",
                "alternative_labels": ["N"],
                "names": [{"text": "Nord", "language": "de", "kind": "hidden"}],
                "abbreviations": [{"text": "Nd.", "issuer": "GB"}],
                "note": "Cold.",
                "started": "1900-01-01",
                "ended": "1950-02-03",
                "matches": ["iso3166-3:XNXX"],
                "iri": "http://example.org/n",
            }
        ],
    }
    made = await kept(service, owner, full)
    (concept,) = made["concepts"]
    assert {name: concept[name] for name in full["concepts"][0]} == full["concepts"][0]  # type: ignore[index]
    got = (await service.client.get("/v1/vocabularies/lands", headers=owner)).json()
    again = {name: got[name] for name in ("label", "source", "notice", "iri", "extends", "names", "concepts")}
    answer = await service.client.put("/v1/vocabularies/lands", json=again, headers=owner | {"If-Match": "*"})
    assert answer.json()["concepts"] == got["concepts"]


async def test_own_ones_are_listed_in_pages_beside_those_of_the_service(service: Running) -> None:
    owner, other = service.collector(), service.collector()
    for name in ("lands", "beasts"):
        await kept(service, owner, {**BEASTS, "name": name})
    await kept(service, other, {**BEASTS, "name": "others"})
    seen, address = [], "/v1/vocabularies?limit=3"
    while address:
        answer = (await service.client.get(address, headers=owner)).json()
        seen += [(item["name"], item["private"]) for item in answer["items"]]
        address = answer["next"]
    shipped = [(name, False) for name in ("denominations", "issuers", "materials", "motifs", "rulers")]
    assert seen == sorted([("beasts", True), ("lands", True), *shipped])
    private = await service.client.get("/v1/vocabularies?private=true", headers=owner)
    assert [item["name"] for item in private.json()["items"]] == ["beasts", "lands"]
    nobody = await service.client.get("/v1/vocabularies")
    assert [item["name"] for item in nobody.json()["items"]] == [name for name, _ in shipped]


async def test_the_list_says_of_each_what_the_vocabulary_itself_says(service: Running) -> None:
    owner = service.collector()
    about = {"label": "More beasts", "source": "own observation", "notice": "None.", "extends": "motifs"}
    await kept(service, owner, {**BEASTS, "name": "more", **about})
    listed = (await service.client.get("/v1/vocabularies", headers=owner)).json()["items"]
    (more,) = [item for item in listed if item["name"] == "more"]
    assert more == {**about, "name": "more", "edition": "", "size": len(BEASTS["concepts"]), "private": True}
    for item in listed:
        itself = (await service.client.get(f"/v1/vocabularies/{item['name']}", headers=owner)).json()
        assert item == {name: itself[name] for name in item}


async def test_nobody_else_sees_or_changes_it(service: Running) -> None:
    owner, other = service.collector(), service.collector()
    await kept(service, owner)
    client = service.client
    assert (await client.get("/v1/vocabularies/beasts")).status_code == 404
    assert (await client.get("/v1/vocabularies/beasts", headers=other)).status_code == 404
    fields = {"concepts": []}
    answer = await client.put("/v1/vocabularies/beasts", json=fields, headers=other | {"If-Match": "*"})
    assert answer.status_code == 404
    assert (await client.delete("/v1/vocabularies/beasts", headers=other | {"If-Match": "*"})).status_code == 404
    await kept(service, other)


async def test_the_same_key_keeps_it_once(service: Running) -> None:
    owner = service.collector() | {"Idempotency-Key": "one"}
    first, second = [await service.client.post("/v1/vocabularies", json=BEASTS, headers=owner) for _ in range(2)]
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.json() == second.json()


async def test_names_of_the_service_and_taken_names_clash(service: Running) -> None:
    owner = service.collector()
    await kept(service, owner)
    for body in (BEASTS, {**BEASTS, "name": "motifs"}):
        answer = await service.client.post("/v1/vocabularies", json=body, headers=owner)
        assert (answer.status_code, answer.json()["type"].rpartition("/")[2]) == (409, "clash")
    for method in ("put", "delete"):
        more = {"json": {"concepts": []}} if method == "put" else {}
        answer = await service.client.request(
            method, "/v1/vocabularies/motifs", headers=owner | {"If-Match": "*"}, **more
        )
        assert answer.status_code == 409
    await kept(service, owner, {"name": "more", "extends": "beasts", "concepts": [{"id": "a", "broader": ["quagga"]}]})
    answer = await service.client.delete("/v1/vocabularies/beasts", headers=owner | {"If-Match": "*"})
    assert answer.status_code == 409
    assert "'more' extends" in answer.json()["detail"]


async def test_every_fault_says_where(service: Running) -> None:
    owner = service.collector()
    wrong = [
        ({**BEASTS, "extends": "motif"}, "/extends"),
        ({**BEASTS, "name": "a/b"}, "/name"),
        ({**BEASTS, "concepts": [{"id": "a", "broader": ["nothing"]}]}, "/concepts/0/broader/0"),
        ({**BEASTS, "concepts": [{"id": "a"}, {"id": "a"}]}, "/concepts/1/id"),
        ({**BEASTS, "concepts": [{"id": "a", "broader": ["b"]}, {"id": "b", "broader": ["a"]}]}, "/concepts/0/broader"),
        ({**BEASTS, "concepts": [{"id": "a", "ended": "1990-02-30"}]}, "/concepts/0/ended"),
        ({**BEASTS, "concepts": [{"id": "a", "started": "1990-01-01", "ended": "1980-01-01"}]}, "/concepts/0/ended"),
        (
            {**BEASTS, "concepts": [{"id": "a", "names": [{"text": "x", "language": "e_n"}]}]},
            "/concepts/0/names/0/language",
        ),
        ({**BEASTS, "concepts": [{"id": str(n)} for n in range(5_001)]}, "/concepts"),
    ]
    for body, pointer in wrong:
        answer = await service.client.post("/v1/vocabularies", json=body, headers=owner)
        assert answer.status_code == 422, body
        assert [error["pointer"] for error in answer.json()["errors"]] == [pointer], answer.text[:500]


# --- SKOS ----------------------------------------------------------------------------------------------------------------


def labelled(graph: Graph) -> set[tuple[str, Any, Any]]:
    """What is said with SKOS's own properties, but for what only names the scheme and the code."""
    left_out = (SKOS.inScheme, SKOS.hasTopConcept, SKOS.topConceptOf, SKOS.notation, SKOS.scopeNote, SKOS.note)
    return {(str(s), p, o) for s, p, o in graph if str(p).startswith(str(SKOS)) and p not in left_out}


async def test_turtle_goes_in_and_comes_out_as_rdflib_reads_it(service: Running) -> None:
    owner = service.collector()
    made = await sent(service, owner, TOWNS)
    assert made.status_code == 201, made.text
    assert made.json()["name"] == "lands"
    assert made.json()["not_kept"] == [{"property": "http://example.org/terms#colour", "count": 1}]
    concepts = {concept["id"]: concept for concept in made.json()["concepts"]}
    assert concepts["x-isle"]["broader"] == ["coast", "north"]
    assert (concepts["x-isle"]["started"], concepts["x-isle"]["ended"]) == ("1901-05-06", "1950-12-31")
    assert (concepts["north"]["label"], concepts["north"]["current"]) == ("Northland", True)
    assert concepts["north"]["matches"] == ["iso3166-1:XN"]
    assert {"text": "北国", "language": "ja", "kind": "preferred"} in concepts["north"]["names"]
    before = read_graph(TOWNS, "turtle")
    # A narrower term is kept as the broader one of the other.
    before.remove((URIRef("http://example.org/lands/north"), SKOS.narrower, None))
    before.add((URIRef("http://example.org/lands/isle"), SKOS.broader, URIRef("http://example.org/lands/north")))
    for kind, form in ((TURTLE, "turtle"), (LD, "json-ld")):
        answer = await service.client.get("/v1/vocabularies/lands", headers=owner | {"Accept": kind})
        assert answer.headers["content-type"].startswith(kind)
        after = read_graph(answer.content, form)
        assert labelled(after) == labelled(before), kind
        assert set(after.subjects(RDF.type, SKOS.Concept)) == set(before.subjects(RDF.type, SKOS.Concept))


@pytest.mark.parametrize("kind", [TURTLE, LD])
async def test_what_comes_out_goes_in_again(service: Running, kind: str) -> None:
    one, other = service.collector(), service.collector()
    await sent(service, one, TOWNS)
    await kept(service, one)
    for name in ("lands", "beasts"):
        out = await service.client.get(f"/v1/vocabularies/{name}", headers=one | {"Accept": kind})
        back = await sent(service, other, out.text, kind)
        assert back.status_code == 201, back.text
        first = (await service.client.get(f"/v1/vocabularies/{name}", headers=one)).json()
        second = (await service.client.get(f"/v1/vocabularies/{name}", headers=other)).json()
        assert not back.json()["not_kept"]
        for entry in (first, second):
            entry["concepts"].sort(key=lambda concept: concept["id"])
            del entry["created_at"], entry["updated_at"]
        assert first == second


async def test_additions_say_what_they_add_to(service: Running) -> None:
    owner = service.collector()
    await kept(service, owner)
    out = await service.client.get("/v1/vocabularies/beasts", headers=owner | {"Accept": TURTLE})
    graph = read_graph(out.content, "turtle")
    base = "http://setwright.test/v1/vocabularies"
    assert (URIRef(f"{base}/beasts"), OWL.imports, URIRef(f"{base}/motifs")) in graph
    assert (URIRef(f"{base}/beasts#quagga"), SKOS.broader, URIRef(f"{base}/motifs#equine")) in graph


async def test_shipped_ones_come_in_every_form_with_their_codes(service: Running) -> None:
    turtle = await service.client.get("/v1/vocabularies/issuers", headers={"Accept": TURTLE})
    ld = await service.client.get("/v1/vocabularies/issuers", headers={"Accept": LD})
    one = read_graph(turtle.content, "turtle")
    other = read_graph(ld.content, "json-ld")
    assert set(one) == set(other)
    france = URIRef("http://setwright.test/v1/vocabularies/issuers#FR")
    assert (france, SKOS.exactMatch, URIRef("iso3166-1:FR")) in one
    assert (france, SKOS.prefLabel, Literal("France")) in one


async def test_names_are_chosen_where_skos_has_none(service: Running) -> None:
    owner = service.collector()
    bare = '@prefix skos: <http://www.w3.org/2004/02/skos/core#> . <#roc> a skos:Concept ; skos:prefLabel "Roc" .'
    refused = await sent(service, owner, bare)
    assert (refused.status_code, "?name=" in refused.text) == (422, True)
    made = await sent(service, owner, bare, query="?name=birds&extends=motifs")
    assert (made.status_code, made.json()["extends"]) == (201, "motifs")
    assert made.json()["concepts"][0] | {"iri": ""} == made.json()["concepts"][0], "a relative IRI is of the vocabulary"
    both = await service.client.post("/v1/vocabularies?name=x", json=BEASTS, headers=owner)
    assert both.status_code == 422


def nest(depth: int) -> str:
    return '{"@context": {"a": "http://example.org/a"}, "a": ' * depth + "1" + "}" * depth


HOSTILE = {
    "a remote context": (LD, json.dumps({"@context": "https://example.org/c.jsonld", "@graph": []})),
    "a remote context in a list": (LD, json.dumps({"@context": [{}, "https://example.org/c"], "@graph": []})),
    "a remote context deep inside": (LD, json.dumps({"@graph": [{"x": {"@context": "https://example.org/c"}}]})),
    "an imported context": (LD, json.dumps({"@context": {"@import": "https://example.org/c"}})),
    "a chain of prefixes": (LD, json.dumps({"@context": {f"t{n}": f"t{n + 1}:x" for n in range(20_000)}, "t0": 1})),
    "a circle of prefixes": (LD, json.dumps({"@context": {"a": "b:x", "b": "a:x"}, "a": 1})),
    "deep objects": (LD, nest(5_000)),
    "no JSON": (LD, "{"),
    "a number": (LD, "1"),
    "nothing": (TURTLE, ""),
    "no Turtle": (TURTLE, "this is none"),
    "open brackets": (TURTLE, "<urn:a> <urn:b> " + "[ <urn:b> " * 50_000),
    "open lists": (TURTLE, "<urn:a> <urn:b> " + "(" * 200_000),
    "an unknown prefix": (TURTLE, "a:b a:c a:d ."),
    "two schemes": (
        TURTLE,
        "@prefix s: <http://www.w3.org/2004/02/skos/core#> . <urn:a> a s:ConceptScheme . <urn:b> a s:ConceptScheme . "
        '<urn:c> a s:Concept ; s:prefLabel "c" .',
    ),
    "two labels": (
        TURTLE,
        '@prefix s: <http://www.w3.org/2004/02/skos/core#> . <urn:c> a s:Concept ; s:prefLabel "c", "d" .',
    ),
    "no interval": (
        TURTLE,
        "@prefix s: <http://www.w3.org/2004/02/skos/core#> . @prefix t: <http://purl.org/dc/terms/> . "
        '<urn:c> a s:Concept ; s:prefLabel "c" ; t:valid "for ever" .',
    ),
    "a long label": (
        TURTLE,
        f'@prefix s: <http://www.w3.org/2004/02/skos/core#> . <urn:c> a s:Concept ; s:prefLabel "{"x" * 501}" .',
    ),
    "more terms than one may have": (
        TURTLE,
        "@prefix s: <http://www.w3.org/2004/02/skos/core#> . "
        + " ".join(f"<urn:x#{n}> a s:Concept ." for n in range(5_001)),
    ),
    "entities in a literal of XML": (
        TURTLE,
        "<urn:a> <urn:b> \"<!DOCTYPE x [<!ENTITY a 'aa'><!ENTITY b '&a;&a;'>]><x>&b;</x>\""
        "^^<http://www.w3.org/1999/02/22-rdf-syntax-ns#XMLLiteral> .",
    ),
    "a circle": (
        TURTLE,
        "@prefix s: <http://www.w3.org/2004/02/skos/core#> . <urn:x#c> a s:Concept ; s:broader <urn:x#d> . "
        "<urn:x#d> a s:Concept ; s:broader <urn:x#c> .",
    ),
}


@pytest.mark.parametrize(
    ("named", "stays"),
    [
        ({"attributes": [{"name": "print", "type": "text", "vocabulary": "prints"}]}, True),
        (
            {
                "attributes": [{"name": "print", "type": "text"}],
                "one_per": [{"id": "p", "attribute": "print", "keys": {"from": "vocabulary", "name": "prints"}}],
            },
            True,
        ),
        ({"summary": "prints"}, False),
    ],
    ids=["an attribute", "keys", "no name of it"],
)
async def test_a_vocabulary_that_a_draft_needs_stays(service: Running, named: dict[str, Any], stays: bool) -> None:
    owner, client = service.collector(), service.client
    prints = {"name": "prints", "concepts": [{"id": "paw"}]}
    await client.post("/v1/vocabularies", json=prints, headers=owner)
    document = {"format": "set-definition/1", "title": "Snow", "slots": [{"id": "a", "accepts": "TRUE"}], **named}
    made = await client.post("/v1/definitions", json={"document": document}, headers=owner)
    assert made.status_code == 201, made.text
    at, version = made.headers["Location"], made.headers["ETag"]
    gone = await client.delete("/v1/vocabularies/prints", headers=owner | {"If-Match": "*"})
    if stays:
        assert (gone.status_code, gone.json()["detail"]) == (
            409,
            "the draft 'Snow' names the vocabulary 'prints': change the draft first, or publish it, which takes the "
            "vocabulary along",
        )
        # A revision has its own.
        published = await client.post(f"{at}/revisions?acknowledged=true", headers=owner | {"If-Match": version})
        assert published.status_code == 201, published.text
        gone = await client.delete("/v1/vocabularies/prints", headers=owner | {"If-Match": "*"})
    assert gone.status_code == 204, gone.text
    assert (await client.get(at, headers=owner)).status_code == 200
    assert (await client.get(f"{at}/evaluation", headers=owner)).status_code == 200


@pytest.mark.parametrize("what", HOSTILE)
async def test_hostile_skos_is_refused_and_nothing_is_fetched(
    service: Running, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    owner = service.collector()

    def no(*_: Any, **__: Any) -> Any:
        raise AssertionError("something is looked up")

    monkeypatch.setattr(socket, "getaddrinfo", no)
    kind, content = HOSTILE[what]
    answer = await sent(service, owner, content, kind, "?name=x")
    assert answer.status_code in (400, 422), (what, answer.text[:300])
    assert answer.json()["errors"], what
    assert all(error["message"] for error in answer.json()["errors"])


async def test_bytes_that_are_no_text_and_bodies_past_the_limit_are_refused(service: Running) -> None:
    owner = service.collector()
    headers = {**owner, "Content-Type": TURTLE}
    answer = await service.client.post("/v1/vocabularies?name=x", content=b'<urn:a> <urn:b> "\xff" .', headers=headers)
    assert answer.status_code == 422
    answer = await service.client.post("/v1/vocabularies?name=x", content=b"#" * 1_100_000, headers=headers)
    assert answer.status_code == 413


# --- in use --------------------------------------------------------------------------------------------------------------

SET = {
    "format": "set-definition/1",
    "title": "Horses and their kind",
    "slots": [
        {"id": "kin", "accepts": "narrower(main_motifs, 'equine')"},
        {"id": "own", "accepts": "narrower(main_motifs, 'quagga')"},
    ],
}
COIN = {"facts": {"main_motifs": ["Night Quagga"]}}


async def test_they_hold_in_evaluations_filters_and_checks_of_the_owner(service: Running) -> None:
    owner, other, client = service.collector(), service.collector(), service.client
    assert (await client.post("/v1/definitions", json=SET, headers=owner)).status_code in (201, 422)
    await kept(service, owner)
    made = await client.post("/v1/definitions", json=SET, headers=owner)
    assert made.status_code == 201, made.text
    address = made.headers["location"]
    await client.post("/v1/holdings", json=COIN, headers=owner)
    first = await client.get(f"{address}/evaluation", headers=owner)
    assert first.json()["summary"]["filled"] == 1
    inline = {"definition": SET, "holdings": [{"id": "a", **COIN}]}
    assert (await client.post("/v1/evaluations", json=inline, headers=owner)).json()["summary"]["filled"] == 1
    theirs = await client.post("/v1/evaluations", json=inline, headers=other)
    assert theirs.status_code == 422 or theirs.json()["summary"]["filled"] == 0
    found = await client.get("/v1/holdings?filter=narrower(main_motifs,'equine')", headers=owner)
    assert len(found.json()["items"]) == 1
    # A change of the vocabulary is another version of every answer that may follow from it.
    again = await client.get(f"{address}/evaluation", headers=owner | {"If-None-Match": first.headers["etag"]})
    assert again.status_code == 304
    fields = {"extends": "motifs", "concepts": [{"id": "quagga"}]}
    await client.put("/v1/vocabularies/beasts", json=fields, headers=owner | {"If-Match": "*"})
    again = await client.get(f"{address}/evaluation", headers=owner | {"If-None-Match": first.headers["etag"]})
    assert again.status_code == 200
    assert again.json()["summary"]["filled"] == 0


async def test_a_published_definition_carries_what_it_takes_from_them(service: Running) -> None:
    owner, other, client = service.collector(), service.collector(), service.client
    more = [*BEASTS["concepts"], {"id": "unnamed", "label": "Not of this set"}]  # type: ignore[misc]
    await kept(service, owner, {**BEASTS, "concepts": more})
    await kept(service, owner, {"name": "lands", "concepts": [{"id": "north"}, {"id": "south"}]})
    document = {
        **SET,
        "attributes": [{"name": "land", "type": "text", "vocabulary": "lands"}],
        "slots": [{"id": "own", "accepts": "main_motifs IS NOT NULL AND narrower(main_motifs, 'quagga')"}],
        "one_per": [{"id": "lands", "attribute": "land", "keys": {"from": "vocabulary", "name": "lands"}}],
    }
    made = await client.post("/v1/definitions", json=document, headers=owner)
    assert made.status_code == 201, made.text
    published = await client.post(
        f"{made.headers['location']}/revisions?acknowledged=true",
        headers=owner | {"If-Match": made.headers["etag"]},
    )
    assert published.status_code == 201, published.text
    carried = published.json()["document"]
    assert {entry["name"]: [c["id"] for c in entry["concepts"]] for entry in carried["vocabularies"]} == {
        "beasts": ["quagga", "night-quagga"],
        "lands": ["north", "south"],
    }
    assert published.json()["digest"] != made.json()["digest"]
    # Whoever takes it needs nothing else.
    inline = {"definition": carried, "holdings": [{"id": "a", **COIN}, {"id": "b", "facts": {"land": "south"}}]}
    assert (await client.post("/v1/evaluations", json=inline, headers=other)).json()["summary"]["filled"] == 2
    # Published again with nothing new it is the same.
    await client.put(made.headers["location"], json=carried, headers=owner | {"If-Match": published.headers["etag"]})
    got = await client.get(made.headers["location"], headers=owner)
    again = await client.post(
        f"{made.headers['location']}/revisions?acknowledged=true", headers=owner | {"If-Match": got.headers["etag"]}
    )
    assert again.json()["digest"] == published.json()["digest"]


async def test_more_terms_than_a_definition_carries_are_told_when_it_is_published(service: Running) -> None:
    owner, client = service.collector(), service.client
    many = [{"id": f"beast {n}", "broader": ["equine"]} for n in range(501)]
    await kept(service, owner, {**BEASTS, "concepts": [*BEASTS["concepts"], *many]})  # type: ignore[misc]
    made = await client.post("/v1/definitions", json=SET, headers=owner)
    answer = await client.post(
        f"{made.headers['location']}/revisions?acknowledged=true", headers=owner | {"If-Match": made.headers["etag"]}
    )
    assert (answer.status_code, [e["pointer"] for e in answer.json()["errors"]]) == (409, ["/vocabularies/0/concepts"])


async def test_nothing_is_carried_where_nothing_is_taken(service: Running) -> None:
    owner, client = service.collector(), service.client
    await kept(service, owner)
    made = await client.post("/v1/definitions", json={"document": DOCUMENT}, headers=owner)
    published = await client.post(
        f"{made.headers['location']}/revisions?acknowledged=true", headers=owner | {"If-Match": made.headers["etag"]}
    )
    assert published.json()["digest"] == made.json()["digest"]


async def test_what_is_left_out_is_told_in_the_words_of_the_owner(service: Running) -> None:
    owner, client = service.collector(), service.client
    lands = {"name": "lands", "extends": "issuers", "concepts": [{"id": "x-ambria", "label": "Ambria"}]}
    await kept(service, owner, lands)
    facts = {"issuer": "x-ambria", "denomination": "shilling"}
    counted = {**facts, "spots": "three"}
    held = await client.post("/v1/holdings", json={"facts": counted}, headers=owner)
    document = {**DOCUMENT, "attributes": [{"name": "spots", "type": "integer"}]}
    made = await client.post("/v1/definitions", json={"document": document}, headers=owner)
    evaluation = await client.get(f"{made.headers['location']}/evaluation", headers=owner)
    tried = await client.post("/v1/candidates", json={"coins": [{"id": "a", "facts": facts}]}, headers=owner)
    as_text = {**DOCUMENT, "attributes": [{"name": "spots", "type": "text"}]}
    inline = {
        "sets": [{"definition": document}, {"definition": as_text}],
        "holdings": [{"id": held.json()["id"], "facts": counted}],
        "vocabularies": [lands],
        "mode": "jointly",
    }
    allocated = await client.post("/v1/allocations", json=inline)
    assert (tried.status_code, allocated.status_code) == (200, 200), tried.text + allocated.text
    told = [evaluation.json(), tried.json()["sets"][0], allocated.json()["sets"][0]]
    messages = {answer["ignored_facts"][0]["message"] for answer in told}
    assert len(messages) == 1
    assert messages.pop().startswith("shilling (Ambria): ")


async def test_a_sheet_is_understood_with_what_the_definitions_of_the_owner_carry(service: Running) -> None:
    owner, other, client = service.collector(), service.collector(), service.client
    await kept(
        service, owner, {"name": "lands", "extends": "issuers", "concepts": [{"id": "x-ambria", "label": "Ambria"}]}
    )
    attribute = {"name": "workshop", "type": "text", "vocabulary": "workshops"}
    carried = [
        [
            {
                "name": "lands",
                "extends": "issuers",
                "concepts": [{"id": "x-ambria", "alternative_labels": ["Old Ambria"]}],
            },
            {"name": "workshops", "concepts": [{"id": "hill", "label": "Hill Workshop"}]},
        ],
        # Of the same name, and of somebody who knew nothing of the other.
        [
            {
                "name": "workshops",
                "concepts": [{"id": "dale", "label": "Dale Workshop"}, {"id": "mine", "label": "The Mine"}],
            }
        ],
        [{"name": "workshops", "concepts": [{"id": "pit", "label": "Pit", "alternative_labels": ["The Mine"]}]}],
    ]
    for vocabularies in carried:
        document = {
            **SET,
            "slots": [{"id": "any", "accepts": True}],
            "attributes": [attribute],
            "vocabularies": vocabularies,
        }
        made = await client.post("/v1/definitions", json={"document": document}, headers=owner)
        assert made.status_code == 201, made.text
    sheet = "No,Country,workshop\n1,Old Ambria,Hill Workshop\n2,ambria,Dale Workshop\n3,Ambria,The Mine\n"
    where, sent = "/v1/holdings/imports?dry_run=true", {"Content-Type": "text/csv"}
    answer = (await client.post(where, content=sheet, headers=owner | sent)).json()
    facts = [item["after"] for item in answer["items"]]
    assert [fact["issuer"] for fact in facts] == ["x-ambria"] * 3
    assert [fact.get("workshop") for fact in facts] == ["hill", "dale", "The Mine"]
    (asked,) = answer["questions"]
    assert (asked["value"], {candidate["value"] for candidate in asked["candidates"]}) == ("The Mine", {"mine", "pit"})
    theirs = (await client.post(where, content=sheet, headers=other | sent)).json()
    assert "x-ambria" not in [item["after"].get("issuer") for item in theirs["items"]]
