"""The slow, obvious second implementation: worlds tried one by one, assignments tried one by one.

It reads CQL2 JSON and the JSON of facts, definitions and holdings directly, and shares no code with the engine's
regions, witnesses, verdicts, keys or solver. Sources: rules.md sections 1 to 6, and for what is tentative the text at the
top of service/assignment/problem.py.

A domain is finite and generous: every alternative, every whole number of a closed range, else values on, beside, between
and far beyond all constants of the rule and of the facts. `none` belongs to an unknown attribute only when the rule asks
`isNull` of it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import combinations, pairwise, product
from typing import Any

from service.facts.attributes import Attribute
from service.facts.vocabulary import Concept, Vocabulary

NONE = ("none",)
MOST_WORLDS = 3_000_000


class TooMany(Exception):
    """More worlds than this slow way can try."""


@dataclass(frozen=True)
class Outside:
    """What a rule may ask besides the coin."""

    attributes: Mapping[str, Attribute]
    vocabularies: Mapping[str, Vocabulary]
    today: date


@dataclass(frozen=True)
class Thing:
    """One thing that an attribute may be: the value as recorded, the terms that it may mean, and whether an issuer without
    a date has ended. `told` is as much of it as the fact itself tells: not what only better reference data would."""

    value: Any
    means: tuple[str, ...] = ()
    ended: bool = False
    told: Any = None


def with_own_vocabularies(outside: Outside, document: Mapping[str, Any]) -> Outside:
    """With the vocabularies that the document carries (rules.md section 10): what extends one is added to it, and both names mean
    the whole."""
    entries = document.get("vocabularies", [])
    if not entries:
        return outside
    broader = {name: {c.id: set(c.broader) for c in s.concepts.values()} for name, s in outside.vocabularies.items()}
    known = {name: dict(scheme.concepts) for name, scheme in outside.vocabularies.items()}
    for entry in entries:
        if "extends" not in entry:
            broader[entry["name"]], known[entry["name"]] = {}, {}
    also = {}
    for entry in entries:
        whole = entry.get("extends", entry["name"])
        also[entry["name"]] = whole
        for concept in entry["concepts"]:
            broader[whole].setdefault(concept["id"], set()).update(concept.get("broader", []))
            there = known[whole].get(concept["id"])
            days = [concept.get("ended"), there and there.ended and there.ended.isoformat()]
            ended = next((day for day in days if day), None)
            known[whole][concept["id"]] = Concept(
                concept["id"],
                concept["id"],
                ended=date.fromisoformat(ended) if ended else None,
                current=bool(concept.get("current") or (there and there.current)) and not concept.get("ended"),
            )
    made = {}
    for name, concepts in known.items():
        uppers_of = {term: tuple(sorted(broader[name][term])) for term in concepts}
        made[name] = Vocabulary(name, {t: replace(c, broader=uppers_of[t]) for t, c in concepts.items()})
    schemes = {**made, **{name: made[whole] for name, whole in also.items()}}
    # An attribute that the document declares by one of its names.
    named = {item["name"]: item.get("vocabulary") for item in document.get("attributes", [])}
    attributes = {
        name: replace(attribute, vocabulary=named.get(name) or attribute.vocabulary)
        for name, attribute in outside.attributes.items()
    }
    return Outside(attributes, schemes, outside.today)


# --- reading JSON ------------------------------------------------------------------------------------------------------


def nodes(rule: Any) -> Iterator[Any]:
    yield rule
    if isinstance(rule, dict) and "op" in rule:
        for arg in rule["args"]:
            yield from nodes(arg)
    elif isinstance(rule, list):
        for item in rule:
            yield from nodes(item)


# Low and high ends of grades in words that the cases use: common practice of the trade, no source.
GRADES = {"VF": (20, 35), "EF": (40, 45), "MS-63": (63, 63), "Fine": (12, 15)}


def graded(rule: Any) -> Any:
    """The rule with numbers in the place of grades in words: at least: its low end, at most: its high end."""
    if not isinstance(rule, dict) or "op" not in rule:
        return rule
    op, args = rule["op"], [graded(arg) for arg in rule["args"]]
    if {"property": "grade"} not in args:
        return {**rule, "args": args}
    grade = {"property": "grade"}
    if op == "in":
        parts = [graded({"op": "=", "args": [grade, item]}) for item in args[1]]
        return {"op": "or", "args": parts} if any(isinstance(item, str) for item in args[1]) else {**rule, "args": args}
    if op == "between":
        ends = [GRADES[arg][at] if isinstance(arg, str) else arg for at, arg in enumerate(args[1:])]
        return {"op": op, "args": [args[0], *ends]}
    word = next((arg for arg in args if isinstance(arg, str)), None)
    if word is None:
        return {**rule, "args": args}
    low, high = GRADES[word]
    inside = {"op": "between", "args": [grade, low, high]}
    if op in ("=", "<>"):
        return inside if op == "=" else {"op": "not", "args": [inside]}
    is_first = args[0] == word
    takes_low = op in ((">=", "<") if not is_first else ("<=", ">"))
    end = low if takes_low else high
    return {"op": op, "args": [end, grade] if is_first else [grade, end]}


def properties(rule: Any) -> list[str]:
    return list(dict.fromkeys(n["property"] for n in nodes(rule) if isinstance(n, dict) and "property" in n))


def read(attribute: Attribute, raw: Any) -> Any:
    if raw == {"none": True}:
        return NONE
    if attribute.many:
        return frozenset([raw] if isinstance(raw, str) else raw)
    if attribute.type == "text":
        return attribute.synonyms.get(raw, raw)
    if attribute.type == "boolean":
        return raw
    if attribute.type == "date":
        return date.fromisoformat(raw)
    if attribute.type == "timestamp":
        return datetime.fromisoformat(raw.replace("Z", "+00:00")).astimezone(UTC)
    return Fraction(repr(raw) if isinstance(raw, float) else raw)


def literal(node: Any) -> Any:
    if isinstance(node, bool | str):
        return node
    if isinstance(node, int | float | Decimal):
        return Fraction(repr(node) if isinstance(node, float) else node)
    if isinstance(node, list):
        return frozenset(node)
    if "date" in node:
        return date.fromisoformat(node["date"])
    return datetime.fromisoformat(node["timestamp"].replace("Z", "+00:00")).astimezone(UTC)


# --- one world ---------------------------------------------------------------------------------------------------------


def without_accents(text: str) -> str:
    return unicodedata.normalize(
        "NFC", "".join(c for c in unicodedata.normalize("NFD", text) if unicodedata.category(c) != "Mn")
    )


def like(text: str, pattern: str) -> bool:
    found, at = "", 0
    while at < len(pattern):
        sign = pattern[at]
        if sign == "\\" and at + 1 < len(pattern):
            at += 1
            found += re.escape(pattern[at])
        else:
            found += {"%": ".*", "_": "."}.get(sign, re.escape(sign))
        at += 1
    return re.fullmatch(found, text, re.DOTALL) is not None


def value(node: Any, world: Mapping[str, Thing]) -> Any:
    if isinstance(node, dict) and "property" in node:
        return world[node["property"]].value
    if not (isinstance(node, dict) and "op" in node):
        return literal(node)
    op, args = node["op"], [value(arg, world) for arg in node["args"]]
    if any(arg == NONE for arg in args):
        return NONE
    if op == "count":
        return Fraction(len(args[0]))
    if op == "casei":
        return args[0].casefold()
    if op == "accenti":
        return without_accents(args[0])
    left, right = args
    if op in ("+", "-", "*"):
        return left + right if op == "+" else left - right if op == "-" else left * right
    if op == "^":
        if right.denominator != 1 or abs(right) > 64 or abs(left) > 10**20 or (left == 0 and right < 0):
            return NONE
        return left ** int(right)
    if right == 0:
        return NONE
    if op == "/":
        return left / right
    towards_nought = Fraction(int(left / right))
    return towards_nought if op == "div" else left - right * towards_nought


def compare(op: str, left: Any, right: Any) -> bool:
    if left == NONE or right == NONE:
        return False
    if op == "=":
        return bool(left == right)
    if op == "<>":
        return bool(left != right)
    return bool({"<": left < right, ">": left > right, "<=": left <= right, ">=": left >= right}[op])


def below(scheme: Vocabulary, term: str) -> list[str]:
    """The term and all below it, by walking the broader links of every concept upwards."""
    return [term, *(c for c in scheme.concepts if c != term and term in uppers(scheme, c))]


UPPERS: dict[tuple[int, str], tuple[Vocabulary, set[str]]] = {}


def uppers(scheme: Vocabulary, term: str) -> set[str]:
    """Every broader term; remembered, for this is asked in every world."""
    if (id(scheme), term) not in UPPERS:
        UPPERS[id(scheme), term] = (scheme, walked_up(scheme, term))
    return UPPERS[id(scheme), term][1]


def walked_up(scheme: Vocabulary, term: str) -> set[str]:
    found: set[str] = set()
    waiting = [term]
    while waiting:
        concept = scheme.concepts.get(waiting.pop())
        for upper in concept.broader if concept else ():
            if upper not in found:
                found.add(upper)
                waiting.append(upper)
    return found


def holds(node: Any, world: Mapping[str, Thing], outside: Outside) -> bool:
    if isinstance(node, bool):
        return node
    if "property" in node:
        return world[node["property"]].value is True
    op, args = node["op"], node["args"]
    if op == "and":
        return all(holds(arg, world, outside) for arg in args)
    if op == "or":
        return any(holds(arg, world, outside) for arg in args)
    if op == "not":
        return not holds(args[0], world, outside)
    if op == "narrower":
        name, term = args[0]["property"], args[1]
        scheme = outside.vocabularies[outside.attributes[name].vocabulary or ""]
        return any(one == term or term in uppers(scheme, one) for one in world[name].means)
    if op == "defunct":
        return world[args[0]["property"]].ended
    if op == "in":
        return any(compare("=", value(args[0], world), value(item, world)) for item in args[1])
    if op == "isNull":
        return bool(value(args[0], world) == NONE)
    found = [value(arg, world) for arg in args]
    if any(one == NONE for one in found):
        return False
    if op == "between":
        return compare(">=", found[0], found[1]) and compare("<=", found[0], found[2])
    if op == "like":
        return like(found[0], args[1] if isinstance(args[1], str) else found[1])
    if op.startswith("a_"):
        left, right = found
        return {
            "a_contains": right <= left,
            "a_containedBy": left <= right,
            "a_overlaps": bool(left & right),
            "a_equals": left == right,
        }[op]
    return compare(op, found[0], found[1])


# --- all worlds --------------------------------------------------------------------------------------------------------


def things(attribute: Attribute, one: Any, rule: Any, outside: Outside) -> Iterator[Thing]:
    """All that a recorded value may mean: every term at or below it, an issuer without a date alive or ended."""
    scheme = outside.vocabularies.get(attribute.vocabulary or "")
    if one == NONE or scheme is None:
        yield Thing(one)
        return
    asked = {
        n["op"]
        for n in nodes(rule)
        if isinstance(n, dict) and "op" in n and n["args"][0] == {"property": attribute.name}
    }
    terms = sorted(one) if attribute.many else [one]
    wanted = [n["args"][1] for n in nodes(rule) if isinstance(n, dict) and n.get("op") == "narrower"]
    # A term that the vocabulary does not know may be any of its concepts, or none of them.
    lower = [below(scheme, t) if t in scheme.concepts else [t, *scheme.concepts, *wanted] for t in terms]
    # By the asked terms that they stand below, those that are known apart: one of each kind is enough.
    kinds: dict[Any, tuple[tuple[str, ...], tuple[str, ...]]] = {(frozenset(), frozenset()): ((), ())}
    for term, options in zip(terms, lower, strict=True) if "narrower" in asked else ():
        before, kinds = kinds, {}
        for mean in options:
            above = frozenset(w for w in wanted if w == mean or w in uppers(scheme, mean))
            for (known, unknown), (means, known_means) in before.items():
                if term in scheme.concepts:
                    kinds.setdefault((known | above, unknown), ((*means, mean), (*known_means, mean)))
                else:
                    kinds.setdefault((known, unknown | above), ((*means, mean), known_means))
    ways = [False]
    if "defunct" in asked:
        concept = scheme.concepts.get(one)
        if concept is None or (concept.ended is None and not concept.current):
            ways = [True, False]
        else:
            ways = [concept.ended is not None and concept.ended < outside.today]
    for means, known_means in kinds.values():
        for ended in ways:
            yield Thing(one, means, ended, (one, known_means))


def domain(name: str, facts: Mapping[str, Any], rule: Any, outside: Outside) -> list[Thing]:
    attribute = outside.attributes[name]
    raw = facts.get(name)
    if raw is None:
        values = list(anything(attribute, facts, rule, outside))
        if any(isinstance(n, dict) and n.get("op") == "isNull" and name in properties(n) for n in nodes(rule)):
            values.append(NONE)
    elif isinstance(raw, dict) and "one_of" in raw:
        values = [read(attribute, item) for item in raw["one_of"]]
    elif isinstance(raw, dict) and set(raw) <= {"from", "to"}:
        values = list(between(attribute, raw, facts, rule, outside))
    elif is_subsets(raw):
        values = all_lists(raw)
    else:
        values = [read(attribute, raw)]
    return list(dict.fromkeys(t for one in dict.fromkeys(values) for t in things(attribute, one, rule, outside)))


def tellable(name: str, facts: Mapping[str, Any], rule: Any, outside: Outside) -> list[list[Thing]]:
    """What an attribute may be, together where no fact tells the things apart: of what is recorded, those that differ by what
    the reference data do not know."""
    groups: dict[Any, list[Thing]] = {}
    for thing in domain(name, facts, rule, outside):
        groups.setdefault(thing if name not in facts or thing.told is None else thing.told, []).append(thing)
    return list(groups.values())


def is_subsets(raw: Any) -> bool:
    return isinstance(raw, dict) and bool(raw) and set(raw) <= {"has", "perhaps"}


def all_lists(raw: Mapping[str, list[str]]) -> list[frozenset[str]]:
    """All of `has`, each of `perhaps` or not."""
    ways = product(*([(), (term,)] for term in raw.get("perhaps", [])))
    return [frozenset(raw.get("has", [])).union(*way) for way in ways]


def between(attribute: Attribute, raw: Any, facts: Mapping[str, Any], rule: Any, outside: Outside) -> Iterator[Any]:
    low, high = (read(attribute, raw[end]) if end in raw else None for end in ("from", "to"))
    if attribute.type == "integer" and low is not None and high is not None and high - low < 2_000:
        yield from (Fraction(n) for n in range(int(low), int(high) + 1))
        return
    for one in anything(attribute, facts, rule, outside):
        if (low is None or one >= low) and (high is None or one <= high):
            yield one


def said(facts: Mapping[str, Any], rule: Any, outside: Outside) -> tuple[list[Any], list[Any]]:
    """Every constant of the rule, and every value that the facts name of an attribute that the rule reads."""
    constants = [
        literal(n)
        for n in nodes(rule)
        if not isinstance(n, dict) or "date" in n or "timestamp" in n
        if not (isinstance(n, list) and any(isinstance(i, dict) for i in n))
    ]
    recorded: list[Any] = []
    for name in properties(rule):
        raw = facts.get(name)
        if raw is None:
            continue
        several = raw["one_of"] if isinstance(raw, dict) and "one_of" in raw else [raw]
        if isinstance(raw, dict) and raw and set(raw) <= {"from", "to"}:
            several = list(raw.values())
        if is_subsets(raw):
            recorded += all_lists(raw)
            continue
        recorded += [read(outside.attributes[name], item) for item in several]
    return constants, [r for r in recorded if r != NONE]


def anything(attribute: Attribute, facts: Mapping[str, Any], rule: Any, outside: Outside) -> Iterable[Any]:
    """What an attribute that nobody looked at may be, as far as the rule could tell the difference."""
    constants, recorded = said(facts, rule, outside)
    known = [*constants, *recorded]
    if attribute.many:
        return some_sets(attribute, known, rule, outside)
    if attribute.type == "boolean":
        return [True, False]
    if attribute.type == "text":
        return some_texts(attribute, known, rule, outside)
    if attribute.type in ("date", "timestamp"):
        kind = datetime if attribute.type == "timestamp" else date
        step = timedelta(days=1) if kind is date else timedelta(microseconds=1)
        moments = [k for k in known if type(k) is kind]
        apart = datetime(2001, 2, 3, tzinfo=UTC) if kind is datetime else date(2001, 2, 3)
        near = [m + step * n for m in moments for n in (-2, -1, 0, 1, 2)]
        return sorted({*near, apart, *(m + step * n for m in moments for n in (-90_000, 90_000))})
    return some_numbers(attribute, known, rule, outside)


def some_numbers(attribute: Attribute, known: list[Any], rule: Any, outside: Outside) -> list[Fraction]:
    numbers = {k for k in known if isinstance(k, Fraction)}
    numbers |= {Fraction(len(k)) for k in known if isinstance(k, frozenset)}
    numbers |= {
        Fraction(e)
        for n in properties(rule)
        for e in (outside.attributes[n].low, outside.attributes[n].high)
        if e is not None
    }
    numbers |= {Fraction(e) for e in (attribute.low, attribute.high) if e is not None}
    ops = {n["op"] for n in nodes(rule) if isinstance(n, dict) and "op" in n}
    if ops & {"+", "-", "*", "/", "%", "div", "^"}:
        few = sorted(numbers)[:12]
        numbers |= {x for a in few for b in few for x in (a + b, a - b, a * b)}
        numbers |= {a / b for a in few for b in few if b}
        # a chain of three, such as (x - a) * b = c
        numbers |= {c / b + s * a for a in few[:5] for b in few[:5] if b for c in few[:5] for s in (1, -1)}
    numbers |= {Fraction(0)}
    line = sorted(numbers)
    line += [(a + b) / 2 for a, b in pairwise(line)]
    points = {n + d for n in line for d in (-2, -1, 0, 1, 2, Fraction(-1, 2), Fraction(1, 2))}
    points |= {Fraction(int(n)) + d for n in line for d in (-1, 0, 1)}
    points |= {min(line) - 100_000, max(line) + 100_000, min(line) - 33, max(line) + 33}
    return sorted(
        n
        for n in points
        if (attribute.type != "integer" or n.denominator == 1)
        and (attribute.low is None or n >= attribute.low)
        and (attribute.high is None or n <= attribute.high)
    )


UNFOLDED: dict[str, list[tuple[str, bool]]] = {}
"""Which characters folds make into these texts, and whether each is the first of its sort."""


def unfolded(text: str, named: str) -> Iterator[str]:
    """The text with some letters of it written as another character that folds make into them: of all in Unicode one of
    each sort, and those that the rule names. Or with a mark after a letter."""
    if not UNFOLDED:
        kinds: set[tuple[bool, str, str]] = set()
        for sign in (chr(code) for code in range(0x30000) if not 0xAC00 <= code < 0xE000):
            small, plain, both = sign.casefold(), without_accents(sign), without_accents(sign.casefold())
            kind = (small == sign, plain, both)
            if plain and {small, plain, both} != {sign}:
                for form in {small, plain, both}:
                    UNFOLDED.setdefault(form, []).append((sign, kind not in kinds))
                kinds.add(kind)
    for length in (1, 2, 3):
        for at in range(len(text) - length + 1):
            for sign, is_first in UNFOLDED.get(text[at : at + length], ()):
                if is_first or sign in named:
                    yield text[:at] + sign + text[at + length :]
    for at in range(1, len(text) + 1):
        yield text[:at] + "\u0301" + text[at:]


def some_texts(attribute: Attribute, known: list[Any], rule: Any, outside: Outside) -> list[str]:
    if attribute.values:
        return list(attribute.values)
    constants = [k for k in known if isinstance(k, str)]
    for name in properties(rule):
        scheme = outside.vocabularies.get(outside.attributes[name].vocabulary or "")
        constants += [*(scheme.concepts if scheme else ()), *outside.attributes[name].values]
    ops = {n["op"] for n in nodes(rule) if isinstance(n, dict) and "op" in n}
    texts = set(constants) | {""}
    rewritten: set[str] = set()
    if "like" in ops:
        for _ in range(2):
            for text in list(texts):
                if "%" in text or "_" in text or "\\" in text:
                    for run, one in product(("", "k", "kv", "%", *constants[:3]), ("j", "_", "o")):
                        texts.add(
                            text.replace("\\%", "\0")
                            .replace("\\_", "\1")
                            .replace("%", run)
                            .replace("_", one)
                            .replace("\0", "%")
                            .replace("\1", "_")
                        )
        texts |= {f"{a}{b}" for a in list(texts)[:20] for b in ("o", "n")}
    if "casei" in ops or "accenti" in ops:
        texts |= {
            form for t in list(texts) for form in (t.upper(), t.lower(), t.capitalize(), t.casefold(), t.swapcase())
        }
        texts |= {t + "\u0301" for t in list(texts) if t} | {without_accents(t) for t in list(texts)}
        texts |= {t[0] + "\u0301" + t[1:] for t in list(texts) if t}
        # What only folds make fit matters where another clause reads the text too.
        if sum(node == {"property": attribute.name} for node in nodes(rule)) > 1:
            plain = {form for t in constants for form in (t, t.capitalize())}
            rewritten = {form for t in plain for form in unfolded(t, "".join(constants))}
    more = {form for t in texts for form in (t, t + "!", t + "!!", t + "~", t[:-1])}
    return sorted(more | rewritten | {"zz", "~~", "!"})


def some_sets(attribute: Attribute, known: list[Any], rule: Any, outside: Outside) -> list[frozenset[str]]:
    named = {term for k in known if isinstance(k, frozenset) for term in k if isinstance(term, str)}
    # Another list with values of its own may be held against this one.
    others = [outside.attributes[n] for n in properties(rule)]
    named |= {term for other in others if other.many for term in other.values}
    scheme = outside.vocabularies.get(attribute.vocabulary or "")
    asked = [n for n in nodes(rule) if isinstance(n, dict) and n.get("op") == "narrower"]
    if asked and scheme is not None:
        named |= set(scheme.concepts)
    most = max(
        [
            0,
            *(int(k) for k in known if isinstance(k, Fraction) and k >= 0),
            *(len(k) for k in known if isinstance(k, frozenset)),
        ]
    )
    if attribute.values:
        pool, fresh = sorted(attribute.values), []
    else:
        pool, fresh = sorted(named), [f"fresh {n}" for n in range(min(most, 199) + 2)]
    if len(pool) > 12:
        raise TooMany
    # Few sets of the vocabulary's terms are needed beside each other: up to three together, and all of them.
    sizes = range(len(pool) + 1) if len(pool) <= 8 else (0, 1, 2, 3, len(pool))
    picks = [frozenset(p) for size in sizes for p in combinations(pool, size)]
    return [pick | frozenset(fresh[:more]) for pick in picks for more in range(len(fresh) + 1)]


def outcomes(rule: Any, facts: Mapping[str, Any], outside: Outside, names: Iterable[str] | None = None) -> set[bool]:
    """The answers that the worlds give, at most both."""
    wanted = list(properties(rule)) if names is None else list(names)
    domains = [domain(name, facts, rule, outside) for name in wanted]
    seen: set[bool] = set()
    for tried, picked in enumerate(product(*domains)):
        if tried > MOST_WORLDS:
            raise TooMany
        seen.add(holds(rule, dict(zip(wanted, picked, strict=True)), outside))
        if len(seen) == 2:
            break
    return seen


def verdict(rule: Any, facts: Mapping[str, Any], outside: Outside) -> str:
    """yes, no or undecided for one view of a coin. `rule` is CQL2 JSON, `facts` the JSON of a holding."""
    rule = graded(rule)
    seen = outcomes(rule, facts, outside)
    return "undecided" if len(seen) == 2 else "yes" if True in seen else "no"


def verdict_of_views(rule: Any, views: Sequence[Mapping[str, Any]], outside: Outside) -> str:
    """yes or no only where every candidate issue says so."""
    seen = {verdict(rule, facts, outside) for facts in views}
    return seen.pop() if len(seen) == 1 else "undecided"


def verdict_among(rule: Any, known: Mapping[str, Sequence[Thing]], outside: Outside) -> str:
    """The verdict where each attribute is one of these things."""
    seen: set[bool] = set()
    for tried, picked in enumerate(product(*known.values())):
        if tried > MOST_WORLDS // 100:
            raise TooMany
        seen.add(holds(rule, dict(zip(known, picked, strict=True)), outside))
        if len(seen) == 2:
            return "undecided"
    return "yes" if True in seen else "no"


def verdicts_when_known(
    rule: Any, fixed: Mapping[str, list[Thing]], facts: Mapping[str, Any], outside: Outside
) -> set[str]:
    """The verdicts that are left once every fact is known, up to the second: undecided where the reference data leave it so."""
    rest = {n: tellable(n, facts, rule, outside) for n in properties(rule) if n not in fixed}
    seen: set[str] = set()
    for tried, picked in enumerate(product(*rest.values())):
        if tried > MOST_WORLDS // 100:
            raise TooMany
        seen.add(verdict_among(rule, {**fixed, **dict(zip(rest, picked, strict=True))}, outside))
        if len(seen) > 1:
            break
    return seen


def is_by_reference(rule: Any, views: Sequence[Mapping[str, Any]], outside: Outside) -> bool:
    """For a doubt: whether it remains when every fact is known."""
    return all(verdicts_when_known(rule, {}, facts, outside) == {"undecided"} for facts in views)


def is_declared(rule: Any, views: Sequence[Mapping[str, Any]], outside: Outside) -> bool:
    """For a doubt: whether some choice among all that is recorded makes it a yes whatever the unrecorded facts are, or leaves
    no doubt but of the reference data."""
    for facts in views:
        recorded = {name: tellable(name, facts, rule, outside) for name in properties(rule) if name in facts}
        for picked in product(*recorded.values()):
            fixed = dict(zip(recorded, picked, strict=True))
            if verdicts_when_known(rule, fixed, facts, outside) in ({"yes"}, {"undecided"}):
                return True
    return False


def basis_of(rule: Any, views: Sequence[Mapping[str, Any]], outside: Outside) -> str:
    """What a doubt rests on."""
    if is_by_reference(rule, views, outside):
        return "reference"
    return "alternatives" if is_declared(rule, views, outside) else "unknown"


# --- whole small evaluations -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Spot:
    """One place: its address and group, the rule that a coin must fit, and its criteria."""

    address: str
    group: str
    required: bool
    rule: Any
    prefer: tuple[Any, ...]
    prefer_name: str


@dataclass(frozen=True)
class Coin:
    id: str
    quantity: int
    views: tuple[dict[str, Any], ...]
    presumed: tuple[frozenset[str], ...] = ()


@dataclass
class Answer:
    """seats: place -> (holding, basis, forced); basis is firm, or the doubt; a tentative one is never forced.
    levels: by name, but for the preferences, as they are reported. instead: place -> who would do as well there."""

    seats: dict[str, tuple[str, str, bool]]
    levels: dict[str, int]
    certain: int
    possible: int
    empty: list[str] = field(default_factory=list)
    instead: dict[str, list[str]] = field(default_factory=dict)


def parsed(rule: Any) -> Any:
    from service.rules.cql2.expression import parse

    return graded(parse(rule).json)


def spots(document: Mapping[str, Any], coins: Sequence[Coin], outside: Outside) -> list[Spot]:
    scope = [parsed(document["scope"])] if "scope" in document else []
    found: list[Spot] = []

    def of(entry: Mapping[str, Any], name: str, address: str, group: str, more: list[Any]) -> Spot:
        accepts = [parsed(entry["accepts"])] if "accepts" in entry else []
        parts = [*scope, *accepts, *more]
        rule = parts[0] if len(parts) == 1 else {"op": "and", "args": parts}
        own = entry.get("prefer") or None
        prefer = own if own is not None else document.get("prefer", [])
        criteria = tuple({**c, "where": parsed(c["where"])} if "where" in c else c for c in prefer)
        tier = entry.get("tier", "required") == "required"
        return Spot(address, group, tier, rule, criteria, name if own is not None else "the set")

    found.extend(of(entry, entry["id"], entry["id"], "", []) for entry in document.get("slots", []))
    for entry in document.get("one_per", []):
        base = [*scope, *([parsed(entry["accepts"])] if "accepts" in entry else [])]
        cuts = cuts_of(entry)
        for key in keys_of(entry, cuts, base, coins, outside):
            fits = [rule_of_key(entry, cut, one, outside) for cut, one in zip(cuts, key, strict=True)]
            address = "/".join(step_of(one) for one in key)
            found.append(of(entry, entry["id"], f"{entry['id']}/{address}", entry["id"], fits))
    for entry in document.get("free_choice", []):
        found.extend(of(entry, entry["id"], f"{entry['id']}/{n + 1}", entry["id"], []) for n in range(entry["places"]))
    return found


NO_VALUE = {"none": True}


def cuts_of(entry: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The attributes of the key, each with how it is cut."""
    if isinstance(entry["attribute"], str):
        return [entry]
    return [{"attribute": one} if isinstance(one, str) else one for one in entry["attribute"]]


