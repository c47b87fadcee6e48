"""The definition document: every fault found at once with its pointer, identity, JSON Schema, YAML without its traps."""

from __future__ import annotations

import hashlib
import json
import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
import rfc8785

from service.errors import Invalid
from service.rules import document
from service.rules.definition import MOST_PLACES
from service.rules.yaml_text import load_yaml
from tests.factories import a_document, exact_json
from tests.strategies import VOCABULARIES

FOLDER = Path(__file__).parent.parent.parent / "set_definitions"


def faults_of(written: Any) -> dict[str, tuple[str, str]]:
    """pointer -> (code, message and hint)"""
    with pytest.raises(Invalid) as refusal:
        document.read_definition(written, vocabularies=VOCABULARIES)
    return {fault.pointer: (fault.code, f"{fault.message} {fault.hint or ''}") for fault in refusal.value.faults}


def test_a_rule_may_name_one_place_of_a_free_choice_and_no_more_than_there_are() -> None:
    def named(*places: str) -> dict[str, Any]:
        chosen = [{"id": "three", "places": 3, "accepts": "TRUE"}]
        rule = {"id": "c", "kind": "same", "by": ["mint"], "places": list(places)}
        return a_document({"a": "TRUE"}, free_choice=chosen, constraints=[rule])

    document.read_definition(named("three", "three/1", "three/3"), vocabularies=VOCABULARIES)
    found = faults_of(named("three/1", "three/0", "three/4", "three/x", "three/"))
    assert sorted(found) == [f"/constraints/0/places/{at}" for at in range(1, 5)]
    assert {code for code, _ in found.values()} == {"unknown-place"}
    assert "'three' has 3" in found["/constraints/0/places/2"][1]


def keyed(attribute: Any, *, values: Any = None, places: Any = None, **more: Any) -> dict[str, Any]:
    """A document with one group, `x`."""
    keys = {"from": "holdings"} if values is None else {"from": "list", "values": values}
    rules = [{"id": "r", "kind": "different", "by": ["mint"], "places": places}] if places else []
    return a_document(one_per=[{"id": "x", "attribute": attribute, "keys": keys, **more}], constraints=rules)


def one_per(**keys: Any) -> dict[str, Any]:
    return a_document(one_per=[{"id": "animals", "attribute": "species", "keys": keys}])


def constraint(**parts: Any) -> dict[str, Any]:
    return a_document({"a": "TRUE", "b": "TRUE"}, constraints=[{"id": "rule", **parts}])


