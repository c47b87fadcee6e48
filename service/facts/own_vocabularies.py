"""Vocabularies of somebody's own beside the shipped ones, and additions to one of those.

An entry that extends a vocabulary adds its concepts to it, under the vocabulary's name and under its own: both name the same
scheme. A concept with the id of one that is there adds to it (names, broader terms, dates) and takes nothing away. A broader term
may be named by any of its names. An entry that extends nothing stands by itself, in the place of one of its name. Layers come one
after another: shipped, the account's, the request's, the definition's.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from types import MappingProxyType

from service.errors import Fault, Invalid, Sentence
from service.facts.vocabulary import Concept, Vocabulary, build_vocabulary, unknown_vocabulary
from service.facts.words import folded, nearest_folded


@dataclass(frozen=True)
class OwnVocabulary:
    """One entry of a layer."""

    name: str
    concepts: tuple[Concept, ...]
    extends: str | None = None
    label: str = ""

    def __hash__(self) -> int:
        # Entries are looked up again and again; of those that look alike all concepts are compared.
        return hash((self.name, self.extends, len(self.concepts)))


def with_own(
    base: Mapping[str, Vocabulary], entries: Sequence[OwnVocabulary], *, strict: bool = True
) -> Mapping[str, Vocabulary]:
    """The vocabularies with those of one more layer. Raises Invalid with every fault, pointers relative to the list. Not
    `strict`, for what is kept and was sound once: a broader term that is gone is left out, and so is an entry that cannot be used
    any more."""
    if not entries:
        return base
    return _layered(_Base(base), tuple(entries), strict)


def united(one: Mapping[str, Vocabulary], other: Mapping[str, Vocabulary]) -> Mapping[str, Vocabulary]:
    """The vocabularies of two definitions. Where both have one of a name, those of `one` come first and the other's concepts
    are added, as far as no circle comes of it."""
    differing = [
        OwnVocabulary(name, tuple(scheme.concepts.values()), name)
        for name, scheme in other.items()
        if name in one and one[name] is not scheme and scheme.name == name
    ]
    return with_own({**other, **one}, differing, strict=False)


def with_several(base: Mapping[str, Vocabulary], layers: Iterable[Sequence[OwnVocabulary]]) -> Mapping[str, Vocabulary]:
    """The vocabularies with those of several documents that know nothing of one another. Where an entry has the name of a
    vocabulary that is there its concepts are added to it, as far as no circle comes of it."""
    schemes = base
    for entries in layers:
        added = [
            replace(entry, extends=entry.name) if entry.extends is None and entry.name in schemes else entry
            for entry in entries
        ]
        schemes = with_own(schemes, added, strict=False)
    return schemes


class _Base:
    """Vocabularies by their identity: a scheme has no hash, and each layer on it is made once."""

    def __init__(self, schemes: Mapping[str, Vocabulary]) -> None:
        self.schemes = dict(schemes)
        self._key = tuple((name, id(scheme)) for name, scheme in schemes.items())

    def __eq__(self, other: object) -> bool:
        # What is in a kept key lives on, so that no other scheme gets its id.
        return isinstance(other, _Base) and other._key == self._key

    def __hash__(self) -> int:
        return hash(self._key)


@lru_cache(maxsize=64)
def _layered(base: _Base, entries: tuple[OwnVocabulary, ...], strict: bool) -> Mapping[str, Vocabulary]:
    layer = _Layer(base.schemes, entries, strict)
    if layer.faults:
        raise Invalid(layer.faults)
    return MappingProxyType(layer.schemes)


class _Layer:
    def __init__(self, base: Mapping[str, Vocabulary], entries: Sequence[OwnVocabulary], strict: bool) -> None:
        self.schemes, self.strict = dict(base), strict
        self.faults: list[Fault] = []
        self._entries = entries
        self._extensions: dict[str, list[int]] = {}
        for place in self._of_one_name_each():
            if entries[place].extends is None:
                self._add(place)
        for place in self._of_one_name_each():
            if entries[place].extends is not None:
                self._sort_in(place)
        for root, places in self._extensions.items():
            self._extend(root, places)

    def _of_one_name_each(self) -> Iterable[int]:
        first = {entry.name: place for place, entry in reversed(list(enumerate(self._entries)))}
        for place, entry in enumerate(self._entries):
            if first[entry.name] == place:
                yield place
            elif not any(fault.pointer == f"/{place}/name" for fault in self.faults):
                self._complain(
                    "clashing-id",
                    Sentence("two vocabularies have the name '{name}'", name=entry.name),
                    f"/{place}/name",
                )

    def _complain(self, code: str, message: str, pointer: str, hint: str | None = None) -> None:
        if self.strict:
            self.faults.append(Fault(code, message, pointer, hint))

    # --- entries by themselves -------------------------------------------------------------------------------------------

    def _add(self, place: int) -> None:
        entry = self._entries[place]
        concepts = entry.concepts
        if not self.strict:
            known = {concept.id for concept in concepts}
            concepts = tuple(_without_lost(concept, known) for concept in concepts)
        try:
            self.schemes[entry.name] = build_vocabulary(entry.name, concepts, label=entry.label)
        except Invalid as refusal:
            if self.strict:
                self.faults.extend(refusal.under(f"/{place}").faults)

    # --- additions -------------------------------------------------------------------------------------------------------

    def _sort_in(self, place: int) -> None:
        """Under the vocabulary that is extended in the end, through entries that extend one another."""
        seen = {self._entries[place].name}
        named = self._entries[place].extends
        extending = {entry.name: entry.extends for entry in self._entries if entry.extends not in (None, entry.name)}
        while named in extending:
            if named in seen:
                message = Sentence(
                    "the vocabularies {listed} extend each other in a circle", listed=", ".join(sorted(seen))
                )
                self._complain("circle", message, f"/{place}/extends", "extend one that stands by itself")
                return
            seen.add(named)
            named = extending[named]
        assert named is not None
        if named not in self.schemes:
            if self.strict:
                self.faults.append(unknown_vocabulary(named, self.schemes).under(f"/{place}/extends"))
            return
        self._extensions.setdefault(self.schemes[named].name, []).append(place)

    def _extend(self, root: str, places: Sequence[int]) -> None:
        before = self.schemes[root]
        concepts: dict[str, Concept] = dict(before.concepts)
        origins: dict[str, str] = {}
        for place in places:
            own: set[str] = set()
            for at, concept in enumerate(self._entries[place].concepts):
                if concept.id in own:
                    message = Sentence(
                        "the term '{id}' stands twice in '{name}'", id=concept.id, name=self._entries[place].name
                    )
                    self._complain("clashing-id", message, f"/{place}/concepts/{at}/id")
                    continue
                own.add(concept.id)
                origins.setdefault(concept.id, f"/{place}/concepts/{at}")
                there = concepts.get(concept.id)
                concepts[concept.id] = concept if there is None else completed(there, concept)
        named = _Names(before, concepts)
        for place in places if self.strict else ():
            for at, concept in enumerate(self._entries[place].concepts):
                for number, upper in enumerate(concept.broader):
                    if named.term(upper) is None:
                        near = named.nearest(upper)
                        question = Sentence(": did you mean '{near}'?", near=near) if near else ""
                        message = Sentence(
                            "'{id}' stands below '{upper}', which is no term of '{root}' or here{question}",
                            id=concept.id,
                            upper=upper[:80],
                            root=root,
                            question=question,
                        )
                        self._complain("unknown-term", message, f"/{place}/concepts/{at}/broader/{number}")
        made = self._built(before, {term: named.told(concept) for term, concept in concepts.items()}, origins)
        if made is None:
            return
        for name, scheme in list(self.schemes.items()):
            if scheme is before:
                self.schemes[name] = made
        for place in places:
            self.schemes[self._entries[place].name] = made

    def _built(
        self, before: Vocabulary, concepts: Mapping[str, Concept], origins: Mapping[str, str]
    ) -> Vocabulary | None:
        about = {name: getattr(before, name) for name in ("label", "edition", "source", "notice")}
        try:
            return build_vocabulary(before.name, concepts.values(), **about)
        except Invalid as refusal:
            # The circle's first term in the order of names may be the extended one's own.
            fault = refusal.faults[0]
            at = int(fault.pointer.split("/")[2])
            pointer = origins.get(list(concepts)[at]) or next(iter(origins.values()))
            if self.strict:
                self.faults.append(replace(fault, pointer=f"{pointer}/broader"))
            return None


class _Names:
    """Terms by what they may be called: an id, or a name of one term of the extended vocabulary alone."""

    def __init__(self, extended: Vocabulary, concepts: Mapping[str, Concept]) -> None:
        self._extended, self._concepts = extended, concepts

    def term(self, text: str) -> str | None:
        return text if text in self._concepts else self._extended.concept_named(text)

    def nearest(self, text: str) -> str | None:
        """The id that is near enough to `text` to be meant, or None."""
        found = nearest_folded(folded(text), self._folded, most=1)
        return list(self._concepts)[found[0]] if found else None

    @cached_property
    def _folded(self) -> list[str]:
        return [folded(term) for term in self._concepts]

    def told(self, concept: Concept) -> Concept:
        """The concept with the ids of its broader terms; what names none is left out."""
        if all(upper in self._concepts for upper in concept.broader):
            return concept
        found = (self.term(upper) for upper in concept.broader)
        return replace(concept, broader=tuple(dict.fromkeys(term for term in found if term is not None)))


def completed(there: Concept, more: Concept) -> Concept:
    """A concept with what another entry of its id adds."""
    labels = (more.label,) if more.label not in (there.id, there.label, *there.alternative_labels) else ()
    return replace(
        there,
        broader=_joined(there.broader, more.broader),
        alternative_labels=_joined(there.alternative_labels, (*labels, *more.alternative_labels)),
        note=there.note or more.note,
        ended=more.ended or there.ended,
        started=more.started or there.started,
        current=(there.current or more.current) and more.ended is None,
        matches=_joined(there.matches, more.matches),
        abbreviations=tuple(dict.fromkeys((*there.abbreviations, *more.abbreviations))),
        names=tuple(dict.fromkeys((*there.names, *more.names))),
        iri=there.iri or more.iri,
    )


def _joined(one: tuple[str, ...], other: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*one, *other)))


def _without_lost(concept: Concept, known: Collection[str]) -> Concept:
    if all(upper in known for upper in concept.broader):
        return concept
    return replace(concept, broader=tuple(upper for upper in concept.broader if upper in known))