def step_of(key: Any) -> str:
    """Section 10: inside a key `/` is `%2F`, `%` is `%25`, none is `none`, a text key "none" is `%6Eone`."""
    if key == NO_VALUE:
        return "none"
    if isinstance(key, bool):
        return "true" if key else "false"
    if isinstance(key, str):
        return "%6Eone" if key == "none" else "".join({"%": "%25", "/": "%2F"}.get(sign, sign) for sign in key)
    return str(key)


def rule_of_key(entry: Mapping[str, Any], cut: Mapping[str, Any], key: Any, outside: Outside) -> Any:
    name = {"property": cut["attribute"]}
    attribute = outside.attributes[cut["attribute"]]
    if key == NO_VALUE:
        return {"op": "isNull", "args": [name]}
    if "band" in cut:
        above = {"op": ">=", "args": [name, key]}
        return {"op": "and", "args": [above, {"op": "<", "args": [name, key + cut["band"]]}]}
    if "bands" in cut:
        (band,) = (band for band in cut["bands"] if band["key"] == key)
        ends = [{"op": op, "args": [name, band[end]]} for op, end in ((">=", "from"), ("<=", "to")) if end in band]
        return ends[0] if len(ends) == 1 else {"op": "and", "args": ends}
    if entry["keys"]["from"] == "vocabulary":
        return {"op": "narrower", "args": [name, key]}
    if attribute.many:
        return {"op": "a_contains", "args": [name, [key]]}
    return {"op": "=", "args": [name, {"date": key} if attribute.type == "date" else key]}


