"""Labels and sentences by language: complete, with the same parts, and in the answers that were asked for.

Names of countries are held against the list of ISO 3166-1 (pycountry's translations of Debian's iso-codes); all others have no
source.
"""

from __future__ import annotations

import gettext
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import pycountry
import pytest
from fastapi.dependencies.models import Dependant

from service.analysis.change_words import CHANGE_WORDS
from service.app import framework
from service.facts.core_attributes import CORE
from service.facts.vocabulary import Concept
from service.formats.page_words import PAGE_WORDS
from service.http.elsewhere import work_of
from service.http.openapi import Operation
from service.http.problems import PROBLEM_KINDS
from service.progress.description import describer
from service.reference import shipped
from service.reference.languages import ENGLISH, LANGUAGES, best_language, language
from service.rules.cql2.expression import parse
from service.rules.messages import MESSAGES
from service.rules.operators import bind
from service.rules.phrases import PHRASES
from service.rules.wording import RuleWording, places_in_words
from service.settings import Settings
from tests.conftest import Running
from tests.refusals import Refusals
from tests.set_definitions import NAMES as SHIPPED
from tests.set_definitions import a_set

SERVICE = Path(__file__).resolve().parents[2] / "service"
OTHERS = [tag for tag in LANGUAGES if tag != ENGLISH]
_PART = re.compile(r"\{(\w+)(?::([^}]*))?\}")


@cache
def code() -> str:
    return "\n".join(path.read_text(encoding="utf-8") for path in sorted(SERVICE.rglob("*.py")))


@cache
def refusals() -> Refusals:
    return Refusals()


def parts(sentence: str) -> Mapping[str, str]:
    """The parts of a sentence, each with its kind: a list, a count, or anything else."""

    def kind(how: str) -> str:
        return "one" if not how else "count" if "|" in how else "punctuation" if how in (",", ";") else "list"

    return {name: kind(how) for name, how in _PART.findall(sentence)}


@pytest.mark.parametrize("tag", OTHERS)
def test_every_message_has_its_sentence_with_the_same_parts(tag: str) -> None:
    spoken = language(tag)
    assert set(spoken.messages) == set(MESSAGES)
    for code, english in MESSAGES.items():
        told = spoken.sentence(code)
        # Which of them is a list or a count is the same too; a count may stand as a plain number.
        assert parts(told).keys() == parts(english).keys(), code
        for name, kind in parts(english).items():
            assert parts(told)[name] == kind or {parts(told)[name], kind} == {"one", "count"}, (code, name)
        assert told != english or not re.search(r"[a-z]", _PART.sub("", english)), code


@pytest.mark.parametrize("tag", OTHERS)
def test_every_phrase_of_rules_coins_pages_and_changes_is_there_with_the_same_parts(tag: str) -> None:
    assert not PHRASES.keys() & PAGE_WORDS.keys() | PHRASES.keys() & CHANGE_WORDS.keys()
    english = {**PHRASES, **PAGE_WORDS, **CHANGE_WORDS}
    told = language(tag).phrases
    assert set(told) == set(english)
    for code, phrase in english.items():
        assert set(re.findall(r"\{(\w+)\}", told[code])) == set(re.findall(r"\{(\w+)\}", phrase)), code
        assert re.sub(r"\{\w+\}", "", told[code]) == re.sub(r"\{\w+\}", "", told[code]).replace("{", "").replace(
            "}", ""
        ), code
        # French sets a space that does not break before these signs.
        assert tag != "fr" or not re.search(r" [:;!?»]|« ", told[code]), code


# What Python's reader of JSON says; the service only puts it in lower case.
OF_JSON = {
    *("expecting value", "expecting property name enclosed in double quotes", "expecting ':' delimiter"),
    *("expecting ',' delimiter", "unterminated string starting at", "invalid control character at", "extra data"),
    *("invalid \\escape", "invalid \\uxxxx escape"),
    *("illegal trailing comma before end of object", "illegal trailing comma before end of array"),
}


def test_whatever_is_refused_is_a_sentence() -> None:
    """No text of a refusal, a fault or a hint is put together in a way that no other language can follow."""
    assert refusals().unsaid == []
    assert len(refusals().sentences) > 700


