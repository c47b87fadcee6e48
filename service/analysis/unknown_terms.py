"""Constants and facts that no term of their vocabulary is called by, with the nearest terms. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from service.facts.attributes import Attribute
from service.facts.vocabulary import Vocabulary
from service.notation.terms import Candidates, index_of
from service.rules.definition import Definition
from service.rules.messages import Message, message
from service.rules.used_terms import used_terms

_MOST_NEAREST = 5


@dataclass(frozen=True, slots=True)
class UnknownTerm:
    """A text that is no term, or may be one of several. `nearest`: terms that may be meant, the nearest first."""

    attribute: str
    text: str
    vocabulary: str
    nearest: tuple[str, ...]
    is_ambiguous: bool = False

    def told(self, scheme: Vocabulary) -> Message:
        """What is wrong, and what may be meant."""
        named = [_named(term, scheme) for term in self.nearest]
        about = {"attribute": self.attribute, "term": self.text[:80]}
        if self.is_ambiguous:
            return message("unknown-term-of-several", **about, terms=named)
        about["vocabulary"] = self.vocabulary
        if named:
            return message("unknown-term-near", **about, nearest=named[0])
        return message("unknown-term-alone", **about)


def _named(term: str, scheme: Vocabulary) -> str:
    concept = scheme.concepts.get(term)
    label = "" if concept is None or concept.label == term else f" ({concept.label})"
    return f"'{term}'{label}"


def unknown_term(
    attribute: Attribute, text: str, scheme: Vocabulary | None, issuer: str | None = None
) -> UnknownTerm | None:
    """What there is to say of a text of the attribute; None where it is a term by one of its names, or the attribute has no
    vocabulary (`scheme`)."""
    if scheme is None or attribute.values:
        return None
    index = index_of(scheme)
    found = index.named(text, None, issuer)
    if isinstance(found, Candidates):
        nearest = tuple(candidate.value for candidate in found.terms)
        # A name that one term has, of some issuers only, is no choice.
        is_ambiguous = len(nearest) > 1
        return UnknownTerm(attribute.name, text, scheme.name, nearest[:_MOST_NEAREST], is_ambiguous)
    if found is not None:
        return None
    return UnknownTerm(attribute.name, text, scheme.name, index.like(text, _MOST_NEAREST))


def unknown_constants(definition: Definition) -> Iterator[tuple[UnknownTerm, tuple[str, ...]]]:
    """The unknown constants and keys of a definition, each with the pointers of all places where it is."""
    found: dict[UnknownTerm, dict[str, None]] = {}
    for used in used_terms(definition.document):
        attribute = definition.attributes.get(used.attribute)
        if attribute is None:
            continue
        issuer = definition.attributes["issuer"].synonyms.get(used.issuer, used.issuer) if used.issuer else None
        scheme = definition.vocabularies.get(attribute.vocabulary or "")
        unknown = unknown_term(attribute, used.text, scheme, issuer)
        if unknown is not None:
            found.setdefault(unknown, {})[used.pointer] = None
    yield from ((unknown, tuple(pointers)) for unknown, pointers in found.items())
