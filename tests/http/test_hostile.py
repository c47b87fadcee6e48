"""Bodies that were made to hurt, sent to every operation that takes one: each is refused with its places, all faults at
once, and the service goes on. (Random bodies: test_fuzz.py; bodies that merely puzzle: test_problems.py.)"""

from __future__ import annotations

import io
import json
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import cycle, islice
from pathlib import Path
from typing import Any

import httpx
import pytest
from jsonschema_rs import Draft202012Validator
from PIL import Image

from service.database.ids import new_id
from service.facts.holding import pointer_step
from service.holdings.photos.images import JPEG, PNG, WEBP
from service.holdings.photos.images import PHOTO_TYPES as PHOTOS
from tests.conftest import Running
from tests.http import clubhouse, doors
from tests.http.examples import (
    CLUB,
    CLUB_INVITATION,
    DECISION,
    DELETION,
    DOCUMENT,
    INVITATION,
    ISSUE,
    JOIN,
    LOG_IN,
    OFFER,
    PASSWORD,
    POLL,
    REDEMPTION,
    RESET,
    SHARE,
    SWAP_ANSWER,
    SWAP_PROPOSAL,
    SYNC,
)
from tests.openapi import openapi_document, operations, validator
from tests.pictures import chunk, jpeg_of, picture, png_of, webp_of
from tests.promises.plugin import Promise

pytestmark = pytest.mark.anyio

DEEP = 10_000
# Made for one operation and sent to the others by shares; so is what no operation can read.
SHARES, RAW_SHARES = 14, 4


@dataclass(frozen=True)
class Hostile:
    """What is wrong with something, and the places that have to be named, relative to it."""

    name: str
    value: Any
    places: tuple[str, ...] = ()


def slot(**changes: Any) -> dict[str, Any]:
    return {"id": "a", "label": "A", "accepts": "grade > 1", **changes}


def a_set(**changes: Any) -> dict[str, Any]:
    return {"format": "set-definition/1", "title": "x", "slots": [slot()], **changes}


def a_rule(accepts: Any) -> dict[str, Any]:
    return a_set(slots=[slot(accepts=accepts)])


def choice(places: int, **changes: Any) -> dict[str, Any]:
    return {"id": f"any-{places}", "places": places, "accepts": "grade > 1", **changes}


def constraint(**changes: Any) -> dict[str, Any]:
    return a_set(constraints=[{"id": "c", "kind": "same", "by": ["issuer"], **changes}])


RULE = "/slots/0/accepts"

DEFINITIONS = [
    Hostile("nothing in it", {}, ("/format", "/title", "")),
    Hostile("no place in it", {"format": "set-definition/1", "title": "x"}, ("",)),
    Hostile("another format", a_set(format="set-definition/2"), ("/format",)),
    Hostile("numbers for texts", a_set(title=1, language=2, summary=[]), ("/title", "/language", "/summary")),
    Hostile("slots that are no list", a_set(slots={}), ("/slots",)),
    Hostile("slots of every wrong type", a_set(slots=[None, 1, "a", []]), tuple(f"/slots/{n}" for n in range(4))),
    Hostile("a slot without a rule", a_set(slots=[{"id": "a"}]), (RULE,)),
    Hostile("a member that is none", a_set(slotz=[]), ("/slotz",)),
    Hostile("a member that needs escaping", a_set(**{"a/b~c": 1}), ("/a~1b~0c",)),
    Hostile("clashing slots", a_set(slots=[slot(), slot()]), ("/slots/1/id",)),
    Hostile("a group that clashes with a slot", a_set(free_choice=[choice(1, id="a")]), ("/free_choice/0/id",)),
    Hostile("an id with a slash", a_set(slots=[slot(id="a/b")]), ("/slots/0/id",)),
    Hostile("2,001 places in one group", a_set(free_choice=[choice(2_001)]), ("/free_choice/0/places",)),
    Hostile("3,000 places in two groups", a_set(free_choice=[choice(1_501), choice(1_499)]), ("",)),
    Hostile("2,001 slots", a_set(slots=[slot(id=str(n)) for n in range(2_001)]), ("/slots",)),
    Hostile("no places in a group", a_set(free_choice=[choice(0)]), ("/free_choice/0/places",)),
    Hostile("places beyond every number", a_set(free_choice=[choice(2**53)]), ("/free_choice/0/places",)),
    Hostile("an unknown attribute", a_rule("finess = 1"), (RULE,)),
    Hostile("a text against a number", a_rule("grade = 'x'"), (RULE,)),
    Hostile("a value that cannot be", a_rule("strike = 'nonsense'"), (RULE,)),
    Hostile("an unknown term", a_rule("narrower(main_motifs, 'no-such-beast')"), (RULE,)),
    Hostile("an unknown function", a_rule("broader(grade, 'x')"), (RULE,)),
    Hostile("a rule that ends too early", a_rule("grade >"), (RULE,)),
    Hostile("an empty rule", a_rule(""), (RULE,)),
    Hostile("a list for a rule", a_rule([]), (RULE,)),
    Hostile("a null for a rule", a_rule(None), (RULE,)),
    Hostile("an empty object for a rule", a_rule({}), (RULE,)),
    Hostile("10,000 brackets", a_rule("(" * DEEP + "grade > 1" + ")" * DEEP), (RULE,)),
    Hostile("10,000 open brackets", a_rule("(" * DEEP), (RULE,)),
    Hostile("10,000 NOTs", a_rule("NOT " * DEEP + "grade > 1"), (RULE,)),
    Hostile("1,000 NOTs within the length", a_rule("NOT " * 1_000 + "grade > 1"), (RULE,)),
    Hostile("2,000 brackets within the length", a_rule("(" * 2_000 + "grade > 1" + ")" * 2_000), (RULE,)),
    Hostile("2,000 minus signs", a_rule("grade > " + "- " * 2_000 + "1"), (RULE,)),
    Hostile("a list of 1,001", a_rule(f"grade IN ({','.join('1' for _ in range(1_001))})"), (RULE,)),
    Hostile(
        "a list of 1,001 in JSON",
        a_rule({"op": "in", "args": [{"property": "grade"}, list(range(1_001))]}),
        (f"{RULE}/args/1",),
    ),
    Hostile("a spatial operator", a_rule({"op": "s_within", "args": []}), (f"{RULE}/op",)),
    Hostile("arguments that are no list", a_rule({"op": "and", "args": {}}), (RULE,)),
    Hostile(
        "a property that is a number", a_rule({"op": "=", "args": [{"property": 1}, 1]}), (f"{RULE}/args/0/property",)
    ),
    Hostile("an unknown attribute in the scope", a_set(scope="finess = 1"), ("/scope",)),
    Hostile("an unknown attribute preferred", a_set(prefer=[{"highest": "finess"}]), ("/prefer/0/highest",)),
    Hostile("a preference of two kinds", a_set(prefer=[{"highest": "grade", "lowest": "grade"}]), ("/prefer/0",)),
    Hostile("a constraint of no kind", constraint(kind="rainbow"), ("/constraints/0/kind",)),
    Hostile("a constraint by nothing", constraint(by=None), ("/constraints/0",)),
    Hostile("a constraint by an unknown attribute", constraint(by=["sky"]), ("/constraints/0/by/0",)),
    Hostile("a constraint on an unknown place", constraint(places=["zz"]), ("/constraints/0/places/0",)),
    Hostile("at most without a number", constraint(kind="at_most", by=None, per=["issuer"]), ("/constraints/0",)),
    Hostile("at most less than none", constraint(kind="at_most", per=["issuer"], count=-1), ("/constraints/0/count",)),
    Hostile("a page with an unknown place", a_set(layout=[{"page": "p", "slots": ["zz"]}]), ("/layout/0/slots/0",)),
    Hostile(
        "keys from an unknown vocabulary",
        a_set(one_per=[{"id": "o", "attribute": "issuer", "keys": {"from": "vocabulary", "name": "nope"}}]),
        ("/one_per/0/keys/name",),
    ),
    Hostile(
        "an attribute declared twice",
        a_set(attributes=[{"name": "b", "type": "text"}, {"name": "b", "type": "text"}]),
        ("/attributes/1/name",),
    ),
    Hostile("an attribute of no type", a_set(attributes=[{"name": "b", "type": "colour"}]), ("/attributes/0/type",)),
]