@pytest.mark.parametrize(
    ("written", "pointer", "code", "words"),
    [
        (a_document({"a": "finess > 0.5"}), "/slots/0/accepts", "unknown-attribute", "did you mean 'fineness'?"),
        (
            a_document({"a": "denomination = crown"}),
            "/slots/0/accepts",
            "unknown-attribute",
            "in single quotes: 'crown'",
        ),
        (a_document({"a": "year_on_coin = 'old'"}), "/slots/0/accepts", "type", "without quotes"),
        (a_document({"a": "year_on_coin = 'old'"}), "/slots/0/accepts", "type", "and 'old' is a text"),
        (a_document({"a": "mint > 5"}), "/slots/0/accepts", "type", "quotes around a text"),
        (a_document({"a": "strike = 'prof'"}), "/slots/0/accepts", "value", "did you mean 'proof'?"),
        (a_document({"a": "narrower(species, 'brid')"}), "/slots/0/accepts", "unknown-term", "did you mean 'bird'?"),
        (a_document({"a": "narrower(mint, 'bird')"}), "/slots/0/accepts", "type", "with a vocabulary"),
        (a_document({"a": "cuont(traits) = 1"}), "/slots/0/accepts", "unknown-function", "did you mean 'count'?"),
        (a_document({"a": "problems = 'holed'"}), "/slots/0/accepts", "type", "a_contains(problems"),
        (a_document({"a": "count(mint) = 1"}), "/slots/0/accepts", "type", "has one"),
        (
            a_document({"a": {"op": "=", "args": [{"property": "mnt"}, "x"]}}),
            "/slots/0/accepts/args/0",
            "unknown-attribute",
            "'mint'",
        ),
        (a_document({"a": "TRUE"}, scope="grad > 3"), "/scope", "unknown-attribute", "did you mean 'grade'?"),
        (a_document({"a": "TRUE"}, prefer=[{"highest": "grad"}]), "/prefer/0/highest", "unknown-attribute", "'grade'"),
        (a_document({"a": "TRUE"}, prefer=[{"highest": "mint"}]), "/prefer/0/highest", "type", "a number or a date"),
        (
            a_document({"a": "TRUE"}, prefer=[{"order": "grade", "values": ["x"]}]),
            "/prefer/0/order",
            "type",
            "one value",
        ),
        (
            a_document({"a": "TRUE"}, prefer=[{"order": "strike"}]),
            "/prefer/0",
            "preference",
            "`order` with its `values`",
        ),
        (
            a_document({"a": "TRUE"}, prefer=[{"highest": "grade", "lowest": "grade"}]),
            "/prefer/0",
            "preference",
            "one of",
        ),
        (
            a_document(slots=None, free_choice=[{"id": "a", "places": 1, "accepts": "TRUE", "distinct": ["mnt"]}]),
            "/free_choice/0/distinct/0",
            "unknown-attribute",
            "'mint'",
        ),
        (
            a_document(free_choice=[{"id": "a", "places": 1, "accepts": "TRUE", "at_most": [{"count": 1}]}]),
            "/free_choice/0/at_most/0",
            "constraint",
            "either",
        ),
        (one_per(**{"from": "list"}), "/one_per/0/keys/values", "keys", "need `values`"),
        (one_per(**{"from": "list", "values": []}), "/one_per/0/keys/values", "keys", "at least one"),
        (one_per(**{"from": "list", "values": ["owl", "owl"]}), "/one_per/0/keys/values", "keys", "each key once"),
        (one_per(**{"from": "holdings", "level": "narrowest"}), "/one_per/0/keys/level", "keys", "have no `level`"),
        (
            one_per(**{"from": "vocabulary", "name": "motif"}),
            "/one_per/0/keys/name",
            "unknown-vocabulary",
            "did you mean 'motifs'?",
        ),
        (
            one_per(**{"from": "vocabulary", "name": "motifs", "level": {"children_of": "brid"}}),
            "/one_per/0/keys/level/children_of",
            "unknown-term",
            "'bird'",
        ),
        (keyed("fineness", band=0), "/one_per/0/band", "shape", "greater than 0"),
        (keyed("mint", band=10), "/one_per/0/band", "type", "cuts a number"),
        (keyed("year_on_coin", band=Decimal("0.5")), "/one_per/0/band", "type", "whole"),
        (keyed("mint", bands=[{"key": "a", "from": 1}]), "/one_per/0/bands", "type", "number or date"),
        (keyed("year_on_coin", bands=[{"key": "a"}]), "/one_per/0/bands/0", "keys", "`from`"),
        (keyed("year_on_coin", bands=[{"key": "a", "from": "x"}]), "/one_per/0/bands/0/from", "type", "a number"),
        (keyed("year_on_coin", bands=[{"key": "a", "from": 9, "to": 1}]), "/one_per/0/bands/0", "reversed-range", "9"),
        (keyed("year_on_coin", band=10, bands=[{"key": "a", "to": 1}]), "/one_per/0/bands", "keys", "not by both"),
        (
            keyed("year_on_coin", bands=[{"key": "a", "to": 1}, {"key": "a", "from": 1}]),
            "/one_per/0/bands",
            "keys",
            "a key of its own",
        ),
        (keyed("year_on_coin", values=["1900"]), "/one_per/0/keys/values/0", "type", "a number"),
        (keyed("year_on_coin", band=10, values=[1893]), "/one_per/0/keys/values/0", "keys", "1890"),
        (
            keyed("year_on_coin", bands=[{"key": "early", "to": 1899}], values=["erly"]),
            "/one_per/0/keys/values/0",
            "keys",
            "did you mean 'early'?",
        ),
        (keyed("hue", values=["redd"]), "/one_per/0/keys/values/0", "value", "'red'"),
        (keyed("mint", values=[["Tower", 1]]), "/one_per/0/keys/values/0", "keys", "one value"),
        (keyed(["mint", "restrike"], values=["Tower"]), "/one_per/0/keys/values/0", "keys", "2 values"),
        (keyed(["mint", "restrike"], values=[["Tower", 1]]), "/one_per/0/keys/values/0/1", "type", "true or false"),
        (keyed(["mint", "mint"]), "/one_per/0/attribute", "keys", "once"),
        (keyed(["mint", "mnt"]), "/one_per/0/attribute/1", "unknown-attribute", "'mint'"),
        (keyed([{"attribute": "mnt"}, "mint"]), "/one_per/0/attribute/0/attribute", "unknown-attribute", "'mint'"),
        (keyed(["year_on_coin", "mint"], band=10), "/one_per/0/band", "keys", "beside the one"),
        (
            a_document(
                one_per=[{"id": "x", "attribute": ["mint", "hue"], "keys": {"from": "vocabulary", "name": "motifs"}}]
            ),
            "/one_per/0/keys/from",
            "keys",
            "one attribute",
        ),
        (
            keyed("year_on_coin", band=10, values=[1890], places=["x/1900"]),
            "/constraints/0/places/0",
            "unknown-place",
            "no key of 'x'",
        ),
        (keyed("mint", places=["x/a/b"]), "/constraints/0/places/0", "unknown-place", "no key of 'x'"),
        (one_per(**{"from": "shelf"}), "/one_per/0/keys/from", "shape", "holdings"),
        (constraint(kind="same", by=["mnt"]), "/constraints/0/by/0", "unknown-attribute", "'mint'"),
        (constraint(kind="same", by=["mint"], places=["a", "c"]), "/constraints/0/places/1", "unknown-place", "'c'"),
        (constraint(kind="same", by=["mint"], places=["a/1"]), "/constraints/0/places/0", "unknown-place", "'a/1'"),
        (constraint(kind="same"), "/constraints/0", "constraint", "`by`"),
        (constraint(kind="at_most", per=["mint"]), "/constraints/0", "constraint", "`count`"),
        (constraint(kind="at_most", per=["mint"], where="TRUE", count=1), "/constraints/0", "constraint", "or"),
        (constraint(kind="not_elsewhere", by=["mint"]), "/constraints/0/places", "constraint", "needs `places`"),
        (constraint(kind="alike", by=["mint"]), "/constraints/0/kind", "shape", "same"),
        (constraint(id="a", kind="same", by=["mint"]), "/constraints/0/id", "clashing-id", "unique"),
        (
            a_document({"a": "TRUE"}, layout=[{"page": "one", "slots": ["a", "bb"]}]),
            "/layout/0/slots/1",
            "unknown-place",
            "'bb'",
        ),
        (
            a_document({"a": "TRUE"}, free_choice=[{"id": "a", "places": 1, "accepts": "TRUE"}]),
            "/free_choice/0/id",
            "clashing-id",
            "two places",
        ),
        (
            a_document({"a": "TRUE"}, attributes=[{"name": "x", "type": "text"}, {"name": "x", "type": "text"}]),
            "/attributes/1/name",
            "clashing-id",
            "twice",
        ),
        (
            a_document({"a": "TRUE"}, attributes=[{"name": "grade", "type": "text"}]),
            "/attributes/0/type",
            "clashing-attribute",
            "core",
        ),
        (
            a_document({"a": "TRUE"}, attributes=[{"name": "x", "type": "integer", "many": True}]),
            "/attributes/0/many",
            "type",
            "only texts",
        ),
        (
            a_document({"a": "TRUE"}, attributes=[{"name": "x", "type": "text", "vocabulary": "motifz"}]),
            "/attributes/0/vocabulary",
            "unknown-vocabulary",
            "'motifs'",
        ),
        (a_document(), "", "empty", "no place"),
        (
            a_document(
                free_choice=[
                    {"id": "a", "places": 1_500, "accepts": "TRUE"},
                    {"id": "b", "places": 501, "accepts": "TRUE"},
                ]
            ),
            "",
            "over-limit",
            f"{MOST_PLACES}",
        ),
        ({**a_document({"a": "TRUE"}), "colour": "red"}, "/colour", "shape", "unknown field 'colour'"),
        ({**a_document({"a": "TRUE"}), "format": "set-definition/2"}, "/format", "shape", "set-definition/1"),
        (
            a_document(slots=None, one_per=[{"id": "x", "attribute": "fineness", "keys": {"from": "holdings"}}]),
            "/one_per/0/attribute",
            "type",
            "keys",
        ),
        ([], "", "type", "an object"),
        (a_document({"a/b": "TRUE"}), "/slots/0/id", "shape", "character"),
    ],
)
def test_a_fault_is_told_where_it_is_and_what_would_be_right(written: Any, pointer: str, code: str, words: str) -> None:
    found = faults_of(written)
    assert pointer in found, found
    assert found[pointer][0] == code
    assert words in found[pointer][1]


