"""The texts that a definition compares an attribute with, or has as keys: with the catalogue's values they are the terms of an
attribute without a vocabulary (rules.md, section 10). Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.errors import Invalid
from service.facts.holding import pointer_step
from service.rules.cql2.expression import parse

# Operators whose texts are values of the attribute beside them; a pattern of LIKE is none.
_COMPARING = frozenset(("=", "<>", "in", "a_equals", "a_contains", "a_containedBy", "a_overlaps"))
_FOLDS = frozenset(("casei", "accenti"))
_RULES = ("scope", "accepts", "where")


@dataclass(frozen=True, slots=True)
class UsedTerm:
    """One text that is used as a value of the attribute. `pointer` leads to the rule or the list that has it; `issuer`: the one
    that the rule asks for beside it, where it asks for one."""

    attribute: str
    text: str
    pointer: str
    issuer: str | None = None


def used_terms(document: Any) -> list[UsedTerm]:
    """All of a definition's document, in its order. Parts that are no definition, and rules that cannot be read, have none."""
    return list(_of_document(document))


def used_by_attribute(documents: Iterable[Any]) -> dict[str, tuple[str, ...]]:
    """The texts of several documents by attribute, each once."""
    found: dict[str, dict[str, None]] = {}
    for document in documents:
        for used in used_terms(document):
            found.setdefault(used.attribute, {})[used.text] = None
    return {name: tuple(texts) for name, texts in found.items()}


def _of_document(document: Any) -> Iterator[UsedTerm]:
    scope = issuer_asked(_tree(document.get("scope"))) if isinstance(document, Mapping) else None
    for at, part in parts_of(document):
        for name in _RULES:
            if part.get(name) is not None:
                yield from _of_rule(part[name], f"{at}/{name}", scope)
        if isinstance(part.get("keys"), Mapping) and isinstance(part.get("attribute"), str):
            issuer = issuer_asked(_tree(part.get("accepts"))) or scope
            values = part["keys"].get("values")
            for place, value in enumerate(values if isinstance(values, list) else ()):
                if isinstance(value, str):
                    yield UsedTerm(part["attribute"], value, f"{at}/keys/values/{place}", issuer)


def parts_of(document: Any, at: str = "") -> Iterator[tuple[str, Mapping[str, Any]]]:
    """The objects of a definition's document that may have rules, with their pointers, in its order: itself, its places, and what
    else has rules (presumptions, constraints, preferences)."""
    if isinstance(document, list):
        for place, item in enumerate(document):
            yield from parts_of(item, f"{at}/{place}")
    elif isinstance(document, Mapping):
        yield at, document
        for name, item in document.items():
            if isinstance(item, list) and name not in ("attributes", "vocabularies", "layout", "examples"):
                yield from parts_of(item, f"{at}/{pointer_step(name)}")


def rules_of(document: Any) -> Iterator[tuple[str, Any]]:
    """Every rule of a document as it was written, with its pointer: whether or not the document can be read."""
    for at, part in parts_of(document):
        for name in _RULES:
            if part.get(name) is not None:
                yield f"{at}/{name}", part[name]
        if isinstance(part.get("keys"), Mapping) and part["keys"].get("where") is not None:
            yield f"{at}/keys/where", part["keys"]["where"]


def _of_rule(rule: Any, at: str, scope: str | None) -> Iterator[UsedTerm]:
    tree = _tree(rule)
    issuer = issuer_asked(tree) or scope
    for name, text in _texts(tree):
        yield UsedTerm(name, text, at, issuer if name != "issuer" else None)


def _tree(rule: Any) -> Any:
    try:
        return None if rule is None else parse(rule).json
    except Invalid:
        return None


def _texts(node: Any) -> Iterator[tuple[str, str]]:
    """Attribute and text of each comparison."""
    if not isinstance(node, Mapping) or not isinstance(node.get("args"), list):
        return
    args = node["args"]
    if node.get("op") in _COMPARING:
        bare = [_unfolded(arg) for arg in args]
        names = [arg["property"] for arg in bare if isinstance(arg, Mapping) and set(arg) == {"property"}]
        if len(names) == 1:
            for arg in bare:
                for text in arg if isinstance(arg, list) else [arg]:
                    plain = _unfolded(text)
                    if isinstance(plain, str):
                        yield names[0], plain
        return
    if node.get("op") == "narrower" and len(args) == 2 and isinstance(args[0], Mapping) and isinstance(args[1], str):
        yield str(args[0].get("property")), args[1]
        return
    for arg in args:
        yield from _texts(arg)


def _unfolded(node: Any) -> Any:
    while isinstance(node, Mapping) and node.get("op") in _FOLDS and isinstance(node.get("args"), list):
        (node,) = node["args"][:1] or (None,)
    return node


def issuer_asked(tree: Any) -> str | None:
    """The one issuer that a rule, in its JSON form, surely asks for; None where it asks for none or for several."""
    if not isinstance(tree, Mapping):
        return None
    if tree.get("op") == "and":
        found = {issuer for arg in tree["args"] if (issuer := issuer_asked(arg)) is not None}
        return found.pop() if len(found) == 1 else None
    if tree.get("op") == "=" and {"property": "issuer"} in tree["args"]:
        return next((arg for arg in tree["args"] if isinstance(arg, str)), None)
    return None