FACTS = [
    Hostile("a bare null", {"grade": None}, ("/grade",)),
    Hostile("no alternatives", {"grade": {"one_of": []}}, ("/grade/one_of",)),
    Hostile("1,001 alternatives", {"year_on_coin": {"one_of": list(range(1_001))}}, ("/year_on_coin/one_of",)),
    Hostile("alternatives in alternatives", {"grade": {"one_of": [{"one_of": [1]}]}}, ("/grade/one_of/0",)),
    Hostile("a reversed range", {"grade": {"from": 70, "to": 1}}, ("/grade",)),
    Hostile("a range of texts", {"denomination": {"from": "a", "to": "b"}}, ("/denomination",)),
    Hostile("none that is false", {"grade": {"none": False}}, ("/grade",)),
    Hostile("alternatives and a range", {"grade": {"one_of": [1], "from": 1}}, ("/grade",)),
    Hostile("an empty object", {"grade": {}}, ("/grade",)),
    Hostile("a text for a number", {"grade": "fine"}, ("/grade",)),
    Hostile("true for a number", {"grade": True}, ("/grade",)),
    Hostile("a number past its range", {"grade": 99}, ("/grade",)),
    Hostile("half a year", {"year_on_coin": 1889.5}, ("/year_on_coin",)),
    Hostile("a list for a text", {"denomination": ["penny"]}, ("/denomination",)),
    Hostile("lists in a list", {"problems": [["holed"]]}, ("/problems/0",)),
    Hostile("a number in a list of texts", {"problems": ["holed", 1]}, ("/problems/1",)),
    Hostile("a value that cannot be", {"strike": "nonsense"}, ("/strike",)),
    Hostile("a text of 100,000 characters", {"denomination": "x" * 100_000}, ("/denomination",)),
    Hostile("several at once", {"grade": 0, "strike": 1, "problems": {}}, ("/grade", "/strike", "/problems")),
]

# Where the holding stands in the request unknown attributes are refused too; a stored one keeps and names them.
STRANGE_FACTS = [
    Hostile("an unknown attribute", {"finess": 1}, ("/finess",)),
    Hostile("an attribute without a name", {"": 1}, ("/",)),
    Hostile("an attribute that needs escaping", {"a/b~c": 1}, ("/a~1b~0c",)),
]

HOLDINGS = [
    Hostile("clashing ids", [{"id": "a"}, {"id": "a"}], ("/1/id",)),
    Hostile("every wrong type", [None, 1, "a", []], ("/0", "/1", "/2", "/3")),
    Hostile("no id", [{}], ("/0/id",)),
    Hostile("an id that is too long", [{"id": "a" * 201}], ("/0/id",)),
    Hostile("a field that is none", [{"id": "a", "fatcs": {}}], ("/0/fatcs",)),
    Hostile("no pieces", [{"id": "a", "quantity": 0}], ("/0/quantity",)),
    Hostile("an issue of no form", [{"id": "a", "issue": []}], ("/0/issue",)),
    Hostile("no candidate issue", [{"id": "a", "issue": {"one_of": []}}], ("/0/issue/one_of",)),
    Hostile("facts that are a list", [{"id": "a", "facts": []}], ("/0/facts",)),
]


def concepts(*pairs: tuple[str, list[str]]) -> list[dict[str, Any]]:
    return [{"name": "v", "concepts": [{"id": name, "broader": broader} for name, broader in pairs]}]


VOCABULARIES = [
    Hostile("a circle", concepts(("a", ["b"]), ("b", ["c"]), ("c", ["a"])), ("/0/concepts/0/broader",)),
    Hostile("a term below itself", concepts(("a", ["a"])), ("/0/concepts/0/broader",)),
    Hostile("a term below nothing", concepts(("a", ["z"])), ("/0/concepts/0/broader/0",)),
    Hostile("a term twice", concepts(("a", []), ("a", [])), ("/0/concepts/1/id",)),
    Hostile("a vocabulary twice", concepts() + concepts(), ("/1/name",)),
    Hostile("no list", {}, ("",)),
]

# No definition, no holding and no patch in any of the media types.
RAW: dict[str, bytes] = {
    "empty": b"",
    "blank": b" \r\n\t",
    "null": b"null",
    "true": b"true",
    "a number": b"1",
    "a text": b'"a"',
    "an array": b"[]",
    "an array of the example": b"[" + json.dumps(DOCUMENT).encode() + b"]",
    "NaN": b'{"x": NaN}',
    "Infinity": b'{"x": [1, -Infinity]}',
    "a bare NUL": b'{"x": "\x00"}',
    "an escaped NUL": b'{"x": "\\u0000"}',
    "a NUL in a name": b'{"\\u0000": 1}',
    "half a surrogate pair": b'{"x": "\\ud800"}',
    "half a surrogate pair in a name": b'{"\\udfff": 1}',
    "surrogates in the wrong order": b'{"x": "\\udc00\\ud800"}',
    "doubled names": b'{"x": 1, "x": 2}',
    "doubled names by an escape": b'{"x": 1, "\\u0078": 2}',
    "2^53 + 1": b'{"x": 9007199254740993}',
    "5,000 digits": b'{"x": ' + b"9" * 5_000 + b"}",
    "5,000 digits behind the point": b'{"x": 0.' + b"1" * 5_000 + b"}",
    "an exponent past every double": b'{"x": 1e999999999}',
    "10,000 arrays": b"[" * DEEP + b"]" * DEEP,
    "10,000 open arrays": b"[" * DEEP,
    "10,000 objects": b'{"x":' * DEEP + b"1" + b"}" * DEEP,
    "10,000 arrays in a member": b'{"x": ' + b"[" * DEEP + b"]" * DEEP + b"}",
    "bad UTF-8": b'{"x": "\xff\xfe"}',
    "an overlong slash": b'{"x": "\xc0\xaf"}',
    "a surrogate in UTF-8": b'{"x": "\xed\xa0\x80"}',
    "a byte order mark": b'\xef\xbb\xbf{"x": 1}',
    "UTF-16": '{"x": 1}'.encode("utf-16"),
    "two values": b'{"x": 1} {"x": 2}',
    "a comment": b'{"x": 1} // one',
    "a comma too many": b'{"x": [1,]}',
    "a stray brace": b"}",
    "an open text": b'{"x": "',
    "a bad escape": b'{"x": "\\q"}',
    "ten thousand unknown fields": json.dumps({f"x{n}": n for n in range(DEEP)}).encode(),
    "a name like the prototype's": b'{"__proto__": {"x": 1}, "constructor": 1}',
    "a form": b"x=1&y=2",
    "single quotes": b"{'x': 1}",
    "a nought before a number": b'{"x": 01}',
    "a plus before a number": b'{"x": +1}',
    "a number in hexadecimal": b'{"x": 0x10}',
    "undefined": b'{"x": undefined}',
    "markup": b"<x>1</x>",
}

# No JSON at all, and refused as YAML.
YAML = {
    "an anchor": b"x: &a [1]\ny: *a\n",
    "a thousand laughs": b"a: &a [x, x]\n"
    + b"".join(b"%c: &%c [*%c, *%c]\n" % (n + 1, n + 1, n, n) for n in range(97, 121)),
    "an anchor in itself": b"x: &a [*a]\n",
    "a merge": b"x: &a {y: 1}\n<<: *a\n",
    "an object of the language": b"x: !!python/object/apply:os.system ['true']\n",
    "a tag of its own": b"x: !coin 1\n",
    "deep flow": b"x: " + b"[" * DEEP + b"]" * DEEP,
    "deep blocks": b"\n".join(b" " * n + b"x:" for n in range(400)),
    "deep dashes": b"- " * DEEP + b"1",
    "two documents": b"x: 1\n---\nx: 2\n",
    "doubled names": b"x: 1\nx: 2\n",
    "a name that is a list": b"? [a, b]\n: 1\n",
    "a name that is a number": b"1: x\n",
    "a tab": b"x:\n\t- 1\n",
    "an unknown version": b"%YAML 9.9\n---\nx: 1\n",
    "an open quote": b"x: 'y\n",
    "a NUL": b'x: "\\0"\n',
}


def json_of(value: Any) -> bytes:
    return json.dumps(value).encode()


def bodies_of_evaluations() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    """Every fault in a body for POST /v1/evaluations, with its places in that body."""
    for made in DEFINITIONS:
        yield (
            f"definition: {made.name}",
            json_of({"definition": made.value, "holdings": []}),
            under("/definition", made),
        )
    for made in [*FACTS, *STRANGE_FACTS]:
        body = {"definition": a_set(), "holdings": [{"id": "h", "facts": made.value}]}
        yield f"facts: {made.name}", json_of(body), under("/holdings/0/facts", made)
    for made in HOLDINGS:
        yield (
            f"holdings: {made.name}",
            json_of({"definition": a_set(), "holdings": made.value}),
            under("/holdings", made),
        )
    for made in VOCABULARIES:
        body = {"definition": a_set(), "holdings": [], "vocabularies": made.value}
        yield f"vocabularies: {made.name}", json_of(body), under("/vocabularies", made)


def bodies_of_explanations() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    for made in DEFINITIONS:
        body = {"definition": made.value, "holding": {"id": "h", "facts": {}}}
        yield f"definition: {made.name}", json_of(body), under("/definition", made)
    for made in [*FACTS, *STRANGE_FACTS]:
        body = {"definition": a_set(), "holding": {"id": "h", "facts": made.value}}
        yield f"facts: {made.name}", json_of(body), under("/holding/facts", made)