def test_two_constraints_of_one_id_are_refused_at_the_second() -> None:
    twice = [{"id": "rule", "kind": "same", "by": ["mint"]}, {"id": "rule", "kind": "different", "by": ["mint"]}]
    assert faults_of(a_document({"a": "TRUE"}, constraints=twice))["/constraints/1/id"][0] == "clashing-id"


def test_a_core_attribute_declared_again_keeps_what_is_not_said_anew() -> None:
    again = [{"name": "grade", "type": "integer", "help": "ours"}, {"name": "strike", "type": "text"}]
    made = document.read_definition(a_document({"a": "TRUE"}, attributes=again), vocabularies=VOCABULARIES).attributes
    assert (made["grade"].low, made["grade"].high, made["grade"].help) == (1, 70, "ours")
    assert "proof" in made["strike"].values
    assert made["strike"].look_at


def test_all_faults_come_at_once() -> None:
    written = a_document(
        {"a": "finess > 1", "b": "mnt = 'x'"}, scope="grad = 1", layout=[{"page": "x", "slots": ["z"]}]
    )
    assert set(faults_of(written)) == {"/scope", "/slots/0/accepts", "/slots/1/accepts", "/layout/0/slots/0"}


def test_a_fault_in_a_rules_text_has_line_and_column() -> None:
    with pytest.raises(Invalid) as refusal:
        document.read_definition(a_document({"a": "grade > 3 AND\n  finess > 0.5"}), vocabularies=VOCABULARIES)
    (fault,) = refusal.value.faults
    assert (fault.pointer, fault.line, fault.column) == ("/slots/0/accepts", 2, 3)