def test_a_text_that_is_put_together_is_found(tmp_path: Path) -> None:
    """The control of the test before: each of these is told by the reader of the code."""
    wrong = (
        'Fault("x", f"no {name}")',
        'Fault.of("x", "no {name}", hint="say " + name)',
        'Fault.of("x", "{what} is missing", what="a name")',
        "complain(f'no {name}')",
        'raise Conflict("no %s" % name)',
    )
    (tmp_path / "some.py").write_text(
        "def complain(text):\n    return Fault('x', text)\n\n\ndef all_of(name):\n"
        + "".join(f"    {line}\n" for line in [*wrong, 'Fault("x", "this is right")', 'complain("so is this")'])
    )
    found = Refusals(tmp_path)
    assert sorted(int(where.split(":")[1].split()[0]) for where in found.unsaid) == [6, 7, 8, 9, 10]
    assert {"this is right", "so is this"} <= set(found.sentences)


@pytest.mark.parametrize("tag", OTHERS)
def test_every_refusal_has_its_sentence_in_the_language(tag: str) -> None:
    spoken = language(tag)
    # Signs alone are the same in every language.
    sentences = {one for one in refusals().sentences if re.search(r"[^\W\d_]", re.sub(r"\{[^{}]*\}", "", one))}
    wanted = {*sentences, *OF_JSON, *(kind.title for kind in PROBLEM_KINDS.values())}
    assert wanted - set(spoken.refusals) == set()
    for english, told in spoken.refusals.items():
        # What is in braces besides is JSON, in a sentence without parts.
        parts_of = re.compile(r"\{(\w+)(?::,)?\}")
        assert set(parts_of.findall(told)) == set(parts_of.findall(english)), english
        assert tag != "fr" or not re.search(r" [:;!?»]|« ", told), english
    # No sentence stays from a refusal that there is no more.
    left = set(spoken.refusals) - wanted
    assert {one for one in left if json.dumps(one)[1:-1] not in code() and one not in code()} == set()
    ours = {
        *re.findall(r'(?:NotFound|stored_id|_checked_id)\(\s*"([^"]+)"', code()),
        *re.findall(r'"([^"]+ has made)"', code()),
    }
    assert ours - set(spoken.refusals) == set()


def test_every_operation_that_may_be_too_heavy_has_its_name_in_the_language() -> None:
    def elsewhere(needed: Dependant) -> bool:
        return needed.call is work_of or any(map(elsewhere, needed.dependencies))

    def operations(routes: Sequence[Any]) -> Iterator[Operation]:
        for route in routes:
            if isinstance(route, Operation):
                yield route
            else:
                yield from operations(getattr(route, "routes", ()))

    names = {one.summary for one in operations(framework(Settings()).routes) if elsewhere(one.dependant)}
    assert len(names) > 30
    for tag in OTHERS:
        assert names - set(language(tag).refusals) == set(), tag