def bodies_of_checks() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    # What is wrong with the definition itself is the answer of a check, not a refusal.
    for made in [*FACTS, *STRANGE_FACTS]:
        body = {"definition": a_set(), "issues": [{"id": "i", "facts": made.value}]}
        yield f"issues: {made.name}", json_of(body), under("/issues/0/facts", made)
    for made in VOCABULARIES:
        body = {"definition": a_set(), "vocabularies": made.value}
        yield f"vocabularies: {made.name}", json_of(body), under("/vocabularies", made)


def bodies_of_previews() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    yield from bodies_of_checks()
    for made in FACTS:
        body = {"definition": a_set(), "holdings": [{"id": "h", "facts": made.value}]}
        yield f"holdings: {made.name}", json_of(body), under("/holdings/0/facts", made)
    for number, value in enumerate([1, True, None, {}, "yours"]):
        yield f"holdings: {number}", json_of({"definition": a_set(), "holdings": value}), ("/holdings",)


def bodies_of_definitions() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    for made in DEFINITIONS:
        yield f"definition: {made.name}", json_of({"document": made.value}), under("/document", made)


def bodies_of_definition_imports() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    yield from bodies_of_definitions()
    links = [
        "",
        "x",
        "file:///etc/passwd",
        "http://127.0.0.1/",
        "https://10.0.0.1/",
        "https://[::1]/",
        "https://x",
        "x" * 2001,
    ]
    for number, value in enumerate([*links, 1, True, [], {}]):
        yield f"from: {number}", json_of({"from": value}), ("/from",)
    for number, value in enumerate(["", "x", 1, [], "sha-256:", f"sha-256:{'A' * 64}", f"sha-256:{'a' * 65}"]):
        yield f"digest: {number}", json_of({"document": DOCUMENT, "digest": value}), ("/digest",)
    yield "another digest", json_of({"document": DOCUMENT, "digest": f"sha-256:{'0' * 64}"}), ("/digest",)
    yield "neither", json_of({"digest": f"sha-256:{'0' * 64}"}), ("",)
    yield "both", json_of({"document": DOCUMENT, "from": "https://coins.example.org/"}), ("",)


def bodies_of_holdings() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    for made in FACTS:
        yield f"facts: {made.name}", json_of({"facts": made.value}), under("/facts", made)
    wrong: dict[str, list[Any]] = {
        "basis": ["", None, "guess", 1],
        "amount": [-1, -0.0, 0.0000001, 10**12 + 1, "5", True, None, []],
        "currency": ["", None, "eur", "EURO", "E1R", 5],
        "on": ["", "2026-02-30", 20260101, "2026-W01-1"],
        "by": ["", 1, "x" * 201],
        "note": [1, "x" * 1_001],
        "colour": ["red"],
    }
    for name, values in wrong.items():
        for number, value in enumerate(values):
            worth = {"basis": "paid", "amount": 1, "currency": "EUR", name: value}
            yield f"values, {name}: {number}", json_of({"values": [worth]}), (f"/values/0/{name}",)
    yield "no value", json_of({"values": [None, {}]}), ("/values/0", "/values/1/basis", "/values/1/amount")
    many = [{"basis": "paid", "amount": 1, "currency": "EUR"}] * 21
    yield "21 values", json_of({"values": many}), ("/values",)
    yield "values that are no list", json_of({"values": {}}), ("/values",)


def bodies_of_patches() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    # In a merge patch a null takes something away, so it is no fault there; an empty object changes nothing.
    for name, body, places in bodies_of_holdings():
        if name not in ("facts: a bare null", "facts: an empty object"):
            yield name, body, places


def bodies_of_candidates() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    for made in DEFINITIONS:
        body = {"definition": made.value, "holdings": [], "coins": [{}]}
        yield f"definition: {made.name}", json_of(body), under("/definition", made)
    for made in [*FACTS, *STRANGE_FACTS]:
        body = {"definition": a_set(), "holdings": [], "coins": [{"facts": made.value}]}
        yield f"facts: {made.name}", json_of(body), under("/coins/0/facts", made)
    for made in HOLDINGS:
        body = {"definition": a_set(), "holdings": made.value, "coins": [{}]}
        yield f"holdings: {made.name}", json_of(body), under("/holdings", made)
    for made in VOCABULARIES:
        body = {"definition": a_set(), "holdings": [], "vocabularies": made.value, "coins": [{}]}
        yield f"vocabularies: {made.name}", json_of(body), under("/vocabularies", made)


def bodies_of_allocations() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    for made in DEFINITIONS:
        sets = [{"definition": a_set()}, {"definition": made.value}]
        body = {"sets": sets, "mode": "jointly", "holdings": []}
        yield f"definition: {made.name}", json_of(body), under("/sets/1/definition", made)
    for made in HOLDINGS:
        sets = [{"definition": a_set()}, {"definition": a_rule("grade > 2")}]
        body = {"sets": sets, "mode": "in_order", "holdings": made.value}
        yield f"holdings: {made.name}", json_of(body), under("/holdings", made)
    for made in [*FACTS, *STRANGE_FACTS]:
        held = [{"id": "a", "facts": made.value}]
        body = {"sets": [{"definition": a_set()}], "mode": "in_order", "holdings": held}
        yield f"facts: {made.name}", json_of(body), under("/holdings/0/facts", made)
    for made in VOCABULARIES:
        body = {"sets": [{"definition": a_set()}], "mode": "jointly", "holdings": [], "vocabularies": made.value}
        yield f"vocabularies: {made.name}", json_of(body), under("/vocabularies", made)
    wrong: dict[str, list[Any]] = {
        "sets": [None, [], {}, 1, "x"],
        "mode": [None, "", "best", 1, []],
        "holdings": [None, {}, "yours", 1, "mine"],
    }
    sound = {"sets": [{"definition": a_set()}], "mode": "jointly", "holdings": []}
    for name, values in wrong.items():
        for number, value in enumerate(values):
            yield f"{name}: {number}", json_of({**sound, name: value}), (f"/{name}",)
    of_sets: dict[str, list[Any]] = {
        "definition": [None, 1, [], True, {"id": "x"}],
        "revision": [0, "1", 1.5, 2**31, 1],
        "exclusive": [None, 1, "yes"],
        "colour": ["red"],
    }
    for name, values in of_sets.items():
        for number, value in enumerate(values):
            sets = [{"definition": a_set(), name: value}]
            yield f"set, {name}: {number}", json_of({**sound, "sets": sets}), (f"/sets/0/{name}",)
    yield "101 sets", json_of({**sound, "sets": sound["sets"] * 101}), ("/sets",)


def bodies_of_pins() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    names: list[Any] = [
        *("stranger", "\U0001f600", "../x", "' OR 1=1", "x" * 200, "x" * 501),
        "",
        None,
        1,
        True,
        [],
        {},
    ]
    for member in ("pins", "nevers"):
        for number, name in enumerate(names):
            body = {member: [{"holding": name, "place": name}]}
            yield f"{member}: {number}", json_of(body), (f"/{member}/0/holding", f"/{member}/0/place")
        for value in (None, 1, "x", {}):
            yield f"{member}: {value}", json_of({member: value}), (f"/{member}",)


def bodies_of_want_notes() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    wrong: dict[str, list[Any]] = {
        "place": ["", None, 1, True, [], {}, "x" * 201],
        "min_grade": [0, 71, -1, 2**53, "40", 1.5, True, [], {}],
        "most_to_pay": [-1, "5", True, [], {}, 10**13],
        "currency": ["", "eur", "EURO", "E R", 5, True, [], {}],
        "note": ["", 5, True, [], {}, "x" * 501],
        "colour": ["red", None, 1],
    }
    for name, values in wrong.items():
        for number, value in enumerate(values):
            body = {"notes": [{"place": "worn", "most_to_pay": 1, "currency": "GBP", name: value}]}
            yield f"{name}: {number}", json_of(body), (f"/notes/0/{name}",)
    for value in (None, 1, "x", {}, True):
        yield f"notes: {value}", json_of({"notes": value}), ("/notes",)
    yield "a member that is none", json_of({"notez": []}), ("/notez",)
    yield "no currency", json_of({"notes": [{"place": "worn", "most_to_pay": 5}]}), ("/notes/0",)
    for name in ("stranger", "worn/1", "\U0001f600", "../x", "' OR 1=1"):
        yield f"no such place: {name}", json_of({"notes": [{"place": name}]}), ("/notes/0/place",)
    yield "twice", json_of({"notes": [{"place": "worn"}, {"place": "worn"}]}), ("/notes/1/place",)
    yield "too many", json_of({"notes": [{"place": "worn"}] * 2_001}), ("/notes",)