def shown_keys(cut: Mapping[str, Any], raw: Any) -> list[Any]:
    """The keys that a recorded fact shows, in any order; a range and an unknown fact show none."""
    if is_subsets(raw):
        return [*raw.get("has", []), *raw.get("perhaps", [])]
    shown: list[Any] = []
    for item in values_of(raw):
        if item == NO_VALUE:
            shown += [NO_VALUE] if cut.get("none") else []
        elif isinstance(item, dict):
            continue
        elif "band" in cut:
            low = 0
            while low + cut["band"] <= item:
                low += cut["band"]
            while low > item:
                low -= cut["band"]
            shown.append(low)
        elif "bands" in cut:
            shown += [b["key"] for b in cut["bands"] if b.get("from", item) <= item <= b.get("to", item)]
        else:
            shown += item if isinstance(item, list) else [item]
    return shown


def keys_of(
    entry: Mapping[str, Any],
    cuts: Sequence[Mapping[str, Any]],
    base: list[Any],
    coins: Sequence[Coin],
    outside: Outside,
) -> list[tuple[Any, ...]]:
    keys = entry["keys"]
    if keys["from"] == "list":
        return [tuple(key) if isinstance(key, list) else (key,) for key in keys["values"]]
    if keys["from"] == "vocabulary":
        scheme = outside.vocabularies[keys["name"]]
        level = keys.get("level")
        picked = list(scheme.concepts)
        if isinstance(level, dict):
            picked = [c.id for c in scheme.concepts.values() if level["children_of"] in c.broader]
        elif level == "narrowest":
            picked = [c for c in scheme.concepts if below(scheme, c) == [c]]
        return [(key,) for key in sorted(picked)] + ([(NO_VALUE,)] if cuts[0].get("none") else [])
    rule = {"op": "and", "args": [*base, True, True]}
    shown: list[tuple[Any, ...]] = []
    for coin in coins:
        if verdict_of_views(rule, coin.views, outside) == "no":
            continue
        for facts in coin.views:
            shown += product(*(shown_keys(cut, facts.get(cut["attribute"])) for cut in cuts))

    def order(key: tuple[Any, ...]) -> list[Any]:
        places = []
        for cut, one in zip(cuts, key, strict=True):
            names = [band["key"] for band in cut.get("bands", [])]
            places.append((one == NO_VALUE, 0 if one == NO_VALUE else names.index(one) if names else one))
        return places

    found: list[tuple[Any, ...]] = []
    for key in sorted(shown, key=order):
        if key not in found:
            found.append(key)
    return found