@pytest.mark.parametrize(
    "hostile",
    [
        {"op": "<", "args": [{"property": "year_on_coin"}, 10**30]},
        {"op": "<", "args": [{"property": "weight_measured"}, Decimal("1E+400")]},
        {"op": "<", "args": [{"property": "weight_measured"}, float("inf")]},
        {"op": "<", "args": [{"property": "weight_measured"}, float("nan")]},
        {"op": "=", "args": [{"property": "mint"}, "\ud800"]},
        {"op": "=", "args": [{"property": "mint"}, b"bytes"]},
        {"op": "=", "args": [{"property": "mint"}, {"odd": {1, 2}}]},
        {"op": "=", "args": [{"property": "mint"}, None]},
        {1: 2},
        {},
        {"op": "and", "args": []},
        {"op": "not", "args": "x"},
        {"op": ["="], "args": [1, 2]},
        {"property": "\ud800"},
    ],
)
def test_what_no_json_can_say_is_refused_and_never_a_crash(hostile: Any) -> None:
    assert faults_of(a_document({"a": hostile}))


def test_a_rule_nested_out_of_all_measure_is_refused() -> None:
    rule: Any = True
    for _ in range(5_000):
        rule = {"op": "not", "args": [rule]}
    found = faults_of(a_document({"a": rule}))
    assert any(code in ("over-limit", "shape") for code, _ in found.values())


# --- identity ----------------------------------------------------------------------------------------------------------


def test_the_digest_is_the_sha256_of_the_canonical_json() -> None:
    written = {"b": [1, Decimal("2.50"), "é", None, True], "a": {"z": Decimal("1E+2"), "y": "\u20ac\n"}}
    # By hand after RFC 8785: members sorted, no blanks, numbers as ECMAScript writes them.
    by_hand = '{"a":{"y":"€\\n","z":100},"b":[1,2.5,"é",null,true]}'.encode()
    assert document.canonical_json(written) == by_hand
    assert document.document_digest(written) == f"sha-256:{hashlib.sha256(by_hand).hexdigest()}"