def bodies_of_notes() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    for number, day in enumerate(["", "2026-13-01", "2026-02-30", "26-01-01", "9999-01-01", 1, True, [], {}]):
        yield f"on: {number}", json_of({"on": day}), ("/on",)
    for number, revision in enumerate([0, -1, 2**31, "1", 1.5, True, [], {}]):
        yield f"revision: {number}", json_of({"revision": revision}), ("/revision",)
    yield "a member that is none", json_of({"no": 1}), ("/no",)


def bodies_of_exhibitions() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    shown = {"title": "x", "on": "2026-11-25"}
    wrong: dict[str, list[Any]] = {
        "title": ["", None, 1, [], "x" * 201],
        "on": ["", None, "2026-02-30", 1, []],
        "loans": [None, 1, "x", {}],
        "note": [1, [], "x" * 10_001],
        "revision": [0, "1", 2**31],
        "colour": ["red"],
    }
    for name, values in wrong.items():
        for number, value in enumerate(values):
            yield f"{name}: {number}", json_of({**shown, name: value}), (f"/{name}",)
    yield "too many loans", json_of({**shown, "loans": [{"owner": "A", "facts": {}}] * 2_001}), ("/loans",)
    of_loans: dict[str, list[Any]] = {
        "owner": ["", None, 1, "x" * 201],
        "label": ["", 1, "x" * 201],
        "facts": [None, 1, []],
        "issue": [1, [], {"one_of": []}, "no-such-issue"],
        "quantity": [0, 10_001, "1", None],
    }
    for name, values in of_loans.items():
        for number, value in enumerate(values):
            loan = {"owner": "A", "facts": {}, name: value}
            yield f"loan, {name}: {number}", json_of({**shown, "loans": [loan]}), (f"/loans/0/{name}",)
    for made in [*FACTS, *STRANGE_FACTS]:
        body = {**shown, "loans": [{"owner": "A", "facts": made.value}]}
        yield f"facts: {made.name}", json_of(body), under("/loans/0/facts", made)
    bad = [{"owner": "", "facts": {"grade": 99}}, {"facts": {"finess": 1}}]
    places = ("/title", "/loans/0/owner", "/loans/0/facts/grade", "/loans/1/owner", "/loans/1/facts/finess")
    yield "everything at once", json_of({"on": "2026-11-25", "loans": bad}), places


def bodies_of_issues() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    sound = {"label": "x", "source": "own observation", "edition": "2026"}
    for made in FACTS:
        yield f"facts: {made.name}", json_of({**sound, "facts": made.value}), under("/facts", made)
    wrong: dict[str, list[Any]] = {
        "label": ["", None, 1, [], "x" * 501],
        "source": ["", None, 1, {}, "x" * 501],
        "edition": ["", None, 1, True, "x" * 101],
        "look_alikes": [None, 1, "x", {}],
        "facts": [None, 1, "x", []],
        "colour": ["red"],
        "version": [1],
    }
    for name, values in wrong.items():
        for number, value in enumerate(values):
            yield f"{name}: {number}", json_of({**sound, name: value}), (f"/{name}",)
    for number, value in enumerate(["", None, 1, "a/b", "a;b", " a", "a" * 201, "../x", "\n"]):
        yield f"look-alike: {number}", json_of({**sound, "look_alikes": [value]}), ("/look_alikes/0",)
    bad = {"facts": {"grade": 99, "strike": "nonsense"}, "label": 1}
    yield "everything at once", json_of(bad), ("/facts/grade", "/facts/strike", "/label", "/source", "/edition")


def bodies_of_new_issues() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    yield from bodies_of_issues()
    sound = {"label": "x", "source": "own observation", "edition": "2026"}
    for number, value in enumerate(["", 1, [], True, "a/b", "a;b", " a", "a ", "-a", "a\tb", "a" * 201, ".."]):
        yield f"id: {number}", json_of({**sound, "id": value}), ("/id",)


def bodies_of_vocabularies() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    wrong: dict[str, list[Any]] = {
        "extends": [1, [], "", "no such vocabulary", "x" * 201],
        "label": [1, None, {}, "x" * 501],
        "source": [1, None, "x" * 501],
        "notice": [1, None, "x" * 10_001],
        "iri": [1, None, "x" * 501],
        "concepts": [None, 1, "x", {}],
        "colour": ["red"],
    }
    for name, values in wrong.items():
        for number, value in enumerate(values):
            yield f"{name}: {number}", json_of({"concepts": [{"id": "a"}], name: value}), (f"/{name}",)
    of_concept: dict[str, list[Any]] = {
        "id": ["", None, 1, [], "x" * 201],
        "label": [1, None, "x" * 501],
        "broader": [None, "x", {}],
        "alternative_labels": [None, "x"],
        "names": [None, "x", {}],
        "abbreviations": [None, "x"],
        "started": ["yesterday", 1, "2001-02-30"],
        "ended": ["never", True],
        "current": ["yes", 1],
        "matches": [None, "x"],
        "note": [1, "x" * 4_001],
        "colour": ["red"],
    }
    for name, values in of_concept.items():
        for number, value in enumerate(values):
            yield (
                f"concept, {name}: {number}",
                json_of({"concepts": [{"id": "a", name: value}]}),
                (f"/concepts/0/{name}",),
            )
    for number, value in enumerate([None, 1, "x", []]):
        yield f"concept: {number}", json_of({"concepts": [value]}), ("/concepts/0",)
    yield "no broader term", json_of({"concepts": [{"id": "a", "broader": ["b"]}]}), ("/concepts/0/broader/0",)
    yield "an id twice", json_of({"concepts": [{"id": "a"}, {"id": "a"}]}), ("/concepts/1/id",)
    yield (
        "a tag that is none",
        json_of({"concepts": [{"id": "a", "names": [{"text": "x", "language": "_"}]}]}),
        ("/concepts/0/names/0/language",),
    )
    bad = {"concepts": [{"id": 1}, {"label": 1, "id": "a"}], "extends": 1}
    yield "everything at once", json_of(bad), ("/concepts/0/id", "/concepts/1/label", "/extends")


def bodies_of_new_vocabularies() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    for what, body, places in bodies_of_vocabularies():
        yield what, json_of({"name": "words", **json.loads(body)}), places
    for number, value in enumerate(["", 1, [], None, "a/b", "a b", " a", "-a", "a" * 101, ".."]):
        yield f"name: {number}", json_of({"name": value, "concepts": []}), ("/name",)


def bodies_of_issue_imports() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    frame = {"source": "own observation", "edition": "2026"}
    for what, body, places in bodies_of_new_issues():
        issue = {"id": "a", **json.loads(body)}
        # Where a row says nothing of these, the whole speaks for it.
        if issue.get("source") is not None and issue.get("edition") is not None:
            yield what, json_of({**frame, "issues": [issue]}), tuple(f"/issues/0{place}" for place in places)
    rows = [{"id": "a", "label": "x"}]
    yield "an id twice", json_of({**frame, "issues": rows * 2}), ("/issues/1/id",)
    yield "a shipped id", json_of({**frame, "issues": [{"id": "euro-ad-0-01", "label": "x"}]}), ("/issues/0/id",)
    yield "every wrong type", json_of({**frame, "issues": [None, 1, "a", []]}), tuple(f"/issues/{n}" for n in range(4))
    yield "no id", json_of({**frame, "issues": [{"label": "x"}]}), ("/issues/0/id",)
    many = [{"id": str(n), "label": "x"} for n in range(5_001)]
    yield "5,001 issues", json_of({**frame, "issues": many}), ("/issues",)
    for name in ("source", "edition", "issues"):
        for number, value in enumerate((None, 1, {}, True)):
            yield f"{name}: {number}", json_of({**frame, "issues": rows, name: value}), (f"/{name}",)
    bad = {"issues": [{"id": "a", "facts": {"grade": 99}}]}
    yield "all together", json_of(bad), ("/source", "/edition", "/issues/0/label", "/issues/0/facts/grade")