@pytest.mark.anyio
async def test_a_refusal_is_told_in_the_language_that_was_asked_for(service: Running) -> None:
    client, headers = service.client, service.collector()

    async def refused(method: str, path: str, tag: str | None, **more: object) -> dict[str, Any]:
        asked = {**headers, "Content-Type": "application/json", **({"Accept-Language": tag} if tag else {})}
        answer = await client.request(method, path, headers=asked, **more)  # type: ignore[arg-type]
        assert answer.status_code >= 400, answer.text
        assert answer.headers["content-language"] == (tag or "en")
        told: dict[str, Any] = answer.json()
        return told

    document = {"format": "set-definition/1", "title": "One", "slots": [{"id": "a", "accepts": "grade >= 20"}]}
    made = await client.post("/v1/definitions", json={"document": document}, headers=headers)
    identity = made.json()["id"]
    same = {"json": {"id": identity, "document": document}}
    for tag, title, detail in (
        (None, "Conflict", f"there is a definition '{identity}' already"),
        ("de", "Widerspruch", f"Eine Definition „{identity}“ gibt es schon"),
        ("fr", "Conflit", f"Il y a déjà une définition «\N{NO-BREAK SPACE}{identity}\N{NO-BREAK SPACE}»"),
    ):
        told = await refused("POST", "/v1/definitions", tag, **same)
        assert (told["title"], told["detail"]) == (title, detail)
        # What programs read is the same in every language.
        assert (told["status"], told["type"].rpartition("/")[2]) == (409, "clash")
    told = await refused("GET", "/v1/definitions/nowhere", "de")
    assert told["detail"] == "Nicht vorhanden: Definition „...“"
    told = await refused("POST", "/v1/holdings", "de", content=b"")
    assert told["title"] == "Unlesbarer Inhalt"
    assert [fault["message"] for fault in told["errors"]] == ["Der Inhalt ist leer"]
    # What the library for shapes finds is told by the name of the member.
    told = await refused("POST", "/v1/holdings", "de", json={"note": 5})
    assert told["title"] == "Ungültige Anfrage"
    assert told["errors"] == [{"code": "string-type", "message": "„note“ muss ein Text sein", "pointer": "/note"}]
    # With parts, of which some are words of ours.
    told = await refused("POST", "/v1/holdings", "de", json={"facts": {"grade": "fine"}})
    assert told["detail"] == told["errors"][0]["message"] == "„grade“ nimmt eine Zahl; gekommen ist: ein Text"
    told = await refused("POST", "/v1/holdings", None, json={"facts": {"grade": "fine"}})
    assert told["detail"] == told["errors"][0]["message"] == "'grade' takes a number, not a text"


@pytest.mark.parametrize("tag", OTHERS)
def test_the_shipped_sets_are_told_without_a_word_of_english(tag: str) -> None:
    """None of the words that phrases are made of, in what is told of each rule."""
    english = re.compile(
        r"\b(?:the|from|dated|with|without|among|kind|at least|at most|or more|each|coins?|better|places?)\b"
    )
    seen = control = 0
    for name in SHIPPED:
        definition = a_set(name).definition
        speak = RuleWording(definition.attributes, definition.vocabularies, language(tag))
        # What an author calls an attribute stays as it was written.
        own = [speak.name(one) for one in definition.attributes if one not in CORE]
        for sentence in places_in_words(definition, language(tag)).values():
            told = sentence
            for label in own:
                told = told.replace(label, "")
            assert not english.search(told), sentence
            seen += 1
        control += sum(english.search(sentence) is not None for sentence in places_in_words(definition).values())
    assert seen > 60
    assert control > 40


@pytest.mark.parametrize(
    ("tag", "rule", "says"),
    [
        (
            "de",
            "denomination = 'half crown' AND issuer = 'GB' AND year_on_coin < 1901 AND grade >= 20",
            "Halbe Crown (Vereinigtes Königreich) mit Jahr vor 1901, Erhaltungsgrad mindestens 20",
        ),
        (
            "fr",
            "denomination = 'half crown' AND issuer = 'GB' AND year_on_coin < 1901 AND grade >= 20",
            "demi-couronne (half crown) (Royaume-Uni) de millésime avant 1901, grade au moins 20",
        ),
        ("de", "count(problems) = 0 AND material IN ('silver', 'gold')", "Münze ohne Mängel in Silber oder Gold"),
        (
            "fr",
            "narrower(main_motifs, 'bird') AND NOT narrower(main_motifs, 'eagle')",
            "monnaie avec oiseau de toute espèce (motifs principaux), sans aigle de toute espèce (motifs principaux)",
        ),
        ("de", "NOT A_CONTAINS(problems, ('holed', 'bent'))", "Münze, nicht verbogen und gelocht"),
        (
            "de",
            "fineness = 0.925 AND weight_measured >= 5.5",
            "Münze, Feingehalt 0,925 und gemessenes Gewicht mindestens 5,5 g",
        ),
        ("fr", "fineness = 0.925 AND weight_measured >= 5", "monnaie, titre 0,925 et poids mesuré au moins 5 g"),
    ],
)
def test_a_rule_is_told_in_the_language(tag: str, rule: str, says: str) -> None:
    speak = RuleWording(CORE, shipped.vocabularies(), language(tag))
    assert speak.coin(bind(parse(rule), CORE, shipped.vocabularies())) == says