def values_of(raw: Any) -> list[Any]:
    if raw is None:
        return []
    return list(raw["one_of"]) if isinstance(raw, dict) and "one_of" in raw else [raw]


def worth(criterion: Any, coin: Coin, outside: Outside) -> Fraction | None:
    """The value under one criterion, greater being better for where and highest; of a doubt the worst; None: missing."""
    if "where" in criterion:
        return Fraction(verdict_of_views(criterion["where"], coin.views, outside) == "yes")
    kind = next(k for k in ("highest", "lowest", "order") if k in criterion)
    seen: list[Fraction] = []
    for facts in coin.views:
        raw = facts.get(criterion[kind])
        if raw is None:
            return None
        ends = values_of(raw)
        if isinstance(raw, dict) and raw and set(raw) <= {"from", "to"}:
            worse = "from" if kind == "highest" else "to"
            if worse not in raw:
                return None
            ends = [raw[worse]]
        for item in ends:
            if item == {"none": True}:
                return None
            if kind == "order":
                listed = criterion["values"]
                seen.append(Fraction(listed.index(item) if item in listed else len(listed)))
            else:
                seen.append(read(outside.attributes[criterion[kind]], item))
    return min(seen) if kind == "highest" else max(seen)


@dataclass(frozen=True)
class SetLevelRule:
    """A set-level rule; `possible` is None for a key that nobody knows, else every key that the coin may show."""

    kind: str
    inside: frozenset[str]
    count: int
    possible: Mapping[str, frozenset[Any] | None]
    sure: Mapping[str, frozenset[Any]]
    basis: Mapping[str, str]
    place: str = ""
    open_facts: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def covers(self, spot: Spot) -> bool:
        if self.kind in ("at_least", "matches"):
            return False
        return self.kind == "not_elsewhere" or spot.address in self.inside

    def keeps(self, seats: Sequence[tuple[Spot, Any]]) -> bool:
        """Whether coins with these keys keep the rule; a key is None where it does not fit an `at_most ... where`."""
        here = [key for spot, key in seats if spot.address in self.inside]
        if self.kind == "at_most":
            return all(here.count(key) <= self.count for key in set(here) if key is not None)
        if self.kind == "same":
            return len(set(here)) <= 1
        if self.kind == "different":
            return len(set(here)) == len(here)
        return not set(here) & {key for spot, key in seats if spot.address not in self.inside}