def bodies_of_holding_imports() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    for what, body, places in bodies_of_holdings():
        yield what, json_of({"holdings": [{}, json.loads(body)]}), tuple(f"/holdings/1{place}" for place in places)
    row = {"number": "A-1"}
    yield "a number twice", json_of({"holdings": [row, row]}), ("/holdings/1/number",)
    yield "every wrong type", json_of({"holdings": [None, 1, "a", []]}), tuple(f"/holdings/{n}" for n in range(4))
    yield "a member that is none", json_of({"holdings": [{}, {"a/b~c": 1}]}), ("/holdings/1/a~1b~0c",)
    yield "20,001 holdings", json_of({"holdings": [{}] * 20_001}), ("/holdings",)
    for number, value in enumerate((None, 1, {}, True, "x")):
        yield f"holdings: {number}", json_of({"holdings": value}), ("/holdings",)
    mappings: list[tuple[Any, str]] = [
        (1, ""),
        (True, ""),
        ("x", ""),
        ([{"column": 1}] * 601, ""),
        ([None], "/0"),
        ([{}], "/0/field"),
        ([{"column": 0, "field": None}], "/0/column"),
        ([{"column": 2, "field": None}], "/0"),
        ([{"column": 1, "field": None}] * 2, "/1"),
        ({"number": 1}, "/number"),
        ({"number": ""}, "/number"),
        ({"number": "finess"}, "/number"),
        ({"x": "number"}, "/x"),
    ]
    for count, (value, place) in enumerate(mappings):
        yield f"mapping: {count}", json_of({"holdings": [row], "mapping": value}), (f"/mapping{place}",)
    bad = {"holdings": [{"id": "x", "status": "hold", "facts": {"grade": 99}, "Grade": 5}], "mapping": {"zz": None}}
    places = ("/mapping/zz", "/holdings/0/id", "/holdings/0/status", "/holdings/0/facts/grade")
    yield "all together", json_of(bad), places


def bodies_of_piece_checks() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    cent = "us-cent-1982-zinc"
    for made in [*FACTS, *STRANGE_FACTS]:
        yield f"measured: {made.name}", json_of({"issue": cent, "measured": made.value}), under("/measured", made)
        inline = {"issue": {"id": "i", "facts": made.value}, "measured": {}}
        yield f"issue: {made.name}", json_of(inline), under("/issue/facts", made)
        alike = {"issue": cent, "measured": {}, "look_alikes": [{"id": "i", "facts": made.value}]}
        yield f"look-alike: {made.name}", json_of(alike), under("/look_alikes/0/facts", made)
    wrong: dict[str, list[Any]] = {
        "issue": [None, 1, "", [], True, "x" * 201, "no-such-issue", "../x"],
        "look_alikes": [None, 1, "x", {}, True, ["x"] * 51],
        "measured": [None, 1, "x", [], True],
        "colour": ["red", None],
    }
    for name, values in wrong.items():
        for number, value in enumerate(values):
            yield f"{name}: {number}", json_of({"issue": cent, "measured": {}, name: value}), (f"/{name}",)
    for number, value in enumerate([None, 1, "", "x", [], {}, True]):
        yield f"holding: {number}", json_of({"issue": cent, "holding": value}), ("/holding",)
    listed = ["no-such-issue", None, {"id": "i"}, {"facts": {}}, {"id": "", "facts": {}}, {"id": cent, "facts": {}}]
    at = [f"/look_alikes/{place}" for place in ("0", "1", "2/facts", "3/id", "4/id", "5")]
    yield "look-alikes", json_of({"issue": cent, "measured": {}, "look_alikes": listed}), at
    yield "nothing measured", json_of({"issue": cent, "look_alikes": []}), ("/measured",)
    yield "no issue", json_of({"measured": {}}), ("/issue",)
    both = {"issue": {"id": 3, "facts": {"finess": 1}}, "measured": {"grade": 99}, "look_alikes": 3, "colour": "red"}
    places = ("/issue/id", "/issue/facts/finess", "/measured/grade", "/look_alikes", "/colour")
    yield "everything at once", json_of(both), places


def wrong_mutations() -> Iterator[tuple[Any, str]]:
    """Mutations of which one thing is wrong, and the place that their refusal names."""
    sound: dict[str, Any] = SYNC["mutations"][1]
    wrong: dict[str, list[Any]] = {
        "mutation_id": ["", None, 1, "x", "00000000-0000-0000-0000-000000000000", [], {}],
        "id": ["", None, 1, "x", [], {}],
        "op": ["", None, 1, "upsert", [], {}],
        "patch": [None, 1, "x", [], {"": 1}, {"x" * 121: 1}],
        "from": [None, 1, "x", [], {"grade": 1}, {"grade": ""}, {"grade": "x" * 4_001}],
        "writers": [1, "x", [], {"grade": None}, {"grade": 5}],
        "resolves": [None, 1, "x", {}, [1], [""], ["x" * 4_201]],
        "revive": [None, 1, "x", []],
        "edited_at": ["", None, 1, "yesterday", "2026-11-25", "2026-11-25T10:00:00", "2026-13-25T10:00:00Z", []],
        "colour": [1, None],
    }
    for name, values in wrong.items():
        for value in values:
            whole = not isinstance(value, dict | list) or name in ("mutation_id", "id", "op", "revive", "edited_at")
            within = "" if whole or value in ([], {}) else f"/{next(iter(value))}" if isinstance(value, dict) else "/0"
            # What is wrong in a patch is named by its place in the patch.
            place = within if name == "patch" and within else f"/{name}{within}"
            ids = {} if name == "mutation_id" else {"mutation_id": new_id()}
            yield {**sound, **ids, name: value}, place
    for value in (1, None, [], "x"):
        yield value, ""


def bodies_of_sync() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    """What is wrong with a batch as a whole; each mutation is judged by itself."""
    sound: dict[str, Any] = SYNC["mutations"][1]
    for value in (None, 1, "x", {}, True):
        yield f"mutations: {value}", json_of({"client_id": "x", "mutations": value}), ("/mutations",)
    for value in (None, 1, [], {}, "x" * 201):
        yield f"client: {value}", json_of({"client_id": value, "mutations": []}), ("/client_id",)
    for value in (1, [], "", "x", "5", "1.zz", f"01.{'0' * 32}", f"-1.{'0' * 32}", f"{'9' * 19}.{'0' * 32}"):
        yield f"state: {value}", json_of({"client_id": "x", "known_state": value}), ("/known_state",)
        yield f"if: {value}", json_of({"client_id": "x", "if_in_state": value}), ("/if_in_state",)
    yield "too many", json_of({"client_id": "x", "mutations": [sound] * 501}), ("/mutations",)


def bodies_of_presumptions() -> Iterator[tuple[str, bytes, Sequence[str]]]:
    for member in ("presume", "identify"):
        for number, value in enumerate((None, 1, "x", {}, True, [{"where": "TRUE", "facts": {}, "issues": []}] * 201)):
            yield f"{member}: {number}", json_of({member: value}), (f"/{member}",)
        for number, value in enumerate((None, 1, "x", [], True)):
            yield f"entry of {member}: {number}", json_of({member: [value]}), (f"/{member}/0",)
    facts = {"facts": {"fineness": 0.5}}
    wheres = ("", "fineness =", "fines = 1", "fineness = 'x'", 1, [], {}, {"op": "x", "args": []}, "(" * 40)
    for number, where in enumerate(wheres):
        yield f"where: {number}", json_of({"presume": [{"where": where, **facts}]}), ("/presume/0/where",)
        yield f"rule: {number}", json_of({"identify": [{"where": where}]}), ("/identify/0/where",)
    for number, value in enumerate((None, {"one_of": [0.5, 0.9]}, {"from": 0.5}, "x", [0.5], {}, 2)):
        body = {"presume": [{"facts": {"fineness": value}}, {"facts": {"fines": 1}}]}
        places = ("/presume/0/facts/fineness", "/presume/1/facts/fines")
        yield f"fact: {number}", json_of(body), places
    for number, value in enumerate((None, 1, [], "x")):
        yield f"facts: {number}", json_of({"presume": [{"facts": value}]}), ("/presume/0/facts",)
    for number, value in enumerate(([], "x", [1], [""], ["nowhere"], ["x"] * 1_001)):
        within = "/0" if value in (["nowhere"],) else ""
        body = {"identify": [{"where": "TRUE", "issues": value}]}
        yield f"issues: {number}", json_of(body), (f"/identify/0/issues{within}",)
    yield "no rule", json_of({"identify": [{}]}), ("/identify/0/where",)
    yield "more", json_of({"presume": [{**facts, "when": 1}], "presumptions": []}), ("/presume/0/when", "/presumptions")


NO_TEXT: list[Any] = [None, 1, True, [], {}, ""]
NO_NAME: list[Any] = [*NO_TEXT, "x" * 101, " x", "a\nb", "a\u2028b", "\x7f"]
NO_SECONDS: list[Any] = [0, -1, 1.5, "60", True, None, [], 2**53]
NO_ID: list[Any] = [*NO_TEXT, "x", "01939f6e00007000800000000000000b", "01939f6e-0000-7000-8000-00000000000"]
NO_FLAG: list[Any] = [None, 0, 1, "true", "", [], {}]
NO_ROLE: list[Any] = [*NO_TEXT, "owner", "STEWARD", "members"]
NO_NUMBER: list[Any] = [0, -1, 1.5, "1", True, [], {}, 2**31]
NO_NOTE: list[Any] = [1, True, [], {}, "x" * 2_001]
NO_SCOPES: list[Any] = [[], None, "read", ["READ"], ["read", 1], [["read"]], ["read"] * 5, {}]