@pytest.mark.parametrize(
    ("tag", "facts", "says"),
    [
        ("de", {"denomination": "crown", "year_on_coin": 1892, "issuer": "GB"}, "Crown 1892, Vereinigtes Königreich"),
        ("fr", {"denomination": "shilling", "year_on_coin": {"one_of": [1892, 1893]}}, "shilling 1892 ou 1893"),
        ("de", {"denomination": "shilling", "year_on_coin": {"from": 1892}}, "Shilling ab 1892"),
        ("fr", {}, "monnaie, type non noté"),
        ("de", {"main_motifs": ["kiwi"]}, "Münze, Art nicht erfasst"),
        ("de", {"issuer": "FR"}, "Münze, Frankreich"),
    ],
)
def test_a_coin_is_called_what_it_is_in_the_language(tag: str, facts: dict[str, object], says: str) -> None:
    assert describer(CORE, shipped.vocabularies(), {}, language(tag))({"facts": facts}) == says


@pytest.mark.parametrize("tag", OTHERS)
def test_everything_shipped_has_a_label(tag: str) -> None:
    spoken = language(tag)
    assert set(spoken.attributes) == set(CORE)
    assert all(set(told) >= {"label", "look_at"} and all(told.values()) for told in spoken.attributes.values())
    assert set(spoken.values) == {value for attribute in CORE.values() for value in attribute.values}
    schemes = shipped.vocabularies()
    assert set(spoken.vocabularies) == set(schemes)
    assert set(spoken.terms) == set(schemes)
    for name, scheme in schemes.items():
        # CLDR knows more places than issue coins.
        assert name == "issuers" or set(spoken.terms[name]) <= set(scheme.concepts)
        labels = [spoken.term(name, concept) for concept in scheme.concepts.values()]
        assert all(labels)
        assert len(set(labels)) == len(labels), [label for label in labels if labels.count(label) > 1]
    # What is called the same in both: animals with a name from elsewhere, words of Latin, names of coins.
    same = [c.id for c in schemes["motifs"].concepts.values() if spoken.term("motifs", c) == c.label]
    assert len(same) < 25, same


@pytest.mark.parametrize("tag", OTHERS)
def test_countries_are_called_what_the_standard_calls_them(tag: str) -> None:
    """Two lists that were made apart agree in most names of living countries."""
    iso = gettext.translation("iso3166-1", pycountry.LOCALES_DIR, languages=[tag])
    spoken, agree, count = language(tag), 0, 0
    for country in pycountry.countries:
        concept = shipped.vocabularies()["issuers"].concepts[country.alpha_2]
        count += 1
        agree += spoken.term("issuers", concept) in (
            iso.gettext(country.name),
            iso.gettext(getattr(country, "common_name", "")),
        )
    assert count > 240 and agree / count > 0.75
    assert spoken.term("issuers", Concept("nowhere", "Nowhere")) == "Nowhere"


@pytest.mark.parametrize("tag", OTHERS)
def test_issues_are_told_apart_in_every_language(tag: str) -> None:
    spoken = language(tag)
    labels = {entry["label"] for entry in shipped.issues()}
    told = {spoken.issue(label) for label in labels}
    assert len(told) == len(labels)
    english = re.compile(r"\b(?:to|from|Act of|carat|silver|gold|copper|United|sided)\b")
    assert [label for label in told if english.search(label)] == []
    assert {language(ENGLISH).issue(label) for label in labels} == labels


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        (["de"], "de"),
        (["de-AT", "fr"], "de"),
        (["nl", "FR-ca"], "fr"),
        (["en-GB", "de"], "en"),
        (["zh-Hant-TW"], "en"),
        (["*"], "en"),
        ([], "en"),
        (["de_DE.UTF-8", "", "x" * 500, "fr"], "fr"),
    ],
)
def test_the_best_language_is_the_first_that_there_is(wanted: list[str], found: str) -> None:
    """RFC 4647, section 3.4 (lookup)."""
    assert best_language(wanted).tag == found