def set_level_rules(
    document: Mapping[str, Any], places: Sequence[Spot], coins: Sequence[Coin], outside: Outside
) -> list[SetLevelRule]:
    entries: list[dict[str, Any]] = []
    for choice in document.get("free_choice", []):
        if choice.get("distinct"):
            entries.append({"kind": "different", "by": choice["distinct"], "places": [choice["id"]]})
        entries += [{"kind": "at_most", "places": [choice["id"]], **item} for item in choice.get("at_most", [])]
    made = []
    for entry in [*entries, *document.get("constraints", [])]:
        names = entry.get("places")
        inside = frozenset(s.address for s in places if names is None or s.address in names or s.group in names)
        by = entry.get("by", entry.get("per"))
        by = [by] if isinstance(by, str) else by
        possible: dict[str, frozenset[Any] | None] = {}
        sure: dict[str, frozenset[Any]] = {}
        basis: dict[str, str] = {}
        for coin in coins:
            basis[coin.id] = "alternatives"
            if by is None:
                rule = parsed(entry["where"])
                fits = verdict_of_views(rule, coin.views, outside)
                possible[coin.id] = frozenset({"yes": [1], "no": [None], "undecided": [1, None]}[fits])
                if fits == "undecided":
                    basis[coin.id] = basis_of(rule, coin.views, outside)
            else:
                keys: set[Any] | None = set()
                for facts in coin.views:
                    if any(name not in facts for name in by):
                        keys, basis[coin.id] = None, "unknown"
                        break
                    options = [all_keys(outside.attributes[name], facts[name]) for name in by]
                    if any(o is None for o in options):
                        keys = None
                        break
                    keys |= set(product(*(o for o in options if o is not None)))
                possible[coin.id] = None if keys is None else frozenset(keys)
            found = possible[coin.id]
            sure[coin.id] = found if found is not None and len(found) == 1 else frozenset()
        read = by if by is not None else properties(parsed(entry["where"]))
        open_facts = {
            c.id: frozenset(n for n in read if basis[c.id] != "reference" and not is_one_thing(n, c, outside))
            for c in coins
        }
        more = (entry.get("place", ""), open_facts)
        made.append(SetLevelRule(entry["kind"], inside, entry.get("count", 0), possible, sure, basis, *more))
    # A coin that must match one of the places stays away where there are none of them.
    return [b for b in made if b.inside or b.kind in ("at_least", "matches")]


def is_one_thing(name: str, coin: Coin, outside: Outside) -> bool:
    """Whether the fact is recorded with one value, as whatever issue the coin is."""
    seen = [all_keys(outside.attributes[name], facts[name]) if name in facts else None for facts in coin.views]
    return (
        all(keys is not None and len(set(keys)) == 1 for keys in seen) and len({keys[0] for keys in seen if keys}) == 1
    )


def facts_to_settle(rule: Any, views: Sequence[Mapping[str, Any]], outside: Outside) -> int:
    """How many facts settle a doubt at the least: the issue where there are several; 0 where all of them do not."""
    if is_by_reference(rule, views, outside):
        return 0
    if len(views) > 1:
        return 1
    facts = views[0]
    known = {name: tellable(name, facts, rule, outside) for name in properties(rule)}
    every = {name: [thing for group in groups for thing in group] for name, groups in known.items()}
    open_names = [name for name, groups in known.items() if len(groups) > 1]
    for size in range(len(open_names) + 1):
        for chosen in combinations(open_names, size):
            if all(
                verdict_among(rule, {**every, **dict(zip(chosen, picked, strict=True))}, outside) != "undecided"
                for picked in product(*(known[name] for name in chosen))
            ):
                return size
    return 0


def match(rule: SetLevelRule, one: Coin, other: Coin) -> str | None:
    """How sure it is that two coins share a key; None: they cannot. An unknown key is a wildcard."""
    if one.id == other.id:
        return "firm"
    mine, yours = rule.possible[one.id], rule.possible[other.id]
    if mine is not None and yours is not None and not mine & yours:
        return None
    return together(rule.basis[c.id] for c in (one, other) if not rule.sure[c.id])


DOUBTS = ("firm", "alternatives", "reference", "unknown")
RANK = {"firm": 0, "alternatives": 1, "reference": 2, "unknown": 2}


def worst_of(bases: Iterable[str]) -> str:
    return max(bases, key=DOUBTS.index, default="firm")


def together(bases: Iterable[str]) -> str:
    """What a doubt for several reasons rests on: the reference data only where nothing else leaves it open."""
    found = set(bases)
    return worst_of(found - {"reference"}) if found - {"reference"} else worst_of(found)


def all_keys(attribute: Attribute, raw: Any) -> list[Any] | None:
    if isinstance(raw, dict) and raw and set(raw) <= {"from", "to"}:
        if attribute.type != "integer" or set(raw) != {"from", "to"}:
            return None
        return [Fraction(n) for n in range(raw["from"], raw["to"] + 1)]
    if is_subsets(raw):
        return all_lists(raw)
    return [read(attribute, item) for item in values_of(raw)]


