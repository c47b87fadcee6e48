"""Hypothesis strategies: rules as CQL2 JSON, facts of every form, small definitions and holdings, candidate issues.

The vocabularies are small enough for the reference to try every term.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st

from service.facts.attributes import Attribute
from service.facts.core_attributes import CORE
from service.facts.vocabulary import Concept, Vocabulary, build_vocabulary

TODAY = date(2026, 11, 25)

MOTIFS = build_vocabulary(
    "motifs",
    [
        Concept("animal", "animal"),
        Concept("bird", "bird", ("animal",)),
        Concept("owl", "owl", ("bird",)),
        Concept("kiwi", "kiwi", ("bird",)),
        Concept("beast", "beast", ("animal",)),
        Concept("griffin", "griffin", ("bird", "beast")),
        Concept("tree", "tree"),
    ],
)
ISSUERS = build_vocabulary(
    "issuers",
    [
        Concept("AA", "Aland of nowhere", current=True),
        Concept("BB", "Bergland", ended=date(1990, 10, 2)),
        Concept("CC", "Castle Coombe"),
        Concept("DD", "Dorn", ended=date(2030, 1, 1)),
    ],
)
VOCABULARIES: Mapping[str, Vocabulary] = {"motifs": MOTIFS, "issuers": ISSUERS}

DECLARED: list[dict[str, Any]] = [
    {"name": "species", "type": "text", "vocabulary": "motifs"},
    {"name": "traits", "type": "text", "many": True},
    {"name": "quirks", "type": "text", "many": True, "values": ["dented", "dull", "dyed"]},
    {"name": "hue", "type": "text", "values": ["red", "brown"]},
]
ATTRIBUTES = CORE.extended(
    Attribute(
        item["name"], item["type"], item.get("many", False), None, item.get("vocabulary"), tuple(item.get("values", ()))
    )
    for item in DECLARED
)

WORDS = ("Tower", "tower", "Tôwer", "Heaton")
YEARS = (1899, 1900, 1902)
WEIGHTS = (Decimal("2.5"), 3, Decimal("5.05"))
DATES = ("1990-10-02", "1990-10-03", "2001-01-01")
TEXTS: Mapping[str, tuple[str, ...]] = {
    "mint": WORDS,
    "legend_issuer": ("AA", "Tower", "red"),
    "hue": ("red", "brown"),
    "species": tuple(MOTIFS.concepts),
    "issuer": (*ISSUERS.concepts, "x-moon"),
}
SETS: Mapping[str, tuple[str, ...]] = {
    "main_motifs": ("owl", "bird", "tree", "comet"),
    "traits": ("big", "old"),
    "quirks": ("dented", "dull", "dyed"),
}
NUMBERS: Mapping[str, tuple[Any, ...]] = {"year_on_coin": YEARS, "grade": (1, 20, 70), "weight_measured": WEIGHTS}
BOOLEANS = ("restrike", "commemorative")
DAYS = ("tender_from", "tender_to")
NAMES = (*TEXTS, *SETS, *NUMBERS, *BOOLEANS, *DAYS)

COMPARISONS = ("=", "<>", "<", "<=", ">", ">=")


def ref(name: str) -> dict[str, Any]:
    return {"property": name}


def op(name: str, *args: Any) -> dict[str, Any]:
    return {"op": name, "args": list(args)}


# --- rules -------------------------------------------------------------------------------------------------------------


# Wherever a value may stand an attribute may stand too, and every relation is put either way round.


@st.composite
def leaves(draw: st.DrawFn, names: tuple[str, ...]) -> Any:
    """One clause about some of the attributes."""
    name = draw(st.sampled_from(names))
    if draw(st.integers(0, 9)) == 0:
        return op("isNull", ref(name))
    if name in BOOLEANS:
        return draw(boolean_leaves(name, names))
    if name in DAYS:
        return draw(relations(st.just(ref(name)), days(names)))
    if name in NUMBERS:
        return draw(number_leaves(name, names))
    if name in SETS:
        return draw(set_leaves(name, names))
    return draw(text_leaves(name, names))


@st.composite
def relations(draw: st.DrawFn, subjects: st.SearchStrategy[Any], values: st.SearchStrategy[Any], forms: int = 8) -> Any:
    """A comparison, a BETWEEN or an IN: the subject on either side of the sign, and in any place of the other two."""
    form, subject = draw(st.integers(0, forms - 1)), draw(subjects)
    if form < 5:
        sides = (subject, draw(values)) if draw(st.booleans()) else (draw(values), subject)
        return op(draw(st.sampled_from(COMPARISONS)), *sides)
    if form == 5:
        term, *items = draw(st.permutations([subject, *draw(st.lists(values, min_size=1, max_size=3))]))
        return op("in", term, items)
    return op("between", *draw(st.permutations([subject, draw(values), draw(values)])))


def others(names: tuple[str, ...], kind: Any) -> st.SearchStrategy[Any]:
    """Any of the attributes of one kind."""
    return st.sampled_from([ref(name) for name in names if name in kind])


@st.composite
def boolean_leaves(draw: st.DrawFn, name: str, names: tuple[str, ...]) -> Any:
    if draw(st.booleans()):
        return ref(name)
    sides = [ref(name), draw(st.one_of(st.booleans(), others(names, BOOLEANS)))]
    return op(draw(st.sampled_from(("=", "<>"))), *draw(st.permutations(sides)))


def days(names: tuple[str, ...]) -> st.SearchStrategy[Any]:
    written = st.sampled_from([{"date": day} for day in DATES])
    return st.one_of(written, written, others(names, DAYS))


@st.composite
def numbers(draw: st.DrawFn, name: str, names: tuple[str, ...], *, plain: bool = False) -> Any:
    """A number beside the attribute: a constant of its own, another attribute, how many values one has, or a sum."""
    form = draw(st.integers(0, 7 if plain else 9))
    counted = [n for n in names if n in SETS]
    if form < 4:
        return draw(st.sampled_from(NUMBERS[name]))
    if form < 7 or (form == 7 and not counted):
        return draw(others(names, NUMBERS))
    if form == 7:
        return op("count", ref(draw(st.sampled_from(counted))))
    return draw(sums(name, names))


@st.composite
def sums(draw: st.DrawFn, name: str, names: tuple[str, ...]) -> Any:
    """The attribute on either side of an arithmetic sign."""
    sign = draw(st.sampled_from(("+", "-", "*", "/", "%", "div", "^")))
    if sign == "^":
        return op(sign, *draw(st.sampled_from(((ref(name), 2), (ref(name), -1), (2, ref(name))))))
    constants = st.sampled_from((0, 2, 10, Decimal("0.5")))
    beside = draw(st.one_of(constants, constants, numbers(name, names, plain=True)))
    return op(sign, *draw(st.permutations([ref(name), beside])))


@st.composite
def number_leaves(draw: st.DrawFn, name: str, names: tuple[str, ...]) -> Any:
    if draw(st.integers(0, 3)) > 0:
        return draw(relations(st.just(ref(name)), numbers(name, names)))
    moved = draw(sums(name, names))
    return (
        op("isNull", moved) if draw(st.integers(0, 7)) == 0 else draw(relations(st.just(moved), numbers(name, names)))
    )


@st.composite
def texts(draw: st.DrawFn, name: str, names: tuple[str, ...]) -> Any:
    """A text beside the attribute: a constant, or another attribute; of those whose case does not matter, folded."""
    closed = "hue" in names  # only its own values may stand beside it
    constants = st.sampled_from([t for t in TEXTS["hue" if closed else name] if t != "x-moon"])
    text = draw(st.one_of(constants, constants, others(names, TEXTS)))
    folded = name == "mint" and draw(st.integers(0, 3)) == 0
    return op(draw(st.sampled_from(("casei", "accenti"))), text) if folded else text


@st.composite
def text_leaves(draw: st.DrawFn, name: str, names: tuple[str, ...]) -> Any:
    form = draw(st.integers(0, 9))
    if name == "species" and form < 6:
        return op("narrower", ref(name), draw(st.sampled_from(tuple(MOTIFS.concepts))))
    if name == "issuer" and form < 4:
        return op("defunct", ref(name))
    folds = st.sampled_from((ref(name), op("casei", ref(name)), op("accenti", ref(name))))
    if form == 6 and name == "mint":
        return op("like", draw(folds), draw(st.sampled_from(("T%", "%w_r", "_o%", "%", "Tower", "t\\%%", "%on"))))
    subjects = folds if form in (7, 8) and name == "mint" else st.just(ref(name))
    return draw(relations(subjects, texts(name, names)))


@st.composite
def set_leaves(draw: st.DrawFn, name: str, names: tuple[str, ...]) -> Any:
    form = draw(st.integers(0, 9))
    if name == "main_motifs" and form < 4:
        return op("narrower", ref(name), draw(st.sampled_from(tuple(MOTIFS.concepts))))
    if form < 7:
        closed = "quirks" if "quirks" in names else name  # only its own values may stand beside it
        written = st.lists(st.sampled_from(SETS[closed]), max_size=2, unique=True)
        sides = [ref(name), draw(st.one_of(written, written, written, others(names, SETS)))]
        sign = draw(st.sampled_from(("a_contains", "a_containedBy", "a_overlaps", "a_equals")))
        return op(sign, *draw(st.permutations(sides)))
    targets = st.sampled_from((0, 1, 2, 3, Decimal("1.5")))
    counted = st.builds(lambda other: op("count", other), others(names, SETS))
    numbered = [n for n in names if n in NUMBERS]
    beside = st.one_of(targets, targets, counted, *([others(names, NUMBERS)] if numbered else []))
    return draw(relations(st.just(op("count", ref(name))), beside))


@st.composite
def rules(draw: st.DrawFn, names: tuple[str, ...] = NAMES, most_names: int = 3) -> Any:
    """A rule over up to `most_names` attributes, as CQL2 JSON."""
    chosen = tuple(draw(st.lists(st.sampled_from(names), min_size=1, max_size=most_names, unique=True)))
    inner = st.recursive(
        leaves(chosen),
        lambda item: st.one_of(
            st.builds(lambda a: op("not", a), item),
            st.builds(
                lambda sign, parts: op(sign, *parts),
                st.sampled_from(("and", "or")),
                st.lists(item, min_size=2, max_size=3),
            ),
        ),
        max_leaves=5,
    )
    return draw(inner)


# --- facts -------------------------------------------------------------------------------------------------------------


def values_of(name: str) -> st.SearchStrategy[Any]:
    """One plain value of an attribute."""
    if name in BOOLEANS:
        return st.booleans()
    if name in DAYS:
        return st.sampled_from((*DATES, "1950-05-05"))
    if name == "grade":
        return st.sampled_from((1, 2, 19, 20, 21, 70))
    if name == "year_on_coin":
        return st.integers(1898, 1903)
    if name == "weight_measured":
        return st.sampled_from((Decimal("2.4"), Decimal("2.5"), 3, 4, Decimal("5.05"), 9))
    if name in SETS:
        return st.lists(st.sampled_from(SETS[name]), max_size=3, unique=True)
    return st.sampled_from(TEXTS[name])


@st.composite
def a_fact(draw: st.DrawFn, name: str) -> Any:
    """What is known of an attribute, in any of its forms."""
    value = values_of(name)
    form = draw(st.integers(0, 9))
    if form == 0:
        return {"none": True}
    if form in (1, 2, 3):
        options = st.lists(st.one_of(value, value, st.just({"none": True})), min_size=1, max_size=3)
        return {"one_of": draw(options)}
    if form in (4, 5) and (name in NUMBERS or name in DAYS):
        ends = sorted((draw(value), draw(value)))
        both = {"from": ends[0], "to": ends[1]}
        return draw(st.sampled_from((both, both, {"from": ends[0]}, {"to": ends[1]})))
    if form in (4, 5) and name in SETS:
        return {"has": draw(value), "perhaps": draw(value)}
    return draw(value)


@st.composite
def some_facts(draw: st.DrawFn, names: tuple[str, ...] = NAMES, least_known: int = 4) -> dict[str, Any]:
    """Facts of some of the attributes; of ten, `least_known` are known in the mean."""
    return {name: draw(a_fact(name)) for name in names if draw(st.integers(0, 9)) < least_known}


# --- small definitions and holdings ------------------------------------------------------------------------------------

SIMPLE = ("year_on_coin", "grade", "mint", "species", "restrike")


@st.composite
def simple_rules(draw: st.DrawFn) -> Any:
    return draw(
        st.sampled_from(
            (
                True,
                op("<", ref("year_on_coin"), 1900),
                op(">=", ref("year_on_coin"), 1900),
                op("<=", 1901, ref("year_on_coin")),
                op("between", ref("year_on_coin"), 1899, 1901),
                op("between", 1900, ref("grade"), ref("year_on_coin")),
                op("in", "Tower", [ref("mint"), "Heaton"]),
                op("=", ref("mint"), "Tower"),
                op("<>", ref("mint"), "Tower"),
                op("narrower", ref("species"), "bird"),
                op("narrower", ref("species"), "owl"),
                op("or", op("=", ref("mint"), "Heaton"), op("<", ref("year_on_coin"), 1901)),
                op(">=", ref("grade"), 20),
                ref("restrike"),
            )
        )
    )


@st.composite
def preferences(draw: st.DrawFn) -> list[dict[str, Any]]:
    kinds: tuple[dict[str, Any], ...] = (
        {"highest": "grade"},
        {"lowest": "year_on_coin"},
        {"where": op("=", ref("restrike"), False)},
        {"order": "mint", "values": ["Tower", "Heaton"]},
    )
    return draw(st.lists(st.sampled_from(kinds), max_size=2))


@st.composite
def set_rules(draw: st.DrawFn, number: int, ids: list[str], slots: list[str]) -> dict[str, Any]:
    by = draw(st.sampled_from((["mint"], ["year_on_coin"], ["mint", "year_on_coin"], ["species"])))
    places = draw(st.lists(st.sampled_from(ids), min_size=1, max_size=3, unique=True))
    kinds = ("same", "different", "at_most", "at_most", "not_elsewhere", "at_least", "matches")
    kind = draw(st.sampled_from(kinds))
    entry: dict[str, Any] = {"id": f"rule-{number}", "kind": kind, "places": places}
    if kind != "not_elsewhere" and draw(st.booleans()):
        del entry["places"]
    if kind == "matches":
        return {**entry, "by": by, "place": draw(st.sampled_from(slots))}
    if kind not in ("at_most", "at_least"):
        return {**entry, "by": by}
    count = draw(st.integers(0, 2))
    if kind == "at_least":
        return {**entry, "count": count, "where": op("<", ref("year_on_coin"), 1901)}
    return {
        **entry,
        "count": count,
        **draw(st.sampled_from(({"per": by}, {"where": op("<", ref("year_on_coin"), 1901)}))),
    }


FROM_HOLDINGS = {"keys": {"from": "holdings"}}
DECADES = {"attribute": "year_on_coin", "band": 10}
REIGNS = {
    "attribute": "year_on_coin",
    "bands": [{"key": "early", "to": 1900}, {"key": "late", "from": 1900, "to": 1901}, {"key": "none", "from": 1950}],
}
KEYED: tuple[dict[str, Any], ...] = (
    {"attribute": "year_on_coin", **FROM_HOLDINGS},
    {**DECADES, **FROM_HOLDINGS},
    {**DECADES, "keys": {"from": "list", "values": [1900, 1890]}},
    {**REIGNS, **FROM_HOLDINGS},
    {**REIGNS, "keys": {"from": "list", "values": ["late", "early"]}},
    {"attribute": "mint", "none": True, **FROM_HOLDINGS},
    {"attribute": "mint", "keys": {"from": "list", "values": [{"none": True}, "Tower"]}},
    {"attribute": "restrike", **FROM_HOLDINGS},
    {"attribute": ["restrike", "mint"], **FROM_HOLDINGS},
    {"attribute": [{"attribute": "mint", "none": True}, DECADES], **FROM_HOLDINGS},
    {"attribute": ["mint", REIGNS], "keys": {"from": "list", "values": [["Tower", "late"], ["Heaton", "early"]]}},
    {"attribute": ["mint", "restrike"], "keys": {"from": "list", "values": [["Tower", True], ["Tower", False]]}},
)
"""Groups with keys of other types than text, of several attributes, cut into spans and bands, with none."""


@st.composite
def presumptions(draw: st.DrawFn, wheres: tuple[str | None, ...]) -> dict[str, Any]:
    """An entry with one of these rules, or none."""
    choices = {
        "year_on_coin": (1899, 1902),
        "grade": (20, {"none": True}),
        "mint": ("Tower", {"none": True}),
        "species": ("owl", "bird"),
        "restrike": (False, True),
    }
    names = draw(st.lists(st.sampled_from(sorted(choices)), min_size=1, max_size=3, unique=True))
    entry: dict[str, Any] = {"facts": {name: draw(st.sampled_from(choices[name])) for name in names}}
    where = draw(st.sampled_from(wheres))
    return entry if where is None else {"where": where, **entry}


# What an account may presume besides.
PRESUMED = (
    {},
    {"presume": [{"facts": {"mint": "Tower", "grade": 3}}]},
    {"presume": [{"where": "year_on_coin < 1900", "facts": {"species": "owl"}}]},
)


@st.composite
def definitions(draw: st.DrawFn, *, with_rules: bool = True) -> dict[str, Any]:
    """A small set: up to four places of every kind."""
    tiers = st.sampled_from(("required", "required", "optional"))
    document: dict[str, Any] = {
        "format": "set-definition/1",
        "title": "A small set",
        "attributes": DECLARED,
        "prefer": draw(preferences()),
        "slots": [],
        "one_per": [],
        "free_choice": [],
        "constraints": [],
    }
    for number in range(draw(st.integers(1, 3))):
        entry = {"id": f"slot-{number}", "accepts": draw(simple_rules()), "tier": draw(tiers)}
        if draw(st.integers(0, 3)) == 0:
            entry["prefer"] = draw(preferences())
        document["slots"].append(entry)
    extra = draw(st.integers(0, 3))
    if extra == 1:
        keys = draw(
            st.sampled_from(
                (
                    {"from": "holdings"},
                    {"from": "list", "values": ["owl", "tree"]},
                    {"from": "vocabulary", "name": "motifs", "level": {"children_of": "animal"}},
                )
            )
        )
        document["one_per"].append({"id": "kinds", "attribute": "species", "keys": keys, "tier": draw(tiers)})
    if extra == 3:
        document["one_per"].append({"id": "keyed", **draw(st.sampled_from(KEYED)), "tier": draw(tiers)})
    if extra == 2:
        choice: dict[str, Any] = {"id": "any", "places": 2, "accepts": draw(simple_rules()), "tier": draw(tiers)}
        if with_rules and draw(st.booleans()):
            choice["distinct"] = [draw(st.sampled_from(("mint", "year_on_coin")))]
        if with_rules and draw(st.booleans()):
            choice["at_most"] = [{"per": "mint", "count": 1}]
        document["free_choice"].append(choice)
    if draw(st.integers(0, 2)) == 0:
        document["scope"] = draw(simple_rules())
    if draw(st.integers(0, 2)) == 0:
        document["presume"] = draw(st.lists(presumptions(("restrike = TRUE", None)), min_size=1, max_size=3))
    if draw(st.integers(0, 3)) == 0:
        document["identify"] = [{"where": "restrike = FALSE"}]
    if with_rules:
        ids = [entry["id"] for kind in ("slots", "one_per", "free_choice") for entry in document[kind]]
        slots = [slot["id"] for slot in document["slots"]]
        document["constraints"] = [draw(set_rules(n, ids, slots)) for n in range(draw(st.integers(0, 2)))]
    return document


def examples(number: int) -> int:
    """How many a test makes up: three fifths of this number, and five times as many under the profile `searching`
    (tests/conftest.py)."""
    return number * settings.default.max_examples // 100  # type: ignore[union-attr]


ISSUES: Mapping[str, dict[str, Any]] = {
    "issue-1": {"year_on_coin": 1899, "mint": "Tower"},
    "issue-2": {"year_on_coin": 1902, "mint": "Heaton", "species": "owl"},
    "issue-3": {"mint": "Tower", "species": "kiwi"},
}
"""The year of the third is not known."""


@st.composite
def simple_facts(draw: st.DrawFn) -> dict[str, Any]:
    facts: dict[str, Any] = {}
    choices: dict[str, tuple[Any, ...]] = {
        "year_on_coin": (1899, 1900, 1902, 1899, {"one_of": [1899, 1902]}, {"from": 1898, "to": 1900}, {"from": 1900}),
        "grade": (10, 20, 40, 40, {"from": 10, "to": 30}, {"one_of": [15, 60]}, {"none": True}),
        "mint": ("Tower", "Heaton", "Tower", {"one_of": ["Tower", "Heaton"]}, {"none": True}),
        "species": ("owl", "kiwi", "tree", "bird", {"one_of": ["owl", "tree"]}),
        "restrike": (True, False),
    }
    for name, options in choices.items():
        if draw(st.integers(0, 9)) < 7:
            facts[name] = draw(st.sampled_from(options))
    return facts


@st.composite
def holdings(draw: st.DrawFn, most: int = 5) -> list[dict[str, Any]]:
    """Up to five coins, in any order of their ids."""
    made = []
    for number in draw(st.permutations(range(draw(st.integers(0, most))))):
        entry: dict[str, Any] = {"id": f"coin-{number}", "facts": draw(simple_facts())}
        if draw(st.integers(0, 5)) == 0:
            candidates = draw(st.lists(st.sampled_from(sorted(ISSUES)), min_size=1, max_size=3, unique=True))
            entry["issue"] = candidates[0] if len(candidates) == 1 else {"one_of": candidates}
        if draw(st.integers(0, 5)) == 0:
            entry["quantity"] = 2
        if draw(st.integers(0, 9)) == 0:
            entry["status"] = "sold"
        made.append(entry)
    return made