@pytest.mark.anyio
async def test_answers_are_in_the_language_that_was_asked_for(service: Running) -> None:
    """RFC 9110: 12.5.4 (Accept-Language), 8.5 (Content-Language), 12.5.5 (Vary), 15.4.5 (what a 304 has to say)."""
    client = service.client
    issue = shipped.issues()[0]["id"]
    for path, pick in (
        ("/v1/attributes", lambda found: {one["name"]: one["label"] for one in found["items"]}["mintmark"]),
        ("/v1/vocabularies", lambda found: {one["name"]: one["label"] for one in found["items"]}["rulers"]),
        ("/v1/vocabularies/issuers", lambda found: {one["id"]: one["label"] for one in found["concepts"]}["DE"]),
        (f"/v1/issues/{issue}", lambda found: found["label"]),
        ("/v1/messages", lambda found: {one["code"]: one["sentence"] for one in found["items"]}["want-empty"]),
    ):
        told = {}
        tags = {}
        for asked, tag in (("fr;q=0.2, de-CH;q=0.9", "de"), ("fr", "fr"), ("de;q=0, nl, *;q=0.1", "en"), ("", "en")):
            answer = await client.get(path, headers={"Accept-Language": asked})
            assert answer.status_code == 200, answer.text
            assert answer.headers["content-language"] == tag, (path, asked)
            assert "Accept-Language" in answer.headers["vary"].split(", "), path
            told[tag], tags[tag] = pick(answer.json()), answer.headers.get("etag")
        assert len(set(told.values())) == 3, (path, told)
        if tags["de"] is not None:
            # What is known in one language is nothing known in another.
            assert len(set(tags.values())) == 3
            for tag, status in (("de", 304), ("fr", 200)):
                known = await client.get(path, headers={"Accept-Language": tag, "If-None-Match": tags["de"]})
                assert known.status_code == status
                assert "Accept-Language" in known.headers["vary"]


@pytest.mark.anyio
async def test_a_definition_is_told_in_the_language_and_changed_by_the_version_that_was_read_in_any(
    service: Running,
) -> None:
    client, headers = service.client, service.collector()
    document = {
        "format": "set-definition/1",
        "title": "One",
        "slots": [{"id": "a", "label": "A", "accepts": "grade >= 20"}],
    }
    made = await client.post("/v1/definitions", json={"document": document}, headers=headers)
    path = f"/v1/definitions/{made.json()['id']}"
    told, tags = dict[str, str](), dict[str, str]()
    for tag in LANGUAGES:
        answer = await client.get(path, headers={**headers, "Accept-Language": tag})
        assert answer.headers["content-language"] == tag
        told[tag], tags[tag] = answer.json()["places_in_words"]["a"], answer.headers["etag"]
    assert told == {
        "en": "a coin, grade at least 20",
        "de": "Münze, Erhaltungsgrad mindestens 20",
        "fr": "monnaie, grade au moins 20",
    }
    assert len(set(tags.values())) == 3
    known = await client.get(path, headers={**headers, "Accept-Language": "fr", "If-None-Match": tags["de"]})
    assert known.status_code == 200
    sent = {"json": {"document": {**document, "title": "Two"}}, "headers": {**headers, "If-Match": tags["de"]}}
    assert (await client.put(path, **sent)).status_code == 200
    # By now it is the version of before.
    assert (await client.put(path, **sent)).status_code == 412


