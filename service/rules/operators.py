"""TABLE of operators and functions, and the checking of a rule's names and types against the attributes.

One entry carries name, signature, meaning, an example and the function that checks it. A new operator or function is
one entry here and one case file in tests/cases.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.errors import Fault, Invalid, Sentence
from service.facts.attributes import Attribute, Attributes
from service.facts.holding import unknown_attribute
from service.facts.kinds import canonical_value, read_instant, value_kind_of
from service.facts.knowledge import exact
from service.facts.vocabulary import Vocabulary
from service.facts.words import nearest
from service.notation.grades import grade_band
from service.rules.cql2.expression import Expression
from service.rules.predicates import (
    Always,
    And,
    Comparison,
    Defunct,
    IsNull,
    Like,
    Narrower,
    Not,
    OneOf,
    Or,
    Predicate,
    SetComparison,
    Within,
)
from service.rules.terms import (
    Arithmetic,
    Const,
    Count,
    Folded,
    Ref,
    Term,
    calculate,
)
from service.rules.text import FOLDS
from service.rules.used_terms import issuer_asked

# The kinds of things that can be compared with each other.
_TEXT = Sentence("a text")
_NUMBER = Sentence("a number")
_TRUTH = Sentence("true or false")
_DATE = Sentence("a date")
_INSTANT = Sentence("an instant")
_TEXTS = Sentence("a list of texts")
_KIND_OF_TYPE = {
    "text": _TEXT,
    "integer": _NUMBER,
    "decimal": _NUMBER,
    "boolean": _TRUTH,
    "date": _DATE,
    "timestamp": _INSTANT,
}


@dataclass(frozen=True, slots=True)
class Operator:
    """One operator or function of the language; `standard` is false for our extension functions."""

    name: str
    signature: str
    meaning: str
    example: str
    check: Callable[[_Checker, list[Any], str], Any]
    gives: Sentence = _TRUTH
    standard: bool = True


def bind(
    expression: Expression,
    attributes: Attributes,
    vocabularies: Mapping[str, Vocabulary],
    issuer: str | None = None,
) -> Predicate:
    """The rule with its names and types checked. Short names of terms (a quarter) are those of the issuer that the rule asks
    for, else of `issuer`. Raises Invalid with every fault: pointer into the JSON form where the
    rule was given as JSON, line and column where it was text, and the nearest known name."""
    checker = _Checker(expression, attributes, vocabularies, issuer_asked(expression.json) or issuer)
    predicate = checker.predicate(expression.json, "")
    if checker.faults:
        raise Invalid(checker.faults)
    assert predicate is not None
    return predicate


@dataclass(frozen=True, slots=True)
class _Typed:
    term: Term
    kind: Sentence
    attribute: Attribute | None = None


class _Checker:
    def __init__(
        self,
        expression: Expression,
        attributes: Attributes,
        vocabularies: Mapping[str, Vocabulary],
        issuer: str | None,
    ) -> None:
        self.expression, self.attributes, self.vocabularies = expression, attributes, vocabularies
        self.issuer = issuer
        self.faults: list[Fault] = []

    def complain(self, code: str, message: str, at: str, hint: str | None = None) -> None:
        where = self.expression.positions.get(at)
        if where is None:
            self.faults.append(Fault(code, message, at, hint))
        else:
            self.faults.append(Fault(code, message, "", hint, where.line, where.column))

    # -- predicates

    def predicate(self, node: Any, at: str) -> Predicate | None:
        """The node as something true or false; None after a complaint."""
        if isinstance(node, bool):
            return Always(node, at=at)
        if isinstance(node, dict) and "property" in node:
            typed = self.term(node, at)
            if typed is None:
                return None
            if typed.kind != _TRUTH:
                name = node["property"]
                self.complain(
                    "type",
                    Sentence("'{name}' is {kind}, not true or false", name=name, kind=typed.kind),
                    at,
                    Sentence("compare it: {name} = ...", name=name),
                )
                return None
            return Comparison("=", typed.term, Const(True), at=at)
        if isinstance(node, dict) and "op" in node:
            operator = OPERATORS.get(node["op"])
            if operator is None:
                self._unknown_function(node["op"], at)
                return None
            if operator.gives != _TRUTH:
                message = Sentence(
                    "{name} gives {gives}, where something true or false is needed",
                    name=operator.name,
                    gives=operator.gives,
                )
                self.complain(
                    "type", message, at, Sentence("compare it, for example {example}", example=operator.example)
                )
                return None
            made: Predicate | None = operator.check(self, node["args"], at)
            return made
        self.complain(
            "type",
            Sentence("{node} is not true or false", node=_shown(node)),
            at,
            "write a comparison, such as grade >= 20",
        )
        return None

    def _unknown_function(self, name: str, at: str) -> None:
        near = nearest(name, OPERATORS)
        question = Sentence(": did you mean '{near}'?", near=near) if near else ""
        functions = ", ".join(operator.name for operator in FUNCTIONS)
        self.complain(
            "unknown-function",
            Sentence("unknown function '{name}'{question}", name=name[:80], question=question),
            at,
            Sentence("functions are: {functions}", functions=functions),
        )

    def several(self, args: list[Any], at: str) -> tuple[Predicate, ...] | None:
        items = [self.predicate(item, f"{at}/args/{place}") for place, item in enumerate(args)]
        kept = tuple(item for item in items if item is not None)
        return kept if len(kept) == len(items) else None

    # -- terms

    def term(self, node: Any, at: str) -> _Typed | None:
        """The node as something with a value; None after a complaint."""
        if isinstance(node, dict) and "property" in node:
            return self._attribute(node["property"], at)
        if isinstance(node, dict) and "op" in node:
            operator = OPERATORS.get(node["op"])
            if operator is None:
                self._unknown_function(node["op"], at)
                return None
            if operator.gives == _TRUTH:
                self.complain(
                    "type", Sentence("{name} is true or false, where a value is needed", name=operator.name), at
                )
                return None
            made: _Typed | None = operator.check(self, node["args"], at)
            return made
        return _literal(node)

    def _attribute(self, name: str, at: str) -> _Typed | None:
        attribute = self.attributes.of_issuer(name, self.issuer)
        if attribute is None:
            fault = unknown_attribute(name, self.attributes)
            hint = fault.hint and Sentence(
                "a text stands in single quotes: '{name}'; an attribute of your own is declared under `attributes` of the "
                "definition",
                name=name[:80],
            )
            self.complain(fault.code, fault.message, at, hint)
            return None
        return _Typed(Ref(name), _TEXTS if attribute.many else _KIND_OF_TYPE[attribute.type], attribute)

    def term_of(self, kind: Sentence, node: Any, at: str, wanted_by: str) -> _Typed | None:
        """A term of one kind only."""
        typed = self.term(node, at)
        if typed is None or typed.kind == kind:
            return typed
        self.complain(
            "type",
            Sentence(
                "{operator} takes {kind}, and {node} is {found}",
                operator=wanted_by,
                kind=kind,
                node=_shown(node),
                found=typed.kind,
            ),
            at,
            _many_hint(typed, node),
        )
        return None

    def attribute_of(self, node: Any, at: str, wanted_by: str) -> Attribute | None:
        """The node as the bare name of an attribute."""
        if not (isinstance(node, dict) and "property" in node):
            self.complain(
                "type",
                Sentence(
                    "{operator} takes the name of an attribute here, not {node}",
                    operator=wanted_by,
                    node=_shown(node),
                ),
                at,
            )
            return None
        typed = self._attribute(node["property"], at)
        return typed.attribute if typed else None

    def comparable(self, terms: list[tuple[Any, str]], ordered_by: str = "") -> list[Term] | None:
        """Terms that are compared with each other: one kind, and values that the attribute among them can have.
        `ordered_by` names an operator that needs an order."""
        typed = [self.term(node, at) for node, at in terms]
        if any(term is None for term in typed):
            return None
        known = [term for term in typed if term is not None]
        first = known[0]
        made: list[Term] = []
        for term, (node, at) in zip(known, terms, strict=True):
            if term.kind == _TEXTS:
                self.complain(
                    "type", Sentence("{node} is a list of texts", node=_shown(node)), at, _many_hint(term, node)
                )
                return None
            if term.kind != first.kind:
                message = Sentence(
                    "{first} is {kind} and {node} is {found}: they cannot be compared",
                    first=_shown(terms[0][0]),
                    kind=first.kind,
                    node=_shown(node),
                    found=term.kind,
                )
                self.complain("type", message, at, _number_hint(first, term, node))
                return None
        if ordered_by and first.kind == _TRUTH:
            message = Sentence("true and false have no order: {operator} cannot compare them", operator=ordered_by)
            self.complain("type", message, terms[0][1], "use = or <>")
            return None
        attribute = next((term.attribute for term in known if term.attribute), None)
        for term, (_node, at) in zip(known, terms, strict=True):
            value = self._value_of(term, attribute, at)
            if value is None:
                return None
            made.append(value)
        return made

    def _value_of(self, typed: _Typed, attribute: Attribute | None, at: str) -> Term | None:
        term = typed.term
        if attribute is None or not isinstance(term, Const) or not isinstance(term.constant, str):
            return term
        try:
            return Const(canonical_value(attribute, term.constant))
        except Invalid as refusal:
            fault = refusal.faults[0]
            self.complain(fault.code, fault.message, at, fault.hint)
            return None

    def texts(self, node: Any, at: str, attribute: Attribute | None) -> Term | None:
        """A set of texts: a many-valued attribute, or a list written in the rule."""
        if not isinstance(node, list):
            typed = self.term_of(_TEXTS, node, at, Sentence("this comparison of lists"))
            return typed.term if typed else None
        terms: list[str] = []
        right = True
        for place, item in enumerate(node):
            if not isinstance(item, str):
                self.complain(
                    "type",
                    Sentence("{item} is not a text", item=_shown(item)),
                    f"{at}/{place}",
                    "lists here hold texts",
                )
                right = False
                continue
            value = self._value_of(_Typed(Const(item), _TEXT), attribute, f"{at}/{place}")
            right = right and value is not None
            if isinstance(value, Const) and isinstance(value.constant, str):
                terms.append(value.constant)
        return Const(frozenset(terms)) if right else None


def _literal(node: Any) -> _Typed | None:
    if isinstance(node, bool):
        return _Typed(Const(node), _TRUTH)
    if isinstance(node, str):
        return _Typed(Const(node), _TEXT)
    if isinstance(node, dict) and "date" in node:
        return _Typed(Const(date.fromisoformat(node["date"])), _DATE)
    if isinstance(node, dict) and "timestamp" in node:
        return _Typed(Const(read_instant(node["timestamp"])), _INSTANT)
    if isinstance(node, list):
        return _Typed(Const(frozenset(str(item) for item in node)), _TEXTS)
    return _Typed(Const(exact(node)), _NUMBER)


def _shown(node: Any) -> str:
    if isinstance(node, dict):
        if "property" in node:
            return Sentence("'{name}'", name=node["property"])
        if "op" in node:
            return f"{node['op']}(...)"
        return f"{next(iter(node)).upper()}('{next(iter(node.values()))}')"
    if isinstance(node, str):
        return Sentence("'{name}'", name=node[:40])
    return value_kind_of(node) if isinstance(node, list | bool) else str(node)


def _many_hint(typed: _Typed, node: Any) -> str | None:
    if typed.kind != _TEXTS or not (isinstance(node, dict) and "property" in node):
        return None
    name = node["property"]
    return Sentence(
        "'{name}' may have several values: write a_contains({name}, ('...')) or count({name}) = 0", name=name
    )


def _number_hint(first: _Typed, second: _Typed, node: Any) -> str | None:
    if first.kind == _NUMBER and second.kind == _TEXT and isinstance(node, str):
        if first.attribute is not None and first.attribute.name == _GRADE:
            return "a grade is a number from 1 to 70, or a word such as 'VF' or 'MS-63'"
        return "write the number without quotes"
    if first.kind == _TEXT and second.kind == _NUMBER:
        return "put quotes around a text"
    return None


# --- one function an operator --------------------------------------------------------------------------------------


def _and(checker: _Checker, args: list[Any], at: str) -> Predicate | None:
    items = checker.several(args, at)
    return None if items is None else And(items, at)


def _or(checker: _Checker, args: list[Any], at: str) -> Predicate | None:
    items = checker.several(args, at)
    return None if items is None else Or(items, at)


def _not(checker: _Checker, args: list[Any], at: str) -> Predicate | None:
    item = checker.predicate(args[0], f"{at}/args/0")
    return None if item is None else Not(item, at)


def _comparison(op: str) -> Callable[[_Checker, list[Any], str], Predicate | None]:
    def check(checker: _Checker, args: list[Any], at: str) -> Predicate | None:
        bands = _graded(args)
        if bands is not None:
            return _compared_with_grade(checker, op, args, bands, at)
        named = [(item, f"{at}/args/{place}") for place, item in enumerate(args)]
        terms = checker.comparable(named, "" if op in ("=", "<>") else op)
        if terms is None:
            return None
        return Comparison(op, terms[0], terms[1], at=at)

    return check


_GRADE = "grade"
_SWAPPED = {"<": ">", "<=": ">=", ">": "<", ">=": "<="}


def _graded(args: list[Any]) -> list[tuple[int, int] | None] | None:
    """Where the grade is compared with words (VF): the numbers that each argument stands for; None where it is not."""
    if not any(isinstance(item, dict) and item.get("property") == _GRADE for item in args):
        return None
    bands = [grade_band(item) if isinstance(item, str) else None for item in args]
    return bands if any(bands) else None


def _compared_with_grade(
    checker: _Checker, op: str, args: list[Any], bands: list[tuple[int, int] | None], at: str
) -> Predicate | None:
    """At least VF is from the low end of VF on, at most VF up to its high end; equal is within."""
    place = 0 if bands[0] is not None else 1
    band = bands[place]
    assert band is not None, "a grade in words is among the arguments"
    terms = checker.comparable([(args[1 - place], f"{at}/args/{1 - place}"), (band[0], f"{at}/args/{place}")])
    if terms is None:
        return None
    grade = terms[0]
    if op in ("=", "<>"):
        inside = Within(grade, Const(band[0]), Const(band[1]), at=at)
        return inside if op == "=" else Not(inside, at)
    op = op if place == 1 else _SWAPPED[op]
    return Comparison(op, grade, Const(band[0] if op in (">=", "<") else band[1]), at=at)


def _between(checker: _Checker, args: list[Any], at: str) -> Predicate | None:
    bands = _graded(args)
    if bands is not None and bands[0] is None:
        ends = zip(args[1:], bands[1:], (0, 1), strict=True)
        args = [args[0], *(band[end] if band is not None else item for item, band, end in ends)]
    terms = checker.comparable([(item, f"{at}/args/{place}") for place, item in enumerate(args)], "BETWEEN")
    return None if terms is None else Within(terms[0], terms[1], terms[2], at=at)


def _in(checker: _Checker, args: list[Any], at: str) -> Predicate | None:
    bands = _graded([args[0], *args[1]])
    if bands is not None and bands[0] is None:
        # An or of equalities, each within its grade.
        items = [_comparison("=")(checker, [args[0], item], at) for item in args[1]]
        kept = tuple(item for item in items if item is not None)
        return (kept[0] if len(kept) == 1 else Or(kept, at)) if len(kept) == len(items) else None
    listed = [(item, f"{at}/args/1/{place}") for place, item in enumerate(args[1])]
    terms = checker.comparable([(args[0], f"{at}/args/0"), *listed])
    return None if terms is None else OneOf(terms[0], tuple(terms[1:]), at=at)


def _like(checker: _Checker, args: list[Any], at: str) -> Predicate | None:
    text = checker.term_of(_TEXT, args[0], f"{at}/args/0", "LIKE")
    pattern = checker.term_of(_TEXT, args[1], f"{at}/args/1", "LIKE")
    if text is None or pattern is None:
        return None
    if not isinstance(pattern.term, Const) or not isinstance(pattern.term.constant, str):
        checker.complain("type", "the pattern of LIKE is written out, not read from the coin", f"{at}/args/1")
        return None
    return Like(text.term, pattern.term.constant, at=at)


def _is_null(checker: _Checker, args: list[Any], at: str) -> Predicate | None:
    typed = checker.term(args[0], f"{at}/args/0")
    return None if typed is None else IsNull(typed.term, at=at)


def _set_comparison(op: str) -> Callable[[_Checker, list[Any], str], Predicate | None]:
    def check(checker: _Checker, args: list[Any], at: str) -> Predicate | None:
        named = [node["property"] for node in args if isinstance(node, dict) and "property" in node]
        attribute = next((checker.attributes[name] for name in named if name in checker.attributes), None)
        left = checker.texts(args[0], f"{at}/args/0", attribute)
        right = checker.texts(args[1], f"{at}/args/1", attribute)
        return None if left is None or right is None else SetComparison(op, left, right, at=at)

    return check


def _fold(fold: str) -> Callable[[_Checker, list[Any], str], _Typed | None]:
    def check(checker: _Checker, args: list[Any], at: str) -> _Typed | None:
        inner = checker.term_of(_TEXT, args[0], f"{at}/args/0", fold)
        if inner is None:
            return None
        if isinstance(inner.term, Const) and isinstance(inner.term.constant, str):
            return _Typed(Const(FOLDS[fold](inner.term.constant)), _TEXT)
        return _Typed(Folded(fold, inner.term), _TEXT)

    return check


def _arithmetic(op: str) -> Callable[[_Checker, list[Any], str], _Typed | None]:
    def check(checker: _Checker, args: list[Any], at: str) -> _Typed | None:
        left = checker.term_of(_NUMBER, args[0], f"{at}/args/0", op)
        right = checker.term_of(_NUMBER, args[1], f"{at}/args/1", op)
        if left is None or right is None:
            return None
        if isinstance(left.term, Const) and isinstance(right.term, Const):
            first, second = left.term.constant, right.term.constant
            assert not isinstance(first, str | frozenset | date) and not isinstance(second, str | frozenset | date)
            return _Typed(Const(calculate(op, first, second)), _NUMBER)  # type: ignore[arg-type]
        return _Typed(Arithmetic(op, left.term, right.term), _NUMBER)

    return check


def _scheme_of(checker: _Checker, node: Any, at: str, function: str) -> tuple[Attribute, Vocabulary] | None:
    attribute = checker.attribute_of(node, at, function)
    if attribute is None:
        return None
    if attribute.vocabulary is None or attribute.vocabulary not in checker.vocabularies:
        message = Sentence(
            "{function} needs an attribute with a vocabulary, and '{name}' has none",
            function=function,
            name=attribute.name,
        )
        checker.complain("type", message, at, "declare the attribute with a `vocabulary`")
        return None
    return attribute, checker.vocabularies[attribute.vocabulary]


def _narrower(checker: _Checker, args: list[Any], at: str) -> Predicate | None:
    if not _takes(checker, "narrower", args, 2, at):
        return None
    found = _scheme_of(checker, args[0], f"{at}/args/0", "narrower")
    term = args[1]
    if not isinstance(term, str):
        checker.complain(
            "type", Sentence("narrower takes a term in quotes here, not {term}", term=_shown(term)), f"{at}/args/1"
        )
        return None
    if found is None:
        return None
    attribute, scheme = found
    term = attribute.synonyms.get(term, term)
    if term not in scheme.concepts:
        near = nearest(term, scheme.concepts)
        question = Sentence(": did you mean '{near}'?", near=near) if near else ""
        message = Sentence(
            "'{term}' is no term of the vocabulary '{name}'{question}",
            term=term[:80],
            name=scheme.name,
            question=question,
        )
        checker.complain(
            "unknown-term",
            message,
            f"{at}/args/1",
            Sentence("its terms are listed at /v1/vocabularies/{name}", name=scheme.name),
        )
        return None
    return Narrower(attribute.name, term, scheme.name, at=at)


def _defunct(checker: _Checker, args: list[Any], at: str) -> Predicate | None:
    if not _takes(checker, "defunct", args, 1, at):
        return None
    found = _scheme_of(checker, args[0], f"{at}/args/0", "defunct")
    if found is None:
        return None
    if found[0].many:
        checker.complain("type", "defunct takes an attribute with one value", f"{at}/args/0")
        return None
    return Defunct(found[0].name, found[1].name, at=at)


def _count(checker: _Checker, args: list[Any], at: str) -> _Typed | None:
    if not _takes(checker, "count", args, 1, at):
        return None
    attribute = checker.attribute_of(args[0], f"{at}/args/0", "count")
    if attribute is None:
        return None
    if not attribute.many:
        message = Sentence(
            "count takes an attribute that may have several values, and '{name}' has one", name=attribute.name
        )
        checker.complain("type", message, f"{at}/args/0")
        return None
    return _Typed(Count(attribute.name), _NUMBER)


def _takes(checker: _Checker, name: str, args: list[Any], wanted: int, at: str) -> bool:
    if len(args) == wanted:
        return True
    sentence = "{name} takes 1 argument, not {count}" if wanted == 1 else "{name} takes {wanted} arguments, not {count}"
    checker.complain("arguments", Sentence(sentence, name=name, wanted=wanted, count=len(args)), at)
    return False


ALL: tuple[Operator, ...] = (
    Operator("and", "A AND B", "both hold", "grade >= 20 AND count(problems) = 0", _and),
    Operator("or", "A OR B", "at least one holds", "mint = 'Tower' OR mint = 'Heaton'", _or),
    Operator("not", "NOT A", "it does not hold", "NOT a_contains(problems, ('gilded'))", _not),
    Operator("=", "a = b", "equal", "denomination = 'penny'", _comparison("=")),
    Operator("<>", "a <> b", "not equal; known to be none is not unequal either", "mintmark <> 'H'", _comparison("<>")),
    Operator("<", "a < b", "less, earlier, or before in code-point order", "year_on_coin < 1900", _comparison("<")),
    Operator("<=", "a <= b", "less or equal", "year_on_coin <= 1899", _comparison("<=")),
    Operator(">", "a > b", "more, later, or after in code-point order", "fineness > 0.5", _comparison(">")),
    Operator(">=", "a >= b", "more or equal", "grade >= 20", _comparison(">=")),
    Operator(
        "between", "a BETWEEN b AND c", "from b to c, both included", "year_on_coin BETWEEN 1860 AND 1894", _between
    ),
    Operator("in", "a IN (b, c)", "equal to one of them", "issuer IN ('GB', 'IE')", _in),
    Operator("like", "a LIKE 'pattern'", "% is any run of characters, _ any one", "reverse_legend LIKE 'ONE %'", _like),
    Operator("isNull", "a IS NULL", "known to be none", "mintmark IS NULL", _is_null),
    Operator(
        "a_contains",
        "A_CONTAINS(a, (..))",
        "every one of them is among the values",
        "A_CONTAINS(problems, ('holed'))",
        _set_comparison("a_contains"),
    ),
    Operator(
        "a_containedBy",
        "A_CONTAINEDBY(a, (..))",
        "no value besides these",
        "A_CONTAINEDBY(problems, ('cleaned', 'scratched'))",
        _set_comparison("a_containedBy"),
    ),
    Operator(
        "a_overlaps",
        "A_OVERLAPS(a, (..))",
        "at least one of them is among the values",
        "A_OVERLAPS(main_motifs, ('horse', 'ship'))",
        _set_comparison("a_overlaps"),
    ),
    Operator(
        "a_equals",
        "A_EQUALS(a, (..))",
        "exactly these values",
        "A_EQUALS(main_motifs, ('horse'))",
        _set_comparison("a_equals"),
    ),
    Operator(
        "casei", "CASEI(a)", "the text without regard to case", "CASEI(mint) = CASEI('heaton')", _fold("casei"), _TEXT
    ),
    Operator(
        "accenti",
        "ACCENTI(a)",
        "the text without its accents",
        "ACCENTI(mint) = ACCENTI('Kremnica')",
        _fold("accenti"),
        _TEXT,
    ),
    Operator("+", "a + b", "sum", "weight_measured + 0.1 >= weight_legal", _arithmetic("+"), _NUMBER),
    Operator("-", "a - b", "difference", "weight_measured > weight_legal - 0.5", _arithmetic("-"), _NUMBER),
    Operator("*", "a * b", "product", "weight_measured * fineness >= 10", _arithmetic("*"), _NUMBER),
    Operator("/", "a / b", "quotient, exact", "year_on_coin / 100 >= 19", _arithmetic("/"), _NUMBER),
    Operator("%", "a % b", "what is left after whole division", "year_on_coin % 10 = 0", _arithmetic("%"), _NUMBER),
    Operator(
        "div", "a DIV b", "whole division, cut towards zero", "year_on_coin DIV 100 = 18", _arithmetic("div"), _NUMBER
    ),
    Operator("^", "a ^ b", "power, exponents up to 64", "die_axis ^ 2 = 36", _arithmetic("^"), _NUMBER),
    Operator(
        "narrower",
        "narrower(attribute, 'term')",
        "the value, or any of the values, is the term or stands below it in the attribute's vocabulary; "
        "a value that stands above the term, or above something that stands below both, leaves it undecided",
        "narrower(main_motifs, 'bird')",
        _narrower,
        _TRUTH,
        False,
    ),
    Operator(
        "defunct",
        "defunct(attribute)",
        "the issuer ended before today; undecided where no date is known",
        "defunct(issuer)",
        _defunct,
        _TRUTH,
        False,
    ),
    Operator(
        "count",
        "count(attribute)",
        "how many values a many-valued attribute has",
        "count(problems) = 0",
        _count,
        _NUMBER,
        False,
    ),
)
OPERATORS: dict[str, Operator] = {operator.name: operator for operator in ALL}
FUNCTIONS: tuple[Operator, ...] = tuple(
    operator
    for operator in ALL
    if operator.name.isidentifier() and operator.name not in ("and", "or", "not", "between", "in", "like", "div")
)