def bodies_like(
    example: dict[str, Any], **wrong: list[Any]
) -> Callable[[], Iterator[tuple[str, bytes, Sequence[str]]]]:
    """The example with one member at a time that cannot be."""

    def bodies() -> Iterator[tuple[str, bytes, Sequence[str]]]:
        for member, values in wrong.items():
            for number, value in enumerate(values):
                within = member == "scopes" and isinstance(value, list) and 0 < len(value) < 5
                place = f"/{member}/{len(value) - 1}" if within else f"/{member}"
                yield f"{member}: {number}", json_of({**example, member: value}), (place,)
        yield "all at once", json_of({member: {"x": 1} for member in wrong}), tuple(f"/{member}" for member in wrong)

    return bodies


def under(prefix: str, made: Hostile) -> tuple[str, ...]:
    return tuple(prefix + place for place in made.places)


BODIES = {
    "evaluate": bodies_of_evaluations,
    "explain_holding": bodies_of_explanations,
    "check_definition": bodies_of_checks,
    "preview_definition": bodies_of_previews,
    "create_definition": bodies_of_definitions,
    "replace_draft": bodies_of_definitions,
    "create_holding": bodies_of_holdings,
    "change_holding": bodies_of_patches,
    "consider_candidates": bodies_of_candidates,
    "allocate_holdings": bodies_of_allocations,
    "replace_pins": bodies_of_pins,
    "replace_presumptions": bodies_of_presumptions,
    "replace_want_notes": bodies_of_want_notes,
    "sync_holdings": bodies_of_sync,
    "note_history": bodies_of_notes,
    "create_exhibition": bodies_of_exhibitions,
    "check_piece": bodies_of_piece_checks,
    "create_issue": bodies_of_new_issues,
    "replace_issue": bodies_of_issues,
    "import_issues": bodies_of_issue_imports,
    "create_vocabulary": bodies_of_new_vocabularies,
    "replace_vocabulary": bodies_of_vocabularies,
    "import_holdings": bodies_of_holding_imports,
    "invite": bodies_like(INVITATION, note=[1, True, [], {}, "x" * 201], expires_in_seconds=NO_SECONDS),
    "redeem_invitation": bodies_like(
        REDEMPTION,
        invitation=[*NO_TEXT, "x" * 201],
        name=[*NO_NAME, "a\u200bb", "\u202eb"],
        password=[*NO_TEXT, "x" * 11, "x" * 201],
    ),
    "reset_password": bodies_like(
        RESET,
        name=[*NO_TEXT, "x" * 101],
        reset=[*NO_TEXT, "x" * 201],
        password=[*NO_TEXT, "x" * 11, "x" * 201],
    ),
    "delete_account": bodies_like(DELETION, name=[*NO_TEXT, "x" * 101], password=[1, True, [], {}, ""]),
    "set_password": bodies_like(
        PASSWORD,
        old_password=[1, True, [], {}, ""],
        new_password=[*NO_TEXT, "x" * 11],
        revoke_other_tokens=[1, "x", {}],
    ),
    "log_in": bodies_like(
        LOG_IN,
        name=[*NO_TEXT, "x" * 101],
        password=[*NO_TEXT, "x" * 201],
        token_name=NO_NAME,
        scopes=NO_SCOPES,
        expires_in_seconds=NO_SECONDS,
    ),
    "decide_pairing": bodies_like(
        DECISION,
        user_code=[*NO_TEXT, "WDJB", "WDJB-MJHA", "WDJB-MJHTT", "\U0001f600", "x" * 41],
        approve=[None, 1, "true"],
        device_name=NO_NAME,
        scopes=NO_SCOPES,
    ),
    "fetch_device_token": bodies_like(
        POLL, grant_type=[*NO_TEXT, "password", "device_code"], device_code=[*NO_TEXT, "x" * 201]
    ),
    "rename_device": bodies_like({}, name=NO_NAME),
    "start_definition_import": bodies_of_definition_imports,
    "copy_definition": bodies_like(
        {},
        id=[1, True, [], {}, "", "x", "00000000-0000-0000-0000-000000000000"],
        revision=[0, -1, 1.5, "1", True, [], 2**31],
        title=[1, True, [], {}, "", "x" * 201],
    ),
    "pull_revision": bodies_like({}, revision=[*NO_NUMBER], keep=[*NO_TEXT, "both", "MINE"], base=[1]),
    "create_share": bodies_like(
        SHARE,
        definition=[*NO_TEXT, "x", "{01939f6e-0000-7000-8000-00000000000d}", "x" * 36],
        revision=[None, 0, -1, 1.5, "1", True, [], 2**31],
        name=[name for name in NO_NAME if name is not None],
        follows=[None, 1, "true", {}],
        expires_in_seconds=[seconds for seconds in NO_SECONDS if seconds is not None],
        most_uses=[0, -1, 1.5, "1", True, [], 2**31],
    ),
    "withdraw_revision": bodies_like({}, reason=[1, True, [], {}, "", "x" * 501], because=[1, None, "x"]),
    "adopt_revision": bodies_like({}, revision=[0, -1, 1.5, "1", True, [], {}, 2**31]),
    "create_club": bodies_like(CLUB, name=NO_NAME, note=NO_NOTE, own_name=[*NO_NAME, "a\u200bb"], colour=[1]),
    "change_club": bodies_like({}, name=NO_NAME, note=NO_NOTE, owner=[1]),
    "change_member": bodies_like({}, role=NO_ROLE, names=["x"]),
    "invite_to_club": bodies_like(
        CLUB_INVITATION, role=NO_ROLE, note=[1, True, [], {}, "x" * 201], expires_in_seconds=NO_SECONDS
    ),
    "join_club": bodies_like(JOIN, invitation=[*NO_TEXT, "x" * 201], name=[*NO_NAME, "a\u200bb"]),
    "offer_definition": bodies_like(OFFER, definition_id=NO_ID, revision=NO_NUMBER, note=NO_NOTE),
    "offer_revision": bodies_like(OFFER, definition_id=NO_ID, revision=NO_NUMBER, note=NO_NOTE),
    "take_offer": bodies_like({}, revision=NO_NUMBER, number=[1]),
    "propose_swap": bodies_like(SWAP_PROPOSAL, definition_id=NO_ID, swap=[*NO_TEXT, "x" * 65], legs=[[]]),
    "answer_swap": bodies_like(SWAP_ANSWER, accepts=NO_FLAG, reason=["x"]),
    "set_consent": bodies_like(
        {"standing": True, "spares": True},
        standing=NO_FLAG,
        spares=NO_FLAG,
        display=NO_FLAG,
        photos=NO_FLAG,
        all=[True],
    ),
}
# What is wrong for one of them is wrong for the others, and is told in the same places.
OF_DEFINITIONS = {"create_definition", "replace_draft", "start_definition_import"}
# In whose bodies of others a wrong definition is nothing to refuse.
TOLD_OF_DEFINITIONS = {"check_definition": OF_DEFINITIONS, "preview_definition": {*OF_DEFINITIONS, "evaluate"}}
WITH_BODY = {
    declared["operationId"]: (method, path, list(declared["requestBody"]["content"]))
    for method, path, declared in operations()
    # A body of bytes has no places that could be told: hostile_images.
    if "requestBody" in declared and not declared["requestBody"]["content"].keys() & set(PHOTOS)
}


async def kept(service: Running, owner: dict[str, str], path: str) -> str:
    """The path with the id of something that is kept."""
    if "{club_id}" in path:
        club = await clubhouse.founded(service, owner)
        path = path.replace("/v1/clubs/{club_id}", club.address)
        path = path.replace("{member_id}", club.id_of(owner))
        if "{swap_id}" in path:
            # The owner is to have no coins of it; what is wrong with a body comes before whether there is such a swap.
            swap = await club.proposed(await club.newcomer(), await club.newcomer(), await club.offered())
            path = path.replace(f"{club.address}/swaps/{{swap_id}}", swap)
        return path.replace("/definitions/{id}", await club.offered()) if "{id}" in path else path
    if path == "/v1/vocabularies/{name}":
        words = {"name": "words", "concepts": []}
        answer = await service.client.post("/v1/vocabularies", json=words, headers=owner)
        assert answer.status_code in (201, 409)
        return "/v1/vocabularies/words"
    if "{id}" not in path:
        return path
    if path.startswith("/v1/devices"):
        return path.replace("{id}", (await doors.paired(service, owner))[1])
    if path.startswith("/v1/holdings"):
        made = await service.client.post("/v1/holdings", json={}, headers=owner)
    elif path.startswith("/v1/issues"):
        made = await service.client.post("/v1/issues", json=ISSUE, headers=owner)
    else:
        made = await service.client.post("/v1/definitions", json={"document": DOCUMENT}, headers=owner)
    return path.replace("{id}", made.json()["id"]).replace("{number}", "1")