@pytest.mark.anyio
async def test_pages_to_print_are_in_the_language_that_was_asked_for_and_lists_for_programs_in_english(
    service: Running,
) -> None:
    """Each is asked for twice in turn: what is kept of one language is nothing to another."""
    client, headers = service.client, service.collector()
    slots = [
        {"id": "a", "label": "A", "accepts": "denomination = 'penny'"},
        {"id": "b", "label": "B", "accepts": "denomination = 'crown' AND grade >= 20"},
        {"id": "c", "label": "C", "accepts": "denomination = 'penny'"},
    ]
    rule = {"id": "r", "label": "one", "kind": "at_most", "per": ["denomination"], "count": 1}
    document = {"format": "set-definition/1", "title": "One", "slots": slots, "constraints": [rule]}
    made = await client.post("/v1/definitions", json={"document": document}, headers=headers)
    holding = {"number": "7", "facts": {"denomination": "penny", "year_on_coin": 1920}, "quantity": 2}
    await client.post("/v1/holdings", json=holding, headers=headers)
    wants = f"/v1/definitions/{made.json()['id']}/want-list"
    shown = await client.post(
        f"/v1/definitions/{made.json()['id']}/exhibitions", json={"title": "Ours", "on": "2026-11-30"}, headers=headers
    )
    pages = {
        wants: {
            "de": ("Fehlliste vom", "Crown, Erhaltungsgrad mindestens 20", "lässt „"),
            "fr": ("Mancoliste du", "couronne (crown), grade au moins 20", "laisse «"),
        },
        "/v1/holdings/labels": {"de": ("Penny 1920", "2 Stück"), "fr": ("penny 1920", "2 pièces")},
        "/v1/insurance-list": {"de": ("Verzeichnis vom", "Ohne Wert: 2 Stück"), "fr": ("Inventaire du", "Sans valeur")},
        shown.headers["location"]: {"de": ("Ausgestellt", "von 3 Plätzen"), "fr": ("Exposées", "cases sur 3")},
    }
    for path, says in pages.items():
        plain = (await client.get(path, headers=headers)).json()
        for tag in ("de", "fr", "de", "fr"):
            asked = {**headers, "Accept-Language": tag}
            page = await client.get(path, params={"format": "html"}, headers=asked)
            assert page.headers["content-language"] == tag, path
            assert f'<html lang="{tag}">' in page.text
            assert all(word in page.text for word in says[tag]), (path, tag, page.text)
            assert (await client.get(path, headers=asked)).json() == plain
        english = await client.get(path, params={"format": "html"}, headers=headers)
        assert english.headers["content-language"] == "en"


@pytest.mark.anyio
async def test_the_page_of_a_shared_set_is_in_the_language_that_was_asked_for(service: Running) -> None:
    client, headers = service.client, service.collector()
    slots = [
        {"id": "a", "label": "A", "accepts": "denomination = 'penny' AND grade >= 20"},
        {"id": "b", "label": "B", "accepts": "denomination = 'crown' AND year_on_coin < 1901"},
    ]
    document = {
        "format": "set-definition/1",
        "title": "Pence",
        "language": "en",
        "slots": slots,
        "prefer": [{"highest": "grade"}],
        "constraints": [{"id": "r", "label": "one", "kind": "at_most", "per": ["denomination"], "count": 1}],
        "layout": [{"page": "First", "slots": ["a"]}],
    }
    drafted = await client.post("/v1/definitions", json={"document": document}, headers=headers)
    made, matching = drafted.json(), {**headers, "If-Match": drafted.headers["etag"]}
    published = await client.post(f"/v1/definitions/{made['id']}/revisions?acknowledged=true", headers=matching)
    assert published.status_code < 300, published.text
    sent = {"definition": made["id"], "revision": 1}
    link = (await client.post("/v1/shares", json=sent, headers=headers)).json()["link"]
    path = link[link.index("/v1/") :]
    says = {
        "de": (
            "Plätze",
            "Auf keiner Seite",
            "Penny, Erhaltungsgrad mindestens 20",
            "Über den ganzen Satz",
            "Übernehmen",
        ),
        "fr": ("Cases", "Sur aucune page", "penny, grade au moins 20", "Sur toute la série", "La reprendre"),
    }
    tags = set()
    for tag in ("de", "fr", "de", "en"):
        page = await client.get(path, params={"format": "html"}, headers={"Accept-Language": tag})
        assert page.headers["content-language"] == tag
        assert f'<html lang="{tag}">' in page.text
        assert 'lang="en">\n<h1>Pence' in page.text
        assert all(word in page.text for word in says.get(tag, ("Places", "On no page"))), page.text
        tags.add(page.headers["etag"])
    assert len(tags) == 3
    plain = await client.get(path, params={"format": "json"}, headers={"Accept-Language": "de"})
    assert plain.headers["content-language"] == "en"
    assert plain.json()["document"] == document


