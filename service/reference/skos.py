"""Vocabularies as SKOS (W3C Recommendation, 18 August 2009), in JSON-LD and in Turtle.

Read and written with pyoxigraph, which loads nothing from elsewhere: a context that is not in the document is refused. Kept:
preferred, alternative and hidden labels with their languages, notation, notes, broader and narrower, exactMatch; the days of an
issuer as `dcterms:valid`, an interval of ISO 8601-2 (EDTF): `1949-10-07/1990-10-02`, `1918-11-11/..` for one that exists still. A
scheme that extends another one imports it (`owl:imports`). What else stands there is counted, and told.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

from service.errors import Fault, Invalid, Sentence
from service.facts.holding import pointer_step
from service.facts.vocabulary import Concept, TaggedName
from service.reference.model import MOST_CONCEPTS, KeptVocabulary

if TYPE_CHECKING:
    from pyoxigraph import Quad

JSON_LD, TURTLE = "application/ld+json", "text/turtle"
_SKOS = "http://www.w3.org/2004/02/skos/core#"
_TERMS = "http://purl.org/dc/terms/"
_OWL = "http://www.w3.org/2002/07/owl#"
_TYPE = "http://www.w3.org/1999/02/22-rdf-syntax-ns#type"
_EDTF = "http://id.loc.gov/datatypes/edtf/EDTF-level1"
_PREFIXES = {"skos": _SKOS, "dcterms": _TERMS, "owl": _OWL}
# A reader of JSON-LD follows prefixes through one another, each in a call of its own: longer chains would exhaust its stack.
MOST_PREFIXES = 100
MOST_STATEMENTS = 100_000
_STRUCTURE = {_TYPE, *(_SKOS + name for name in ("inScheme", "hasTopConcept", "topConceptOf"))}
_NOTES = ("note", "scopeNote", "definition")


# --- writing -------------------------------------------------------------------------------------------------------------


def as_json_ld(kept: KeptVocabulary, vocabularies: str) -> dict[str, Any]:
    """The scheme as JSON-LD. `vocabularies` is the address under which they stand by their names; terms are fragments of the
    address of theirs, unless they have IRIs of their own."""
    own = kept.own
    here = kept.iri or f"{vocabularies}/{quote(own.name, safe='')}"
    iris = {concept.id: concept.iri or _iri(here, concept.id) for concept in own.concepts}
    base = None if own.extends is None else f"{vocabularies}/{quote(own.extends, safe='')}"

    def term(identity: str) -> dict[str, str]:
        return {"@id": iris.get(identity) or _iri(base or here, identity)}

    scheme: dict[str, Any] = {
        "@id": here,
        "@type": "skos:ConceptScheme",
        "skos:prefLabel": _labels(own.label or own.name, kept.names),
        "skos:hasTopConcept": [term(c.id) for c in own.concepts if not c.broader],
    }
    if kept.notice:
        scheme["skos:note"] = kept.notice
    if kept.source:
        scheme["dcterms:source"] = kept.source
    if base is not None:
        scheme["owl:imports"] = {"@id": base}
    concepts = [_concept(concept, term, here) for concept in own.concepts]
    return {"@context": dict(_PREFIXES), "@graph": [scheme, *concepts]}


def as_turtle(document: Mapping[str, Any]) -> bytes:
    """What `as_json_ld` made, as Turtle."""
    from pyoxigraph import RdfFormat, parse, serialize

    quads = parse(input=json.dumps(document).encode(), format=RdfFormat.JSON_LD)
    made: bytes | None = serialize((quad.triple for quad in quads), format=RdfFormat.TURTLE, prefixes=_PREFIXES)
    assert made is not None, "without an output the text is answered"
    return made


def _iri(address: str, identity: str) -> str:
    # Terms such as "half crown" are no IRIs as they stand.
    return f"{address}#{quote(identity, safe='')}"


def _concept(concept: Concept, term: Any, scheme: str) -> dict[str, Any]:
    tagged: dict[str, list[dict[str, str]]] = {"preferred": [], "alternative": [], "hidden": []}
    for name in concept.names:
        tagged[name.kind].append({"@value": name.text, "@language": name.language})
    short = [one.text for one in concept.abbreviations if one.issuer is None]
    parts = {
        "skos:prefLabel": _labels(concept.label, concept.names),
        "skos:broader": [term(upper) for upper in concept.broader],
        "skos:altLabel": [*concept.alternative_labels, *tagged["alternative"]],
        "skos:hiddenLabel": [*short, *tagged["hidden"]],
        "skos:note": concept.note,
        "skos:exactMatch": [{"@id": match} for match in concept.matches],
        "dcterms:valid": _valid(concept),
    }
    return {
        **term(concept.id),
        "@type": "skos:Concept",
        "skos:notation": concept.id,
        "skos:inScheme": {"@id": scheme},
        **{name: part for name, part in parts.items() if part},
    }


def _labels(label: str, names: Iterable[TaggedName]) -> Any:
    """The preferred labels: the one to show, unless a reader takes it from those with a language."""
    preferred = [name for name in names if name.kind == "preferred"]
    tagged = [{"@value": name.text, "@language": name.language} for name in preferred]
    shown = min(preferred, key=lambda name: _rank(name.language, name.text), default=None)
    labels = tagged if shown is not None and shown.text == label else [label, *tagged]
    return labels[0] if len(labels) == 1 else labels


def _rank(language: str | None, text: str) -> tuple[int, str, str]:
    """Which of several texts is shown: the one without a language, in English, or the first by language."""
    if not language:
        return 0, "", text
    return (1 if re.match(r"en(-|$)", language, re.IGNORECASE) else 2), language, text


def _valid(concept: Concept) -> dict[str, str] | None:
    if concept.started is None and concept.ended is None and not concept.current:
        return None
    began = "" if concept.started is None else concept.started.isoformat()
    ended = concept.ended.isoformat() if concept.ended is not None else ".." if concept.current else ""
    return {"@value": f"{began}/{ended}", "@type": _EDTF}


# --- reading -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ReadScheme:
    """What a document says, as the JSON of a vocabulary; `not_kept` counts statements by their property."""

    fields: Mapping[str, Any]
    not_kept: Mapping[str, int] = field(default_factory=dict)


def read_skos(kind: str, raw: bytes, value: Any, vocabularies: str, name: str | None) -> ReadScheme:
    """The one scheme of a document in JSON-LD (`value` is its JSON) or Turtle. `vocabularies` is the address under which it will
    stand by its name, where that is known; relative IRIs are of this address. Raises Invalid."""
    if kind == JSON_LD:
        _ensure_context_is_here(value)
    statements = _Statements(_quads(kind, raw, f"{vocabularies}/{quote(name or '', safe='')}"))
    return _Reader(statements, vocabularies, name).scheme()


def _quads(kind: str, raw: bytes, address: str) -> list[Quad]:
    from pyoxigraph import RdfFormat, parse

    found: list[Quad] = []
    try:
        raw.decode("utf-8")
        form = RdfFormat.JSON_LD if kind == JSON_LD else RdfFormat.TURTLE
        for quad in parse(input=raw, format=form, base_iri=address):
            found.append(quad)
            if len(found) > MOST_STATEMENTS:
                raise Invalid(
                    [Fault.of("over-limit", "at most {most} statements are taken at once", most=MOST_STATEMENTS)]
                )
    except UnicodeDecodeError as error:
        raise Invalid([Fault.of("skos", "the text is not UTF-8 (byte {start})", start=error.start)]) from None
    except (SyntaxError, ValueError) as error:
        line, column = getattr(error, "lineno", None), getattr(error, "offset", None)
        message = " ".join(str(getattr(error, "msg", None) or error).split())[:300]
        name = "JSON-LD" if kind == JSON_LD else "Turtle"
        raise Invalid(
            [
                Fault(
                    "skos",
                    Sentence("this is no {name}: {fault}", name=name, fault=message),
                    "",
                    line=line,
                    column=column,
                )
            ]
        ) from None
    return found


def _ensure_context_is_here(value: Any) -> None:
    """Refuses contexts that would have to be fetched, and those past the limit."""
    faults: list[Fault] = []
    waiting: list[tuple[Any, str]] = [(value, "")]
    while waiting:
        here, pointer = waiting.pop()
        if isinstance(here, list):
            waiting.extend((part, f"{pointer}/{at}") for at, part in enumerate(here))
        elif isinstance(here, Mapping):
            for name, part in here.items():
                at = f"{pointer}/{pointer_step(str(name))}"
                waiting.append((part, at))
                if name == "@import":
                    faults.append(Fault("remote-context", "a context is not fetched: write it out in the document", at))
                for number, context in (
                    enumerate(part if isinstance(part, list) else [part]) if name == "@context" else ()
                ):
                    there = f"{at}/{number}" if isinstance(part, list) else at
                    if isinstance(context, str):
                        message = Sentence(
                            "the context '{context}' is not fetched: write it out in the document",
                            context=context[:100],
                        )
                        example = 'for example {"@context": {"skos": "http://www.w3.org/2004/02/skos/core#"}}'
                        faults.append(Fault("remote-context", message, there, example))
                    elif isinstance(context, Mapping) and len(context) > MOST_PREFIXES:
                        message = Sentence(
                            "a context has up to {most} entries, not {count}", most=MOST_PREFIXES, count=len(context)
                        )
                        faults.append(Fault("over-limit", message, there))
    if faults:
        raise Invalid(faults[:100])


class _Statements:
    """The statements by subject and property. Subjects are IRIs; what blank nodes say is counted as not kept."""

    def __init__(self, quads: Sequence[Quad]) -> None:
        from pyoxigraph import Literal, NamedNode

        self.of: dict[str, dict[str, list[Any]]] = {}
        self.not_kept: Counter[str] = Counter()
        seen: set[Any] = set()
        for quad in quads:
            triple = (quad.subject, quad.predicate, quad.object)
            if triple in seen:
                continue
            seen.add(triple)
            if isinstance(quad.subject, NamedNode) and isinstance(quad.object, NamedNode | Literal):
                self.of.setdefault(quad.subject.value, {}).setdefault(quad.predicate.value, []).append(quad.object)
            else:
                self.not_kept[quad.predicate.value] += 1

    def take(self, subject: str, name: str) -> list[Any]:
        """The objects, which are no longer there then."""
        return self.of.get(subject, {}).pop(name, [])


class _Reader:
    def __init__(self, statements: _Statements, vocabularies: str, name: str | None) -> None:
        self.statements, self.vocabularies, self.name = statements, vocabularies, name
        self.faults: list[Fault] = []

    def scheme(self) -> ReadScheme:
        of = self.statements.of
        types = {subject: {_value(kind) for kind in said.get(_TYPE, ())} for subject, said in of.items()}
        schemes = [subject for subject, kinds in types.items() if _SKOS + "ConceptScheme" in kinds]
        concepts = [
            subject
            for subject, said in of.items()
            if subject not in schemes and (_SKOS + "Concept" in types[subject] or _SKOS + "prefLabel" in said)
        ]
        if len(schemes) > 1:
            named = ", ".join(f"<{iri}>" for iri in sorted(schemes)[:3])
            raise Invalid(
                [
                    Fault.of(
                        "skos",
                        "one concept scheme is taken at a time, and these are {count}: {named}",
                        count=len(schemes),
                        named=named,
                    )
                ]
            )
        if not concepts:
            raise Invalid([Fault("skos", "there is no skos:Concept in it")])
        if len(concepts) > MOST_CONCEPTS:
            message = Sentence(
                "a vocabulary has up to {most} terms, not {count}", most=MOST_CONCEPTS, count=len(concepts)
            )
            raise Invalid([Fault("over-limit", message)])
        here = schemes[0] if schemes else ""
        names = {iri: self._id(iri) for iri in concepts}
        uppers: dict[str, list[str]] = {iri: [] for iri in concepts}
        for iri in concepts:
            uppers[iri] += [_value(node) for node in self._iris(iri, "broader")]
        for iri in concepts:
            for node in self._iris(iri, "narrower"):
                if _value(node) in uppers:
                    uppers[_value(node)].append(iri)
                else:
                    self.statements.not_kept[_SKOS + "narrower"] += 1
        entries = [
            self._concept(iri, names, dict.fromkeys(uppers[iri]), here)
            for iri in sorted(concepts, key=names.__getitem__)
        ]
        fields = {**self._frame(here), "concepts": entries}
        for said in of.values():
            for name, nodes in said.items():
                if name not in _STRUCTURE:
                    self.statements.not_kept[name] += len(nodes)
        if self.faults:
            raise Invalid(self.faults)
        return ReadScheme(fields, dict(sorted(self.statements.not_kept.items())))

    def _frame(self, iri: str) -> dict[str, Any]:
        label, names = self._labels(iri)
        notes = [node for name in _NOTES for node in self.statements.take(iri, _SKOS + name)]
        sources = self.statements.take(iri, _TERMS + "source")
        imports = self.statements.take(iri, _OWL + "imports")
        fields: dict[str, Any] = {"label": label, "names": names, "iri": "" if iri == self._address(iri) else iri}
        if notes:
            fields["notice"] = _chosen(notes)
        if sources:
            fields["source"] = _chosen(sources)
        if len(imports) == 1:
            fields["extends"] = _local(_value(imports[0]))
        elif imports:
            self.statements.not_kept[_OWL + "imports"] += len(imports)
        fields["name"] = _local(iri)
        return fields

    def _address(self, scheme: str) -> str:
        """Where the scheme of this IRI will stand."""
        return f"{self.vocabularies}/{quote(self.name or _local(scheme), safe='')}"

    def _id(self, iri: str) -> str:
        found = [node.value for node in self._literals(iri, "notation")]
        if len(found) > 1:
            self.statements.not_kept[_SKOS + "notation"] += len(found) - 1
        return min(found) if found else _local(iri)

    def _iris(self, iri: str, name: str) -> list[Any]:
        nodes = self.statements.take(iri, _SKOS + name)
        found = [node for node in nodes if _is_iri(node)]
        if len(found) < len(nodes):
            self.statements.not_kept[_SKOS + name] += len(nodes) - len(found)
        return found

    def _literals(self, iri: str, name: str) -> list[Any]:
        return [node for node in self.statements.take(iri, _SKOS + name) if not _is_iri(node)]

    def _labels(self, iri: str) -> tuple[str, list[dict[str, str]]]:
        """The label to show, and the preferred labels with a language."""
        nodes = self._literals(iri, "prefLabel")
        label = _chosen(nodes) if nodes else ""
        for extra in [node for node in nodes if not node.language and node.value != label]:
            self.faults.append(
                Fault.of(
                    "skos",
                    "<{iri}> has two preferred labels: '{label}', '{value}'",
                    iri=iri,
                    label=label[:60],
                    value=extra.value[:60],
                )
            )
        return label, [_tagged(node, "preferred") for node in sorted(nodes, key=_order) if node.language]

    def _texts(self, iri: str, name: str, kind: str) -> tuple[list[str], list[dict[str, str]]]:
        nodes = sorted(self._literals(iri, name), key=_order)
        return [n.value for n in nodes if not n.language], [_tagged(n, kind) for n in nodes if n.language]

    def _concept(self, iri: str, names: Mapping[str, str], uppers: Iterable[str], scheme: str) -> dict[str, Any]:
        identity = names[iri]
        label, preferred = self._labels(iri)
        others, alternative = self._texts(iri, "altLabel", "alternative")
        short, hidden = self._texts(iri, "hiddenLabel", "hidden")
        notes = [node for name in _NOTES for node in self._literals(iri, name)]
        if len(notes) > 1:
            self.statements.not_kept[_SKOS + "note"] += len(notes) - 1
        is_ours = iri in (_iri(self._address(scheme), identity), _iri(scheme, identity))
        written: dict[str, Any] = {
            "id": identity,
            "label": label,
            "broader": [names.get(upper) or _local(upper) for upper in uppers],
            "alternative_labels": others,
            "names": [*preferred, *alternative, *hidden],
            "abbreviations": [{"text": text} for text in short],
            "note": _chosen(notes) if notes else "",
            "matches": sorted(_value(node) for node in self._iris(iri, "exactMatch")),
            "iri": "" if is_ours else iri,
            **self._days(iri),
        }
        return {name: part for name, part in written.items() if part}

    def _days(self, iri: str) -> dict[str, Any]:
        nodes = self.statements.take(iri, _TERMS + "valid")
        if not nodes:
            return {}
        text = _value(nodes[0])
        began, slash, ended = text.partition("/")
        found: dict[str, Any] = {}
        try:
            if len(nodes) > 1 or not slash:
                raise ValueError
            if began not in ("", ".."):
                found["started"] = date.fromisoformat(began).isoformat()
            if ended not in ("", ".."):
                found["ended"] = date.fromisoformat(ended).isoformat()
            if ended == "..":
                found["current"] = True
        except ValueError:
            message = Sentence(
                "dcterms:valid of <{iri}> is one interval of days such as 1949-10-07/1990-10-02, not '{text}'",
                iri=iri,
                text=text[:60],
            )
            self.faults.append(Fault("skos", message))
        return found


def _value(node: Any) -> str:
    value: str = node.value
    return value


def _is_iri(node: Any) -> bool:
    return not hasattr(node, "language")


def _order(node: Any) -> tuple[str, str]:
    return node.language or "", node.value


def _tagged(node: Any, kind: str) -> dict[str, str]:
    return {"text": node.value, "language": node.language, "kind": kind}


def _chosen(nodes: Iterable[Any]) -> str:
    return min(_rank(None if _is_iri(node) else node.language, _value(node)) for node in nodes)[2]


def _local(iri: str) -> str:
    """The last part of an IRI: its fragment, or else the last step of its path."""
    _, hash_, fragment = iri.partition("#")
    return unquote(fragment if hash_ and fragment else iri.split("#")[0].rstrip("/").rpartition("/")[2])