def test_the_worked_example_of_the_standard_comes_out() -> None:
    # RFC 8785, section 3.2.2 (input) and 3.2.3 (output)
    given = (
        '{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
        '"string": "\\u20ac$\\u000F\\u000aA\'\\u0042\\u0022\\u005c\\\\\\"\\/", "literals": [null, true, false]}'
    )
    wanted = (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    assert document.canonical_json(exact_json(given)) == wanted.encode()


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.definition.*")), ids=lambda path: path.name)
def test_a_shipped_definition_keeps_the_schema_and_its_digest_is_that_of_its_plain_json(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    written = load_yaml(text) if path.suffix == ".yaml" else exact_json(text)
    plain = json.loads(json.dumps(written, default=float))
    validator = jsonschema_rs.Draft202012Validator(document.document_schema())
    jsonschema_rs.meta.validate(document.document_schema())
    assert not list(validator.iter_errors(plain))
    assert document.document_digest(written) == f"sha-256:{hashlib.sha256(rfc8785.dumps(plain)).hexdigest()}"


def test_the_schema_has_an_absolute_name() -> None:
    # "an absolute-URI" (JSON Schema 2020-12 core, section 8.2.1).
    assert re.match(r"[a-z][a-z0-9+.-]*:[^#]+$", document.document_schema()["$id"])


def test_shipped_files_in_yaml_name_the_schema_that_lies_beside_them() -> None:
    files = sorted(FOLDER.glob("*.definition.yaml"))
    assert files
    for path in files:
        first = path.read_text(encoding="utf-8").splitlines()[0]
        named = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", first)
        assert named is not None, path.name
        # Renewed with `setwright schema > set_definitions/set-definition.schema.json`.
        assert json.loads((path.parent / named[1]).read_text(encoding="utf-8")) == document.document_schema()


def test_every_shipped_definition_has_examples() -> None:
    for path in sorted(FOLDER.glob("*.definition.*")):
        text = path.read_text(encoding="utf-8")
        written = load_yaml(text) if path.suffix == ".yaml" else exact_json(text)
        assert sum(len(example.get("fits", [])) + len(example.get("not", [])) for example in written["examples"]) >= 4


def test_the_schema_refuses_what_the_service_refuses() -> None:
    validator = jsonschema_rs.Draft202012Validator(document.document_schema())
    for wrong in ({"format": "set-definition/1"}, {**a_document({"a": "TRUE"}), "x": 1}, a_document({"a": 5})):
        assert list(validator.iter_errors(wrong))


# --- YAML --------------------------------------------------------------------------------------------------------------


def test_yaml_reads_words_as_words() -> None:
    found = load_yaml(
        "a: no\nb: 1_000\nc: 1887-06-20\nd: 010\ne: 0x1F\nf: 1:30\ng: on\nh: ~\ni: 1.50\nj: -3\nk: .inf\nl: true"
    )
    assert found == {
        "a": "no", "b": "1_000", "c": "1887-06-20", "d": "010", "e": "0x1F", "f": "1:30", "g": "on",
        "h": None, "i": Decimal("1.50"), "j": -3, "k": ".inf", "l": True,
    }  # fmt: skip
    assert type(found["i"]) is Decimal


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a: 1\na: 2", "twice"),
        ("a: &x 1\nb: *x", "anchors"),
        ("a: &x 1", "anchors"),
        ("base: &b {c: 1}\nd:\n  <<: *b", "anchors"),
        ("a: !!python/object/apply:os.system ['true']", "not YAML"),
        ("a: !!set {x, y}", "not YAML"),
        ("a: !!binary aGVsbG8=", "not YAML"),
        ("a: !!timestamp 2001-01-01", "not YAML"),
        ("1: a", "names of members"),
        ("? [a]\n: b", "names of members"),
        ("a: 123456789012345678901234567890", "19 digits"),
        ("[" * 100 + "]" * 100, "deeper"),
        ("a: [1, 2", "not YAML"),
        ("a: 1\n---\nb: 2", "not YAML"),
        ("a: !!int x", "not YAML"),
        ("a: !!float x", "not YAML"),
        ("a: !!bool [x]", "not YAML"),
    ],
)
def test_yaml_that_means_no_json_is_refused(text: str, words: str) -> None:
    with pytest.raises(Invalid) as refusal:
        load_yaml(text)
    assert words in refusal.value.faults[0].message


def test_the_same_document_in_yaml_and_json_is_the_same_definition() -> None:
    in_yaml = "format: set-definition/1\ntitle: A set\nslots:\n- id: a\n  accepts: fineness >= 0.5\n"
    in_json = '{"format": "set-definition/1", "title": "A set", "slots": [{"id": "a", "accepts": "fineness >= 0.5"}]}'
    one, other = load_yaml(in_yaml), exact_json(in_json)
    assert one == other
    assert document.document_digest(one) == document.document_digest(other)