Seat = tuple[Spot, Coin]


def keeps_in_every_world(set_rule: SetLevelRule, seats: Sequence[Seat]) -> bool:
    """Every coin picks one of its keys, pieces of one holding the same."""
    covered = [(s, c) for s, c in seats if set_rule.covers(s)]
    if any(set_rule.possible[c.id] is None for _, c in covered):
        return False
    ids = sorted({c.id for _, c in covered})
    for picked in product(*(sorted(set_rule.possible[i] or (), key=str) for i in ids)):
        keys = dict(zip(ids, picked, strict=True))
        if not set_rule.keeps([(s, keys[c.id]) for s, c in covered]):
            return False
    return True


def keeps_what_is_sure(set_rule: SetLevelRule, seats: Sequence[Seat]) -> bool:
    """The rule over settled keys; an unsettled key is a wildcard, but pieces of one holding share it."""
    if set_rule.kind == "at_most":
        surely = [
            (s, next(iter(set_rule.sure[c.id])) if set_rule.sure[c.id] else ("somehow", c.id))
            for s, c in seats
            if set_rule.covers(s) and (set_rule.sure[c.id] or None not in (set_rule.possible[c.id] or ()))
        ]
        return set_rule.keeps(surely)
    covered = [(s, c) for s, c in seats if set_rule.covers(s)]
    for a, b in combinations(covered, 2):
        keys = [next(iter(set_rule.sure[c.id])) if set_rule.sure[c.id] else ("somehow", c.id) for _, c in (a, b)]
        wild = any(not set_rule.sure[c.id] for _, c in (a, b)) and a[1].id != b[1].id
        if not wild and not set_rule.keeps([(a[0], keys[0]), (b[0], keys[1])]):
            return False
    return True


@dataclass
class Assignments:
    """One set with its coins: every assignment, and every way of calling placements tentative, that keeps its rules."""

    places: list[Spot]
    coins: list[Coin]
    fits: dict[tuple[str, str], str]
    lengths: dict[tuple[str, str], int]
    rules: list[SetLevelRule]
    prices: list[dict[tuple[str, str], Fraction]]
    pins: set[tuple[str, str]]
    previous: set[tuple[str, str]]
    resting: set[tuple[str, str]] = field(default_factory=set)

    def by_keys(self, seat: Seat) -> str:
        spot, coin = seat
        return together(b.basis[coin.id] for b in self.rules if b.covers(spot) and not b.sure[coin.id])

    def bound_by(self, spot: Spot) -> list[SetLevelRule]:
        return [b for b in self.rules if b.kind == "matches" and b.place == spot.address]

    def to_check(self, seat: Seat) -> int:
        spot, coin = seat
        if self.fits[spot.address, coin.id] != "firm":
            return self.lengths[spot.address, coin.id]
        rules = [b for b in self.rules if b.covers(spot)] + self.bound_by(spot)
        return len({name for b in rules if not b.sure[coin.id] for name in b.open_facts[coin.id]})

    def ways(self) -> Iterator[tuple[list[Seat], list[str]]]:
        """Every assignment, each seat with what it rests on."""
        for seats in seatings(self.places, self.coins, self.fits):
            if not all(keeps_what_is_sure(b, seats) for b in self.rules):
                continue
            for bases in product(*(self.options(seat) for seat in seats)):
                firm = [seat for seat, basis in zip(seats, bases, strict=True) if basis == "firm"]
                if not all(keeps_in_every_world(b, firm) for b in self.rules):
                    continue
                if all(
                    self.is_matched(b, seat, basis, list(zip(seats, bases, strict=True)))
                    for seat, basis in zip(seats, bases, strict=True)
                    for b in self.bound_by(seat[0])
                ):
                    yield seats, list(bases)

    def options(self, seat: Seat) -> list[str]:
        spot, coin = seat
        own = self.fits[spot.address, coin.id]
        if own != "firm":
            return [own]
        covering = [b for b in self.rules if b.covers(spot) and not b.sure[coin.id]]
        bound = self.bound_by(spot)
        found = [] if any(b.possible[coin.id] is None for b in covering) else ["firm"]
        if covering or bound:
            least = worst_of(["alternatives", self.by_keys(seat)])
            found += DOUBTS[1:] if bound and least == "alternatives" else [least]
        return found

    def is_matched(self, rule: SetLevelRule, seat: Seat, basis: str, seated: Sequence[tuple[Seat, str]]) -> bool:
        others = [
            worst_of([how, other_basis])
            for (spot, coin), other_basis in seated
            if spot.address in rule.inside and spot.address != rule.place and (how := match(rule, seat[1], coin))
        ]
        if not others:
            return False
        own = self.fits[seat[0].address, seat[1].id]
        if own != "firm":
            return True
        least = min(RANK[other] for other in others)
        if least == RANK[basis] == 2 and RANK[self.by_keys(seat)] < 2:
            return basis == worst_of(others)
        return least <= RANK[basis]

    def pins_kept(self, seats: Sequence[Seat]) -> int:
        groups = {s.group for s in self.places if s.group}
        kept = 0
        for coin, name in self.pins:
            kept += any(c.id == coin and (s.group if name in groups else s.address) == name for s, c in seats)
        return kept

    def levels(self, seats: Sequence[Seat], bases: Sequence[str]) -> dict[str, Any]:
        doubtful = [seat for seat, basis in zip(seats, bases, strict=True) if basis != "firm"]
        found = {
            "pins": self.pins_kept(seats),
            "required": sum(s.required for s, _ in seats),
            "places": len(seats),
            "unknown": sum(RANK[basis] == 2 for basis in bases),
            "alternatives": bases.count("alternatives"),  # type: ignore[attr-defined]
            "to_check": sum(map(self.to_check, doubtful)),
            "presumed": sum(
                (s.address, c.id) in self.resting for (s, c), basis in zip(seats, bases, strict=True) if basis == "firm"
            ),
            "shortfall": sum(max(0, b.count - self.reached(b, seats, bases)) for b in self.goals),
        }
        found |= {f"prefer-{n + 1}": sum(p[s.address, c.id] for s, c in seats) for n, p in enumerate(self.prices)}
        return found | {"moved": sum((s.address, c.id) in self.previous for s, c in seats)}

    @property
    def goals(self) -> list[SetLevelRule]:
        return [b for b in self.rules if b.kind == "at_least"]

    @staticmethod
    def reached(goal: SetLevelRule, seats: Sequence[Seat], bases: Sequence[str]) -> int:
        surely = frozenset({1})
        firm = [seat for seat, basis in zip(seats, bases, strict=True) if basis == "firm"]
        return sum(s.address in goal.inside and goal.sure[c.id] == surely for s, c in firm)


MORE_IS_BETTER = ("pins", "required", "places", "moved")