def refused(answer: httpx.Response, body: bytes, told: object) -> dict[str, Any]:
    """The problem document of a refusal, held against its schema; every pointer leads to something in the body, or to
    a member that is missing there."""
    assert 400 <= answer.status_code < 500, (told, answer.status_code, answer.text[:300])
    assert answer.headers["content-type"] == "application/problem+json", told
    problem: dict[str, Any] = answer.json()
    schema_of_problems().validate(problem)
    assert problem["status"] == answer.status_code
    assert answer.status_code in (400, 422), (told, problem)
    assert problem["errors"], told
    try:
        sent = json.loads(body)
    except (ValueError, RecursionError):
        return problem
    for fault in problem["errors"]:
        assert fault["message"], told
        here: Any = sent
        *steps, last = fault["pointer"].split("/")[1:] or [None]
        for step in steps:
            here = here[int(step)] if isinstance(here, list) else here[unescaped(step)]
        if isinstance(here, list) and last is not None:
            assert int(last) < len(here), (told, fault)
        else:
            assert last is None or isinstance(here, dict), (told, fault)
    return problem


NOISE = Image.effect_noise((200, 200), 90).convert("RGB")


def hostile_images() -> dict[str, tuple[str, bytes, str]]:
    """By name: the declared type, the bytes, the code of the fault."""
    return {
        "nothing": (PNG, b"", "wrong-type"),
        "JSON": (JPEG, b'{"a": 1}', "wrong-type"),
        "a script in a picture's clothes": (PNG, b"GIF89a/*\1\0\1\0*/=1;alert(1)", "wrong-type"),
        "a drawing with a script": (PNG, b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>", "wrong-type"),
        "an archive": (JPEG, b"PK\x03\x04" + bytes(100), "wrong-type"),
        "another type": (PNG, picture(JPEG), "wrong-type"),
        "another type still": (JPEG, picture(WEBP), "wrong-type"),
        "magic bytes alone": (JPEG, b"\xff\xd8\xff", "unreadable-image"),
        "a polyglot without a picture": (JPEG, b"\xff\xd8\xff/*<script>alert(1)</script>*/", "unreadable-image"),
        "a truncated JPEG": (JPEG, picture(JPEG, NOISE)[:-2000], "unreadable-image"),
        "a truncated PNG": (PNG, picture(PNG, NOISE)[:-2000], "unreadable-image"),
        "a truncated WebP": (WEBP, picture(WEBP, NOISE)[:-2000], "unreadable-image"),
        "60,000 by 60,000 of a PNG": (PNG, png_of(60_000, 60_000), "over-limit"),
        "60,000 by 60,000 of a JPEG": (JPEG, jpeg_of(60_000, 60_000), "over-limit"),
        "60,000 by 60,000 of a WebP": (WEBP, webp_of(60_000, 60_000), "over-limit"),
        "2^31 - 1 by 2^31 - 1": (PNG, png_of(2**31 - 1, 2**31 - 1), "over-limit"),
        "no pixels": (PNG, png_of(0, 0), "unreadable-image"),
        "no lines": (JPEG, jpeg_of(100, 0), "unreadable-image"),
        "a moving PNG": (PNG, picture(PNG, save_all=True, append_images=[NOISE.resize((64, 48))]), "animated"),
        "a moving WebP": (WEBP, picture(WEBP, save_all=True, append_images=[NOISE.resize((64, 48))]), "animated"),
        "a text that unfolds": (
            PNG,
            png_of(1, 1, chunk(b"zTXt", b"a\0\0" + zlib.compress(bytes(80_000_000)))),
            "unreadable-image",
        ),
    }


STRANGE_IMAGES: dict[str, tuple[str, bytes]] = {
    "CMYK": (JPEG, picture(JPEG, NOISE.convert("CMYK"))),
    "16 bits": (PNG, picture(PNG, Image.new("I;16", (30, 30), 40_000))),
    "one bit": (PNG, picture(PNG, NOISE.convert("1"))),
    "one pixel": (PNG, picture(PNG, Image.new("P", (1, 1)))),
    "a picture and a script": (JPEG, picture(JPEG) + b"<script>canary</script>PK\x03\x04"),
}


@pytest.mark.filterwarnings("ignore::UserWarning:PIL")
async def test_every_hostile_image_is_refused_and_leaves_nothing(service: Running, tmp_path: Path) -> None:
    owner = service.collector()
    where = (await kept(service, owner, "/v1/holdings/{id}")) + "/photos"
    for what, (kind, body, code) in hostile_images().items():
        headers = {**owner, "Content-Type": kind}
        answer = await service.client.post(f"{where}?side=obverse", content=body, headers=headers)
        problem = refused(answer, body, what)
        assert answer.status_code == 422, what
        assert [(fault["code"], fault["pointer"]) for fault in problem["errors"]] == [(code, "")], what
    assert (await service.client.get(where, headers=owner)).json()["items"] == []
    assert not (tmp_path / "photos").exists()
    assert (await service.client.get("/health/live")).status_code == 200


async def test_strange_images_are_photos_like_any_other(service: Running) -> None:
    owner = service.collector()
    where = (await kept(service, owner, "/v1/holdings/{id}")) + "/photos"
    for what, (kind, body) in STRANGE_IMAGES.items():
        headers = {**owner, "Content-Type": kind}
        answer = await service.client.post(f"{where}?side=reverse", content=body, headers=headers)
        assert answer.status_code == 201, (what, answer.text)
        for size in ("full", "640", "160"):
            image = await service.client.get(f"{answer.json()['image']}?size={size}", headers=owner)
            assert (image.status_code, image.headers["content-type"]) == (200, kind), what
            assert image.headers["x-content-type-options"] == "nosniff"
            assert b"canary" not in image.content
            assert Image.open(io.BytesIO(image.content)).size[0] > 0


def unescaped(step: str) -> str:
    text = step.replace("~1", "/").replace("~0", "~")
    assert pointer_step(text) == step
    return text


@cache
def schema_of_problems() -> Draft202012Validator:
    return validator(openapi_document(), {"$ref": "#/components/schemas/ProblemOut"})


def test_the_corpus_covers_every_operation_that_takes_a_body() -> None:
    assert set(BODIES) == set(WITH_BODY)
    assert len(RAW) + len(YAML) >= 60
    for bodies in BODIES.values():
        made = list(bodies())
        assert len(RAW) + len(made) >= 55
        assert len({body for _, body, _ in made}) == len(made)
        assert all(places for _, _, places in made)


# Bodies are read in one place, before the operation: one operation for each set of media types is sent all that cannot be
# read, every other a share that shifts from one to the next.
HOSTILE = "hostile bodies for every operation"
ANSWERED = "{count} bodies, 0 answered by a 5xx, statuses equal on both engines"
REPRESENTATIVES = set({tuple(kinds): name for name, (_, _, kinds) in sorted(WITH_BODY.items())}.values())


def raw_for(name: str, raw: Mapping[str, bytes]) -> dict[str, bytes]:
    if name in REPRESENTATIVES:
        return dict(raw)
    return dict(islice(raw.items(), sorted(WITH_BODY).index(name) % RAW_SHARES, None, RAW_SHARES))


@pytest.mark.parametrize("name", WITH_BODY)
async def test_every_hostile_body_is_refused_and_the_service_goes_on(
    service: Running, name: str, promise: Promise
) -> None:
    method, template, kinds = WITH_BODY[name]
    statuses = {}
    owner = service.collector(is_admin=True)
    path = await kept(service, owner, template)
    sent = 0
    for kind in kinds:
        # What was meant as YAML is no JSON.
        raw = {**RAW, **{name if "yaml" in kind else f"YAML: {name}": body for name, body in YAML.items()}}
        for what, body in raw_for(name, raw).items():
            headers = {**owner, "Content-Type": kind, "If-Match": "*"}
            answer = await service.client.request(method, path, content=body, headers=headers)
            refused(answer, body, (name, kind, what))
            statuses[f"{name}, {kind}, {what}"] = str(answer.status_code)
            sent += 1
        alive = await service.client.get("/health/live")
        assert (alive.status_code, alive.json()) == (200, {"status": "up"})
    assert sent >= (60 if name in REPRESENTATIVES else 60 // RAW_SHARES) * len(kinds)
    listed = [
        (await service.client.get(f"/v1/{what}", headers=owner)).json()["items"]
        for what in ("holdings", "definitions", "issues?private=true")
    ]
    # Of a club the path needs the definition that it offers.
    left = ("{id}" in template or "{swap_id}" in template) and "/devices/" not in template
    assert sum(map(len, listed)) == left, "a refused body left something behind"
    promise(6, HOSTILE, kept=ANSWERED, count=sent, same=statuses)


async def test_a_reader_that_trusts_what_it_is_sent_is_seen(
    service: Running, monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    # The control of the test above: JSON as the standard library reads it.
    monkeypatch.setattr("service.http.request_body.parse_json", json.loads)
    owner = {**service.collector(is_admin=True), "Content-Type": "application/json", "If-Match": "*"}
    seen = []
    for name, (method, template, kinds) in sorted(WITH_BODY.items()):
        if "application/json" not in kinds:
            continue
        path = await kept(service, owner, template)
        for what, body in raw_for(name, RAW).items():
            answer = await service.client.request(method, path, content=body, headers=owner)
            seen += [(name, what)] * (answer.status_code >= 500)
    assert seen
    promise(6, HOSTILE, control=f"JSON as the standard library reads it: {len(seen)} answered by a 5xx")


@pytest.mark.parametrize("name", WITH_BODY)
async def test_every_fault_of_sense_is_told_with_its_place(service: Running, name: str, promise: Promise) -> None:
    method, template, kinds = WITH_BODY[name]
    statuses = {}
    owner = service.collector(is_admin=True)
    path = await kept(service, owner, template)
    headers = {**owner, "Content-Type": kinds[0], "If-Match": "*"}
    wrong = []
    for what, body, places in BODIES[name]():
        answer = await service.client.request(method, path, content=body, headers=headers)
        problem = refused(answer, body, (name, what))
        statuses[f"{name}, {what}"] = str(answer.status_code)
        found = [fault["pointer"] for fault in problem["errors"]]
        if answer.status_code != 422 or not set(places) <= set(found):
            wrong.append((what, places, answer.status_code, found))
    assert wrong == []
    assert (await service.client.get("/health/live")).status_code == 200
    promise(6, HOSTILE, kept=ANSWERED, count=len(statuses), same=statuses)


async def test_every_wrong_mutation_is_rejected_with_its_place_and_the_sound_one_is_done(service: Running) -> None:
    owner = service.collector()
    wrong = list(wrong_mutations())
    body = {"client_id": "x", "mutations": [*(mutation for mutation, _ in wrong), SYNC["mutations"][0]]}
    answer = await service.client.post("/v1/holdings/sync", json=body, headers=owner)
    assert answer.status_code == 200, answer.text
    *refused, done = answer.json()["responses"]
    assert done["status"] == "applied"
    for (mutation, place), response in zip(wrong, refused, strict=True):
        assert response["status"] == "rejected", (mutation, response)
        assert place in response["error"]["pointers"], (mutation, response)
        unknown = isinstance(mutation, dict) and ("colour" in mutation or mutation["op"] in ("", "upsert"))
        assert response["error"]["type"] == ("unsupported" if unknown else "invalid"), (mutation, response)


@pytest.mark.parametrize("name", WITH_BODY)
async def test_a_body_that_hurts_elsewhere_is_refused_here(service: Running, name: str) -> None:
    """Every operation is sent a share of what was made for the others; all operations together get all of it."""
    method, template, kinds = WITH_BODY[name]
    owner = service.collector(is_admin=True)
    path = await kept(service, owner, template)
    for other, bodies in BODIES.items():
        if other in (name, "change_holding") or {name, other} <= OF_DEFINITIONS:
            continue
        if {name, other} <= {"create_holding", "change_holding"}:
            continue
        share = islice(bodies(), sorted(WITH_BODY).index(name) % SHARES, None, SHARES)
        # In turn as each of the media types.
        for (what, body, _), kind in zip(share, cycle(kinds), strict=False):
            headers = {**owner, "Content-Type": kind, "If-Match": "*"}
            answer = await service.client.request(method, path, content=body, headers=headers)
            if other in TOLD_OF_DEFINITIONS.get(name, ()) and answer.status_code == 200:
                # What is wrong with a definition is what its check answers.
                assert answer.json()["counts"]["error"] > 0, (other, what)
                continue
            refused(answer, body, (name, kind, other, what))


@pytest.mark.parametrize(
    ("what", "body", "places"),
    [pytest.param(*case, id=case[0]) for case in bodies_of_evaluations()],
)
async def test_an_evaluation_names_exactly_the_places_that_are_wrong(
    service: Running, what: str, body: bytes, places: Sequence[str]
) -> None:
    answer = await service.client.post("/v1/evaluations", content=body, headers={"Content-Type": "application/json"})
    assert sorted(fault["pointer"] for fault in refused(answer, body, what)["errors"]) == sorted(places)


def pointers(answer: httpx.Response) -> list[str]:
    assert answer.status_code == 422, answer.text
    return sorted(fault["pointer"] for fault in answer.json()["errors"])


FAULTY = a_set(
    title=3,
    slots=[{"id": "a"}, slot(id="b", accepts="finess = 1"), slot(id="b", accepts="grade >")],
    prefer=[{"highest": "colour_of_sky"}],
)
FAULTS_OF_IT = [
    "/prefer/0/highest",
    "/slots/0/accepts",
    "/slots/1/accepts",
    "/slots/2/accepts",
    "/slots/2/id",
    "/title",
]


async def test_faults_of_shape_and_sense_and_of_the_holdings_are_told_at_once(service: Running) -> None:
    body = {
        "definition": FAULTY,
        "holdings": [{"id": "h", "facts": {"finess": 1, "grade": 99}}, {"id": "h"}, None],
        "issues": [{"id": "i", "facts": {"strike": "nonsense"}}],
    }
    expected = sorted(
        [f"/definition{place}" for place in FAULTS_OF_IT]
        + ["/holdings/0/facts/finess", "/holdings/0/facts/grade", "/holdings/1/id", "/holdings/2"]
        + ["/issues/0/facts/strike"]
    )
    assert pointers(await service.client.post("/v1/evaluations", json=body)) == expected
    # And with the form of the body itself, too.
    body |= {"budget_seconds": 0, "today": "tomorrow", "pins": [{"holding": "h"}]}
    outside = ["/budget_seconds", "/today", "/pins/0/place"]
    assert pointers(await service.client.post("/v1/evaluations", json=body)) == sorted(expected + outside)


async def test_the_faults_of_an_explanation_are_told_at_once(service: Running) -> None:
    body = {"definition": FAULTY, "holding": {"id": "h", "facts": {"finess": 1}}, "today": "tomorrow"}
    expected = [*(f"/definition{place}" for place in FAULTS_OF_IT), "/holding/facts/finess", "/today"]
    assert pointers(await service.client.post("/v1/explanations", json=body)) == sorted(expected)


async def test_the_faults_of_vocabularies_and_of_facts_are_told_at_once(service: Running) -> None:
    body = {
        "definition": a_set(),
        "vocabularies": [*concepts(("a", ["a"]), ("b", ["z"])), *concepts()],
        "holdings": [{"id": "h", "facts": {"grade": 99}}],
    }
    found = pointers(await service.client.post("/v1/evaluations", json=body))
    assert {"/vocabularies/0/concepts/1/broader/0", "/vocabularies/1/name", "/holdings/0/facts/grade"} <= set(found)


async def test_facts_are_judged_by_what_a_faulty_definition_declares(service: Running) -> None:
    own = [{"name": "shelf", "type": "integer"}]
    body = {
        "definition": {**FAULTY, "attributes": own},
        "holdings": [{"id": "h", "facts": {"shelf": 3}}, {"id": "i", "facts": {"shelf": "top"}}],
    }
    expected = [*(f"/definition{place}" for place in FAULTS_OF_IT), "/holdings/1/facts/shelf"]
    assert pointers(await service.client.post("/v1/evaluations", json=body)) == sorted(expected)
    # What is declared wrongly says nothing of the facts.
    body["definition"] = {**FAULTY, "attributes": [{"name": "shelf", "type": "colour"}]}
    found = pointers(await service.client.post("/v1/evaluations", json=body))
    assert "/definition/attributes/0/type" in found
    assert all(place.startswith("/definition/") for place in found)


@pytest.mark.parametrize("kind", ["application/json", "application/yaml"])
async def test_the_faults_of_a_kept_definition_are_told_at_once(service: Running, kind: str) -> None:
    document: Any = FAULTY if "yaml" in kind else {"document": FAULTY, "shelf": 1}
    headers = {**service.collector(), "Content-Type": kind}
    answer = await service.client.post("/v1/definitions", content=json_of(document), headers=headers)
    if "yaml" in kind:
        assert pointers(answer) == FAULTS_OF_IT
    else:
        assert pointers(answer) == sorted([*(f"/document{place}" for place in FAULTS_OF_IT), "/shelf"])


async def test_the_faults_of_a_kept_holding_are_told_at_once(service: Running) -> None:
    body = {"facts": {"grade": 99, "strike": "nonsense"}, "quantity": 0, "status": "eaten", "shelf": 1}
    answer = await service.client.post("/v1/holdings", json=body, headers=service.collector())
    assert pointers(answer) == ["/facts/grade", "/facts/strike", "/quantity", "/shelf", "/status"]