@pytest.mark.anyio
async def test_changes_explanations_and_impacts_are_in_the_language_that_was_asked_for(service: Running) -> None:
    client, headers = service.client, service.collector()
    german = {**headers, "Accept-Language": "de"}
    document = {"format": "set-definition/1", "title": "One", "slots": [{"id": "a", "accepts": "grade >= 20"}]}
    drafted = await client.post("/v1/definitions", json={"document": document}, headers=headers)
    made, matching = drafted.json(), {**headers, "If-Match": drafted.headers["etag"]}
    path = f"/v1/definitions/{made['id']}"
    await client.post(f"{path}/revisions", params={"acknowledged": True}, headers=matching)
    wider = {**document, "slots": [{"id": "a", "accepts": "grade >= 10"}]}
    stored = await client.get(path, headers=headers)
    followed = await client.put(
        f"{path}/adoption", json={"revision": 1}, headers={**headers, "If-Match": stored.headers["etag"]}
    )
    assert followed.status_code == 200, followed.text
    stored = await client.get(path, headers=headers)
    sent = await client.put(path, json={"document": wider}, headers={**headers, "If-Match": stored.headers["etag"]})
    assert sent.status_code == 200, sent.text
    for of, member in (("changes", "changes"), ("impact", "changes")):
        url = f"{path}/{of}?from=1" if of == "changes" else f"{path}/impact"
        told = {tag: await client.get(url, headers={**headers, "Accept-Language": tag}) for tag in ("en", "de", "fr")}
        assert {tag: answer.headers["content-language"] for tag, answer in told.items()} == {t: t for t in told}
        assert len({answer.headers["etag"] for answer in told.values()}) == 3
        words = {tag: [one["words"] for one in answer.json()[member]] for tag, answer in told.items()}
        assert words["de"] == [
            "Platz „a“ nimmt jetzt auch Münzen auf, die vorher nicht passten, zum Beispiel: Münze, Erhaltungsgrad 10."
        ]
        assert words["en"] == [
            "The place 'a' now also takes coins that it did not take before, for example a coin, grade 10."
        ]
        known = await client.get(url, headers={**german, "If-None-Match": told["fr"].headers["etag"]})
        assert known.status_code == 200
    assert all("Platz" in text or "Plätze" in text or "Münze" in text for text in told["de"].json()["in_words"])
    # As text in English, as lists for programs are.
    plain = await client.get(f"{path}/changes", params={"from": 1, "format": "text"}, headers=german)
    assert "now also takes" in plain.text
    assert plain.headers["content-language"] == "en"
    asked = {"definition": document, "holding": {"id": "x", "facts": {"denomination": "penny", "grade": 8}}}
    explained = await client.post("/v1/explanations", json=asked, headers=german)
    (place,) = explained.json()["places"]
    assert place["in_words"] == "Münze, Erhaltungsgrad mindestens 20"
    assert place["may_be"][0]["clauses"][0]["in_words"] == "Erhaltungsgrad mindestens 20"
    assert explained.json()["messages"][1]["parts"]["needs"] == ["Erhaltungsgrad mindestens 20"]
    doubt = {**asked, "holding": {"id": "x", "facts": {"denomination": "penny"}}}
    (place,) = (await client.post("/v1/explanations", json=doubt, headers=german)).json()["places"]
    assert [way["when"] for way in place["may_be"][0]["settle"][0]["outcomes"]] == ["20 oder mehr", "bis 19"]


@pytest.mark.anyio
async def test_what_an_owner_may_change_is_shown_as_it_is_kept(service: Running) -> None:
    """Else a change that begins with what was read would write one language over another."""
    client, headers = service.client, service.collector()
    names = [{"text": "Zaunkönig", "language": "de", "kind": "preferred"}]
    concept = {"id": "wren", "label": "wren", "names": names}
    made = await client.post("/v1/vocabularies", json={"name": "small", "concepts": [concept]}, headers=headers)
    assert made.status_code == 201, made.text
    found = await client.get("/v1/vocabularies/small", headers={**headers, "Accept-Language": "de"})
    assert found.json()["concepts"][0]["label"] == "wren"
    assert found.json()["concepts"][0]["names"] == names
    assert found.headers["etag"] == made.headers["etag"]