def rank(levels: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(-value if name in MORE_IS_BETTER else value for name, value in levels.items())


def assignments(
    document: Mapping[str, Any],
    holdings: Sequence[Mapping[str, Any]],
    outside: Outside,
    *,
    issues: Mapping[str, Mapping[str, Any]] | None = None,
    pins: Iterable[tuple[str, str]] = (),
    nevers: Iterable[tuple[str, str]] = (),
    previous: Iterable[tuple[str, str]] = (),
) -> Assignments:
    nevers = set(nevers)
    outside = with_own_vocabularies(outside, document)
    coins = sorted(
        (
            a_coin(raw, issues or {}, document, outside)
            for raw in holdings
            if raw.get("status", "held") in ("held", "for trade")
        ),
        key=lambda c: c.id,
    )
    places = spots(document, coins, outside)
    fits: dict[tuple[str, str], str] = {}
    lengths: dict[tuple[str, str], int] = {}
    for spot in places:
        for coin in coins:
            found = verdict_of_views(spot.rule, coin.views, outside)
            barred = {(coin.id, spot.address), (coin.id, spot.group)} & nevers
            if found != "no" and not barred:
                fits[spot.address, coin.id] = "firm" if found == "yes" else basis_of(spot.rule, coin.views, outside)
                if found == "undecided":
                    lengths[spot.address, coin.id] = facts_to_settle(spot.rule, coin.views, outside)
    rules = set_level_rules(document, places, coins, outside)
    prices = losses(places, coins, fits, outside)
    resting = {
        (spot.address, coin.id)
        for spot in places
        for coin in coins
        if fits.get((spot.address, coin.id)) == "firm" and smallest_presumed(spot.rule, coin, outside, "yes")
    }
    return Assignments(places, coins, fits, lengths, rules, prices, set(pins), set(previous), resting)


def evaluate(
    document: Mapping[str, Any],
    holdings: Sequence[Mapping[str, Any]],
    outside: Outside,
    *,
    issues: Mapping[str, Mapping[str, Any]] | None = None,
    pins: Iterable[tuple[str, str]] = (),
    nevers: Iterable[tuple[str, str]] = (),
    previous: Iterable[tuple[str, str]] = (),
) -> Answer:
    """Every assignment, every way of calling placements tentative, the best by the levels of rules.md section 5."""
    one = assignments(document, holdings, outside, issues=issues, pins=pins, nevers=nevers, previous=previous)
    best: tuple[Any, ...] | None = None
    optima: list[tuple[list[Seat], list[str]]] = []
    most_pins, certain, possible = -1, 0, 0
    for seats, bases in one.ways():
        found = one.levels(seats, bases)
        if found["pins"] > most_pins:
            most_pins, certain, possible = found["pins"], 0, 0
        if found["pins"] == most_pins:
            certain, possible = max(certain, bases.count("firm")), max(possible, len(seats))
        worth_of = rank(found)
        if best is None or worth_of < best:
            best, optima = worth_of, []
        if worth_of == best:
            optima.append((seats, bases))
    order = {coin.id: n for n, coin in enumerate(one.coins)}

    def canonical(answer: tuple[list[Seat], list[str]]) -> tuple[Any, ...]:
        seats, bases = answer
        at = {s.address: order[c.id] for s, c in seats}
        firm, unknown = [b != "firm" for b in bases], [RANK[b] == 2 for b in bases]
        return [at.get(s.address, len(order)) for s in one.places], firm, unknown

    seats, bases = min(optima, key=canonical)
    counts = {place["id"]: place["places"] for place in document.get("free_choice", [])}
    told: dict[str, tuple[str, str, bool]] = {}
    instead: dict[str, list[str]] = {}
    for (spot, coin), basis in zip(seats, bases, strict=True):
        # The places of a free choice are alike: what counts is whether the coin is in it.
        alike = [s.address for s in one.places if s.group == spot.group] if spot.group in counts else [spot.address]
        now = {c.id for s, c in seats if s.address in alike}
        without = [{c.id for s, c in other if s.address in alike} for other, _ in optima]
        without = [there for there in without if coin.id not in there]
        told[spot.address] = (coin.id, basis, basis == "firm" and not without)
        if basis == "firm" and without:
            instead[spot.address] = sorted(set().union(*without) - now, key=order.__getitem__)[:5]
    levels = {name: value for name, value in one.levels(seats, bases).items() if not name.startswith("prefer-")}
    empty = [s.address for s in one.places if s.address not in told]
    return Answer(told, levels, certain, possible, empty, instead)


# --- what nobody wrote down (rules.md sections 9 and 11) ----------------------------------------------------------------

MEASURED = (
    "weight_measured weight_legal weight_tolerance weight_least fine_weight diameter thickness".split()  # noqa: SIM905
)


def a_coin(
    raw: Mapping[str, Any],
    issues: Mapping[str, Mapping[str, Any]],
    document: Mapping[str, Any] | None = None,
    outside: Outside | None = None,
) -> Coin:
    document = document or {}
    own = raw.get("facts", {})
    named = raw.get("issue")
    names = [] if named is None else [named] if isinstance(named, str) else list(dict.fromkeys(named["one_of"]))
    if outside is None:
        views: list[dict[str, Any]] = [{**issues[name], **own} for name in names] or [dict(own)]
        return Coin(raw["id"], raw.get("quantity", 1), tuple(views))
    agreeing = [name for name in names if not clashing(own, issues[name], outside)]
    if names and not agreeing:
        views = [{**issues[name], **own} for name in names]
    else:
        if not names:
            agreeing = identified(own, issues, document, outside)[0]
        views = [as_issue(own, issues[name], outside) for name in agreeing] or [dict(own)]
    told = [(world, presumed) for view in views for world, presumed in with_presumed(view, document, outside)]
    return Coin(
        raw["id"],
        raw.get("quantity", 1),
        tuple({**presumed, **world} for world, presumed in told),
        tuple(frozenset(presumed) for _, presumed in told),
    )


def failing_examples(
    document: Mapping[str, Any], issues: Mapping[str, Mapping[str, Any]], outside: Outside
) -> set[str]:
    """The pointers of the author's expectations that do not hold (section 10). A group is fitted by a coin that fits one of
    its places; the keys of an open-ended group are those that the coin shows, and where it shows none, but may have one, it
    may fit a place that another coin opens (section 11)."""
    wrong = set()
    for number, example in enumerate(document.get("examples", [])):
        coin = a_coin({"id": "example", "facts": example["facts"]}, issues, document, outside)
        here = spots(document, [coin], outside)
        for member, wanted in (("fits", "yes"), ("not", "no")):
            for at, address in enumerate(example.get(member, [])):
                told = {
                    verdict_of_views(spot.rule, coin.views, outside)
                    for spot in here
                    if address in (spot.address, spot.group)
                }
                verdict = "yes" if "yes" in told else "undecided" if "undecided" in told else "no"
                for entry in document.get("one_per", []):
                    if verdict == "no" and entry["id"] == address and entry["keys"]["from"] == "holdings":
                        may = {"op": "and", "args": [*common_rules(document, entry), True, True, *having_a_key(entry)]}
                        verdict = "no" if verdict_of_views(may, coin.views, outside) == "no" else "undecided"
                if verdict != wanted:
                    wrong.add(f"/examples/{number}/{member}/{at}")
    return wrong


def common_rules(document: Mapping[str, Any], entry: Mapping[str, Any]) -> list[Any]:
    return [parsed(rule) for rule in (document.get("scope"), entry.get("accepts")) if rule is not None]


def having_a_key(entry: Mapping[str, Any]) -> Iterator[Any]:
    for cut in cuts_of(entry):
        name = {"property": cut["attribute"]}
        ways = []
        for band in cut.get("bands", []):
            ends = [{"op": op, "args": [name, band[end]]} for op, end in ((">=", "from"), ("<=", "to")) if end in band]
            ways.append({"op": "and", "args": [*ends, True]})
        if not ways:
            ways = [{"op": "not", "args": [{"op": "isNull", "args": [name]}]}]
        yield {"op": "or", "args": [*ways, {"op": "isNull", "args": [name]} if cut.get("none") else False]}


def agrees(attribute: Attribute, recorded: Any, theirs: Any, outside: Outside) -> bool:
    """Whether a recorded value is one of the issue's values."""
    if isinstance(theirs, dict) and theirs and set(theirs) <= {"from", "to"}:
        number = read(attribute, recorded)
        ends = {end: read(attribute, theirs[end]) for end in theirs}
        return number != NONE and ends.get("from", number) <= number <= ends.get("to", number)
    for other in values_of(theirs):
        one, two = read(attribute, recorded), read(attribute, other)
        if one == two:
            return True
        if NONE in (one, two):
            continue
        if isinstance(one, str):
            scheme = outside.vocabularies.get(attribute.vocabulary or "")
            if scheme is not None and (two in uppers(scheme, one) or one in uppers(scheme, two)):
                return True
            if without_accents(one.casefold()) == without_accents(two.casefold()):
                return True
        elif isinstance(one, Fraction) and attribute.type in ("integer", "decimal"):
            decimals = len(f"{float(one):.10f}".rstrip("0").partition(".")[2])
            lower, rest = divmod(two * 10**decimals, 1)
            near = {lower} if rest < Fraction(1, 2) else {lower + 1} if rest > Fraction(1, 2) else {lower, lower + 1}
            if one * 10**decimals in near:
                return True
    return False


def narrowed(attribute: Attribute, recorded: Any, theirs: Any, outside: Outside) -> Any:
    """What of a recorded fact agrees with the issue's; the text "nothing" where nothing does."""
    if isinstance(recorded, dict) and recorded and set(recorded) <= {"from", "to"}:
        if not (isinstance(theirs, dict) and theirs and set(theirs) <= {"from", "to"}):
            kept = [v for v in values_of(theirs) if agrees(attribute, v, recorded, outside)]
            return {"one_of": kept} if kept else "nothing"
        lows = [fact["from"] for fact in (recorded, theirs) if "from" in fact]
        highs = [fact["to"] for fact in (recorded, theirs) if "to" in fact]
        if lows and highs and max(lows) > min(highs):
            return "nothing"
        return {**({"from": max(lows)} if lows else {}), **({"to": min(highs)} if highs else {})}
    kept = [value for value in values_of(recorded) if agrees(attribute, value, theirs, outside)]
    return {"one_of": kept} if len(kept) > 1 else kept[0] if kept else "nothing"


def can_clash(name: str, outside: Outside) -> bool:
    return not outside.attributes[name].many and name not in MEASURED


def clashing(own: Mapping[str, Any], issue: Mapping[str, Any], outside: Outside) -> list[str]:
    return [
        name
        for name in sorted(own)
        if name in issue
        and can_clash(name, outside)
        and narrowed(outside.attributes[name], own[name], issue[name], outside) == "nothing"
    ]


def as_issue(own: Mapping[str, Any], issue: Mapping[str, Any], outside: Outside) -> dict[str, Any]:
    facts = {**issue, **own}
    for name in own:
        if name in issue and can_clash(name, outside):
            facts[name] = narrowed(outside.attributes[name], own[name], issue[name], outside)
    return facts


def under_account(
    document: Mapping[str, Any], account: Mapping[str, Any], replaces: Mapping[str, str], outside: Outside
) -> dict[str, Any]:
    """The document as an account has it: its own entries, then those of the account, as far as the attributes are known; and
    which issues the account's own replace."""
    kept = []
    for entry in account.get("presume", []):
        if known_rule(entry.get("where", True), outside):
            facts = {name: value for name, value in entry["facts"].items() if name in outside.attributes}
            kept.append({**entry, "facts": facts})
    found = [entry for entry in account.get("identify", []) if known_rule(entry["where"], outside)]
    return {
        **document,
        "presume": [*document.get("presume", []), *kept],
        "identify": [*document.get("identify", []), *found],
        "replaces": replaces,
    }


def known_rule(where: Any, outside: Outside) -> bool:
    return all(name in outside.attributes for name in properties(parsed(where)))


def identified(
    own: Mapping[str, Any], issues: Mapping[str, Mapping[str, Any]], document: Mapping[str, Any], outside: Outside
) -> tuple[list[str], tuple[str, list[str]] | None]:
    """The candidate issues of a coin that names none; or else the nearest issue with what contradicts it."""
    for entry in document.get("identify", []):
        where = parsed(entry["where"])
        if verdict(where, own, outside) != "yes":
            continue
        replaces = document.get("replaces", {})
        listed = set(entry.get("issues", issues))
        for _ in replaces:
            listed |= {name for name, old in replaces.items() if old in listed}
        pool = [n for n in listed - set(replaces.values()) if verdict(where, issues[n], outside) != "no"]
        against = {name: clashing(own, issues[name], outside) for name in sorted(pool)}
        agreeing = [name for name, wrong in against.items() if not wrong]
        if not agreeing:
            nearest = min(against, key=lambda name: (len(against[name]), name), default=None)
            return [], None if nearest is None else (nearest, against[nearest])
        return [
            name
            for name in agreeing
            if not any(
                all(item in issues[other].items() for item in issues[name].items())
                and (len(issues[other]) > len(issues[name]) or other < name)
                for other in agreeing
                if other != name
            )
        ], None
    return [], None


def with_presumed(
    facts: Mapping[str, Any], document: Mapping[str, Any], outside: Outside
) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """The coin with what is presumed of it: one entry where every way that the recorded doubts may turn out presumes the same,
    else one for each way."""
    entries = [(parsed(e["where"]) if "where" in e else True, e["facts"]) for e in document.get("presume", [])]
    doubted = sorted({n for where, _ in entries for n in properties(where) if n in facts and is_doubt(facts[n])})
    worlds = [
        {**facts, **dict(zip(doubted, picked, strict=True))}
        for picked in product(*(ways(outside.attributes[name], facts[name]) for name in doubted))
    ]
    told = []
    for world in worlds:
        presumed: dict[str, Any] = {}
        for where, more in entries:
            known = {**presumed, **world}
            if verdict(where, known, outside) == "yes":
                presumed |= {name: value for name, value in more.items() if name not in known}
        told.append((world, presumed))
    if all(presumed == told[0][1] for _, presumed in told):
        return [(dict(facts), told[0][1])]
    return told


def is_doubt(raw: Any) -> bool:
    return isinstance(raw, dict) and raw != {"none": True}


def ways(attribute: Attribute, raw: Any) -> list[Any]:
    if "one_of" in raw:
        return list(raw["one_of"])
    if "has" in raw or "perhaps" in raw:
        has, perhaps = raw.get("has", []), raw.get("perhaps", [])
        return [[*has, *more] for size in range(len(perhaps) + 1) for more in combinations(perhaps, size)]
    low, high = raw.get("from", attribute.low), raw.get("to", attribute.high)
    if attribute.type != "integer" or low is None or high is None or high - low > 90:
        raise TooMany
    return list(range(low, high + 1))


def smallest_presumed(rule: Any, coin: Coin, outside: Outside, wanted: str) -> list[str] | None:
    """The smallest set of presumed attributes, the first by name, that gives the rule this verdict beside what is known."""
    names = sorted(frozenset().union(*coin.presumed))
    for size in range(len(names) + 1):
        for chosen in combinations(names, size):
            views = [
                {name: fact for name, fact in view.items() if name not in presumed or name in chosen}
                for view, presumed in zip(coin.views, coin.presumed, strict=True)
            ]
            if verdict_of_views(rule, views, outside) == wanted:
                return list(chosen)
    return None


def seatings(
    places: Sequence[Spot], coins: Sequence[Coin], fits: Mapping[tuple[str, str], str]
) -> Iterator[list[Seat]]:
    per_place = [[None, *(c for c in coins if (s.address, c.id) in fits)] for s in places]
    size = 1
    for options in per_place:
        size *= len(options)
    if size > 60_000:
        raise TooMany
    for row in product(*per_place):
        taken = [(s, c) for s, c in zip(places, row, strict=True) if c is not None]
        ids = [c.id for _, c in taken]
        if all(ids.count(c.id) <= c.quantity for _, c in taken):
            yield taken


def losses(
    places: Sequence[Spot], coins: Sequence[Coin], fits: Mapping[tuple[str, str], str], outside: Outside
) -> list[dict[tuple[str, str], Fraction]]:
    """For each level what a placement loses; a missing fact counts one below the worst among the coins eligible for any place
    that uses the same criterion of the document."""
    made = []
    for level in range(max((len(s.prefer) for s in places), default=0)):
        table: dict[tuple[str, str], Fraction] = {}
        for spot in places:
            for coin in coins:
                if (spot.address, coin.id) not in fits:
                    continue
                if level >= len(spot.prefer):
                    table[spot.address, coin.id] = Fraction(0)
                    continue
                criterion = spot.prefer[level]
                up = "where" in criterion or "highest" in criterion
                found = worth(criterion, coin, outside)
                if found is None:
                    users = [s for s in places if s.prefer_name == spot.prefer_name]
                    eligible = [c for c in coins if any((s.address, c.id) in fits for s in users)]
                    known = [number(w) for c in eligible if (w := worth(criterion, c, outside)) is not None]
                    found = min(known, default=Fraction(0)) - 1 if up else max(known, default=Fraction(0)) + 1
                found = number(found)
                table[spot.address, coin.id] = -found if up else found
        made.append(table)
    return made


def number(value: Any) -> Fraction:
    """A date by its day, a timestamp in millionths of a second."""
    if isinstance(value, datetime):
        return Fraction(int(value.timestamp() * 1_000_000))
    return Fraction(value.toordinal()) if isinstance(value, date) else Fraction(value)
