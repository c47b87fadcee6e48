"""Changes between revisions as plain sentences for a collector, one for each change, in the language of a `Speech`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

from msgspec import UNSET, Meta, Struct, UnsetType

from service.analysis.change_words import CHANGE_WORDS
from service.analysis.diff import CHANGE_KINDS, DefinitionChange, DefinitionDiff, KeysChange
from service.facts.holding import read_facts
from service.facts.knowledge import NONE, Among, Value
from service.facts.recorded import RecordedFact
from service.rules.labels import shortened
from service.rules.phrases import ENGLISH_SPEECH, Speech
from service.rules.predicates import And, Comparison, IsNull, Predicate, SetComparison
from service.rules.terms import Const, Count, Ref
from service.rules.wording import RuleWording

_MOST_NAMED = 5
_LIMITS = ("budget", "arithmetic", "attribute")

if TYPE_CHECKING:
    ChangeKind = str
    DocumentPart = Any
else:
    ChangeKind = Literal[CHANGE_KINDS]
    DocumentPart = Annotated[
        Any,
        Meta(
            description="What the document says there: a text, a number, a list, or an object such as a constraint or the "
            "declaration of an attribute.",
            extra_json_schema={
                "anyOf": [
                    *({"type": name} for name in ("string", "number", "object")),
                    {"type": "array", "items": {"anyOf": [{"type": "string"}, {"type": "object"}]}},
                ]
            },
        ),
    ]
_T = TypeVar("_T")


class RevisionChange(Struct, kw_only=True):
    """One change by its meaning. A place has its id in either revision and a JSON pointer into either document."""

    kind: ChangeKind
    old: list[str]
    new: list[str]
    old_pointers: list[str]
    new_pointers: list[str]
    before: DocumentPart | UnsetType = UNSET
    after: DocumentPart | UnsetType = UNSET
    newly_accepted: Annotated[
        dict[str, RecordedFact] | UnsetType, Meta(description="The facts of a coin that only now fits.")
    ] = UNSET
    no_longer_accepted: Annotated[
        dict[str, RecordedFact] | UnsetType, Meta(description="The facts of a coin that only fitted before.")
    ] = UNSET
    limit: Annotated[
        str | UnsetType,
        Meta(description="What kept an exact answer away: budget, arithmetic, attribute, or pairs of places."),
    ] = UNSET
    places: Annotated[
        Mapping[str, list[list[str]]] | UnsetType,
        Meta(
            description="What a change of the scope makes (widened, narrowed, changed, undecided) of places whose own rule is "
            "the same: pairs of the old and the new id."
        ),
    ] = UNSET
    keys: KeysChange | UnsetType = UNSET
    counted: Annotated[
        str | UnsetType, Meta(description="How the rule that a constraint counts by changed: as a rule does.")
    ] = UNSET
    words: Annotated[str, Meta(description="The change as a sentence.")]


def worded_changes(difference: DefinitionDiff, speech: Speech = ENGLISH_SPEECH) -> list[RevisionChange]:
    """Each change with its sentence, in their order, as it is sent."""
    wording = _ChangeWording(difference, speech)
    return [_worded(change, wording.sentence(change)) for change in difference.changes]


def _worded(change: DefinitionChange, sentence: str) -> RevisionChange:
    return RevisionChange(
        kind=change.kind,
        old=list(change.old),
        new=list(change.new),
        old_pointers=list(change.old_pointers),
        new_pointers=list(change.new_pointers),
        before=_or_unset(change.before),
        after=_or_unset(change.after),
        newly_accepted=_or_unset(change.gained),
        no_longer_accepted=_or_unset(change.lost),
        limit=_or_unset(change.limit),
        places=_or_unset(change.places),
        keys=_or_unset(change.keys),
        counted=_or_unset(change.counted),
        words=sentence,
    )


def _or_unset(part: _T | None) -> _T | UnsetType:
    return UNSET if part is None else part


class _ChangeWording:
    def __init__(self, difference: DefinitionDiff, speech: Speech) -> None:
        self.definitions = (difference.old, difference.new)
        self.speech = speech
        self.wordings = [RuleWording(d.attributes, d.vocabularies, speech) for d in self.definitions]
        self.labels = [
            {name: speech.phrase("quoted", label=shortened(label)) for name, label in definition.names().items()}
            for definition in self.definitions
        ]

    def say(self, code: str, /, **parts: object) -> str:
        """A sentence of CHANGE_WORDS with its parts."""
        return self.speech.pattern(f"change-{code}", CHANGE_WORDS).format_map(parts)

    def sentence(self, change: DefinitionChange) -> str:
        what, _, event = change.kind.partition("-")
        if what in ("scope", "rule"):
            return self._rule(change, event)
        sentence: Callable[[DefinitionChange], str] = getattr(
            self, f"_{change.kind.replace('-', '_')}", self._whole_member
        )
        return sentence(change)

    # -- which coins are accepted

    def _rule(self, change: DefinitionChange, event: str) -> str:
        is_scope = change.kind.startswith("scope")
        if event == "reworded":
            return self.say("scope-reworded") if is_scope else self.say("rule-reworded", of=self._inside(change))
        subject = self.say("the-set") if is_scope else self._who(change)
        sentence = self._coins(subject, self.say("the-set-inside") if is_scope else self._inside(change), change, event)
        return f"{sentence} {self._affected(change.places)}" if change.places else sentence

    def _coins(self, subject: str, inside: str, change: DefinitionChange, event: str) -> str:
        gained, lost = self._example(1, change.gained), self._example(0, change.lost)
        if event != "undecided":
            return self.say(event, subject=subject, gained=gained, lost=lost)
        why = self.say(f"limit-{change.limit}" if change.limit in _LIMITS else "limit-budget")
        sure = [self.say("surely-gained", gained=gained)] if change.gained else []
        sure += [self.say("surely-lost", lost=lost)] if change.lost else []
        known = self.say("surely", what=self.speech.listed(sure, "and")) if sure else ""
        return self.say("undecided", of=inside, why=why, known=known)

    def _affected(self, places: Mapping[str, Sequence[Sequence[str]]]) -> str:
        parts = []
        for word, pairs in places.items():
            names = self._some([self.labels[1].get(new, new) for _, new in pairs])
            parts.append(self.say(f"affected-{word}{'' if len(pairs) == 1 else '-several'}", places=names))
        return f"{'; '.join(parts)}."

    def _example(self, side: int, facts: Mapping[str, Any] | None) -> str:
        """The coin in words, as it follows a clause."""
        if facts is None:
            return ""
        attributes = self.definitions[side].attributes
        known, _ = read_facts(
            {name: fact for name, fact in facts.items() if name in attributes}, attributes, strict=False
        )
        clauses = [_clause(name, what.values[0]) for name, what in known.items() if isinstance(what, Among)]
        clauses.sort(key=lambda clause: isinstance(clause, IsNull))
        if not clauses:
            return self.say("any-coin")
        return self.say("for-example", coin=self.wordings[side].coin(And(tuple(clauses))))

    # -- places

    def _place_added(self, change: DefinitionChange) -> str:
        return self.say("is-new", subject=self._what(1, change.new[0]))

    def _place_removed(self, change: DefinitionChange) -> str:
        return self.say("is-gone", subject=self._what(0, change.old[0]))

    def _place_renamed(self, change: DefinitionChange) -> str:
        return self.say("renamed", subject=self._what(0, change.old[0]), label=change.after)

    def _place_id_changed(self, change: DefinitionChange) -> str:
        return self.say("new-id", subject=self._who(change), after=change.after, before=change.before)

    def _place_split(self, change: DefinitionChange) -> str:
        return self.say(
            "split",
            subject=self._what(0, change.old[0]),
            parts=self._some([self.labels[1][name] for name in change.new]),
            rest=self.say("but-a-few", lost=self._example(0, change.lost)) if change.lost else "",
        )

    def _place_merged(self, change: DefinitionChange) -> str:
        return self.say(
            "merged",
            parts=self._some([self.labels[0][name] for name in change.old]),
            whole=self._what(1, change.new[0], inside=True),
            rest=self.say("and-a-few", gained=self._example(1, change.gained)) if change.gained else "",
        )

    def _tier_changed(self, change: DefinitionChange) -> str:
        after, before = (self.say(f"tier-{tier}") for tier in (change.after, change.before))
        return self.say("tier", subject=self._who(change), after=after, before=before)

    def _group_size_changed(self, change: DefinitionChange) -> str:
        code = "size-one" if change.after == 1 else "size"
        return self.say(code, subject=self._who(change), after=change.after, before=change.before)

    def _keys_changed(self, change: DefinitionChange) -> str:
        keys = change.keys
        parts = [self.say("keys-added", keys=self._keys(keys.added))] if keys and keys.added else []
        parts += [self.say("keys-removed", keys=self._keys(keys.removed))] if keys and keys.removed else []
        if not parts:
            return self.say("keys-same", subject=self._who(change))
        return self.say("keys", subject=self._who(change), what=self.speech.listed(parts, "and"))

    def _distinct_changed(self, change: DefinitionChange) -> str:
        by = [self.wordings[1].name(name) for name in change.after or ()]
        if not by:
            return self.say("not-distinct", of=self._inside(change))
        return self.say("distinct", of=self._inside(change), by=self.speech.listed(by, "and"))

    def _at_most_changed(self, change: DefinitionChange) -> str:
        return self.say("at-most", of=self._inside(change))

    def _preference_changed(self, change: DefinitionChange) -> str:
        return self.say("preferences-of", of=self._inside(change)) if change.new else self.say("preferences")

    def _look_at_changed(self, change: DefinitionChange) -> str:
        return self.say("look-at", of=self._inside(change))

    def _note_changed(self, change: DefinitionChange) -> str:
        event = "gone" if not change.after else "reworded" if change.before else "new"
        return self.say(f"note-{event}", of=self._named(change, inside=True))

    def _label_changed(self, change: DefinitionChange) -> str:
        if not change.after:
            return self.say("label-gone", subject=self._named(change), label=shortened(change.before))
        return self.say("renamed", subject=self._named(change), label=shortened(change.after))

    def _named(self, change: DefinitionChange, *, inside: bool = False) -> str:
        """What the label or the note stands at, by its id."""
        section = change.new_pointers[0].split("/")[1]
        code = {"constraints": "the-rule", "layout": "the-page"}.get(section)
        if code is None:
            return self._what(1, change.new[0], inside=inside)
        return self.say(f"{code}-inside" if inside else code, id=change.new[0])

    def _presume_changed(self, change: DefinitionChange) -> str:
        return self.say("presume")

    def _identify_changed(self, change: DefinitionChange) -> str:
        return self.say("identify")

    def _examples_changed(self, change: DefinitionChange) -> str:
        return self.say("examples")

    def _order_changed(self, change: DefinitionChange) -> str:
        return self.say("order")

    # -- the rest

    def _constraint_added(self, change: DefinitionChange) -> str:
        return self.say("rule-new", id=change.new[0], rule=self._constraint(1, change.new[0]))

    def _constraint_removed(self, change: DefinitionChange) -> str:
        return self.say("rule-gone", id=change.old[0], rule=self._constraint(0, change.old[0]))

    def _constraint_changed(self, change: DefinitionChange) -> str:
        before, after = self._constraint(0, change.old[0]), self._constraint(1, change.new[0])
        return self.say("rule-changed", id=change.new[0], after=after, before=before)

    def _constraint_renamed(self, change: DefinitionChange) -> str:
        return self.say("renamed", subject=self.say("the-rule", id=change.before), label=change.after)

    def _page_added(self, change: DefinitionChange) -> str:
        return self.say("is-new", subject=self.say("the-page", id=change.new[0]))

    def _page_removed(self, change: DefinitionChange) -> str:
        return self.say("is-gone", subject=self.say("the-page", id=change.old[0]))

    def _page_changed(self, change: DefinitionChange) -> str:
        return self.say("page", id=change.new[0])

    def _page_renamed(self, change: DefinitionChange) -> str:
        return self.say("renamed", subject=self.say("the-page", id=change.old[0]), label=change.new[0])

    def _vocabulary_added(self, change: DefinitionChange) -> str:
        return self.say("vocabulary-new", id=change.new[0], extending=self._extending(change.after))

    def _vocabulary_removed(self, change: DefinitionChange) -> str:
        return self.say("vocabulary-gone", id=change.old[0], extending=self._extending(change.before))

    def _vocabulary_changed(self, change: DefinitionChange) -> str:
        before, after = ({entry["id"]: entry for entry in side["concepts"]} for side in (change.before, change.after))
        found = {
            "terms-new": [term for term in after if term not in before],
            "terms-gone": [term for term in before if term not in after],
            "terms-changed": [term for term in after if term in before and before[term] != after[term]],
        }
        parts = [self.say(what, terms=self._some(terms)) for what, terms in found.items() if terms]
        return self.say("vocabulary", id=change.new[0], terms=f" ({'; '.join(parts)})" if parts else "")

    def _attribute_added(self, change: DefinitionChange) -> str:
        return self.say("attribute-new", id=change.new[0])

    def _attribute_removed(self, change: DefinitionChange) -> str:
        return self.say("attribute-gone", id=change.old[0])

    def _attribute_changed(self, change: DefinitionChange) -> str:
        return self.say("attribute", id=change.new[0])

    def _title_changed(self, change: DefinitionChange) -> str:
        return self.say("title", after=change.after, before=change.before)

    def _comparison_cut(self, change: DefinitionChange) -> str:
        return self.say("cut")

    def _whole_member(self, change: DefinitionChange) -> str:
        return self.say(f"of-{change.kind.removesuffix('-changed')}")

    # -- words

    def _constraint(self, side: int, name: str) -> str:
        definition = self.definitions[side]
        constraint = next(one for one in definition.constraints if one.id == name)
        return self.wordings[side].constraint(constraint, self.labels[side])

    def _who(self, change: DefinitionChange) -> str:
        return self._what(1, change.new[0])

    def _inside(self, change: DefinitionChange) -> str:
        return self._what(1, change.new[0], inside=True)

    def _what(self, side: int, name: str, *, inside: bool = False) -> str:
        definition = self.definitions[side]
        code = "the-place" if any(slot.id == name for slot in definition.slots) else "the-group"
        return self.say(f"{code}-inside" if inside else code, label=self.labels[side][name])

    def _extending(self, entry: Mapping[str, Any]) -> str:
        return self.say("extending", vocabulary=entry["extends"]) if entry.get("extends") else ""

    def _some(self, names: Sequence[str]) -> str:
        more = [self.speech.phrase("more", count=len(names) - _MOST_NAMED)] if len(names) > _MOST_NAMED else []
        return self.speech.listed([*names[:_MOST_NAMED], *more], "and")

    def _keys(self, keys: Sequence[Any]) -> str:
        """Keys as the document has them: a text, a number, known to be none, or a list of those."""
        return self._some([", ".join(map(self._key, key)) if isinstance(key, list) else self._key(key) for key in keys])

    def _key(self, key: Any) -> str:
        return key if isinstance(key, str) else self.wordings[1].plain(NONE if isinstance(key, dict) else key)


def _clause(name: str, value: Value) -> Predicate:
    """A fact of an example as a clause that it fits, so that it is worded as rules are."""
    if value is NONE:
        return IsNull(Ref(name))
    if isinstance(value, frozenset):
        return SetComparison("a_equals", Ref(name), Const(value)) if value else Comparison("=", Count(name), Const(0))
    return Comparison("=", Ref(name), Const(value))


def text_lines(title: str, sentences: Sequence[str]) -> Iterator[str]:
    """The lines of a plain text in English: the title, and the sentences as a list."""
    yield title
    yield ""
    yield from (f"- {sentence}" for sentence in sentences or (CHANGE_WORDS["change-nothing"],))
