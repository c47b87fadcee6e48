"""Changes between revisions as plain sentences for a collector, one for each change."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

from msgspec import UNSET, Meta, Struct, UnsetType

from service.analysis.diff import CHANGE_KINDS, DefinitionChange, DefinitionDiff, KeysChange
from service.facts.holding import read_facts
from service.facts.knowledge import NONE, Among, Value, value_in_words
from service.facts.recorded import RecordedFact
from service.rules.labels import listed_up_to, shortened
from service.rules.phrases import listed
from service.rules.predicates import And, Comparison, IsNull, Predicate, SetComparison
from service.rules.terms import Const, Count, Ref
from service.rules.wording import RuleWording

_MOST_NAMED = 5
_LIMIT_WORDING: Mapping[str, str] = {
    "budget": "it would take too much work",
    "arithmetic": "it needs arithmetic over several facts",
    "attribute": "an attribute means different things in the two revisions",
}

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


def worded_changes(difference: DefinitionDiff) -> list[RevisionChange]:
    """Each change with its sentence, in their order, as it is sent."""
    wording = _ChangeWording(difference)
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
    def __init__(self, difference: DefinitionDiff) -> None:
        self.definitions = (difference.old, difference.new)
        self.wordings = [RuleWording(d.attributes, d.vocabularies) for d in self.definitions]
        self.labels = [
            {name: f"'{shortened(label)}'" for name, label in definition.names().items()}
            for definition in self.definitions
        ]

    def sentence(self, change: DefinitionChange) -> str:
        what, _, event = change.kind.partition("-")
        if what in ("scope", "rule"):
            return self._rule(change, event)
        sentence: Callable[[DefinitionChange], str] = getattr(
            self, f"_{change.kind.replace('-', '_')}", self._other_text
        )
        return sentence(change)

    # -- which coins are accepted

    def _rule(self, change: DefinitionChange, event: str) -> str:
        subject = "The set" if change.kind.startswith("scope") else f"{self._who(change)}"
        if event == "reworded":
            rule = "The scope" if change.kind.startswith("scope") else f"The rule of {_inside(self._who(change))}"
            return f"{rule} is reworded and means the same as before."
        sentence = self._coins(subject, change, event)
        return f"{sentence} {self._affected(change.places)}" if change.places else sentence

    def _coins(self, subject: str, change: DefinitionChange, event: str) -> str:
        gained, lost = self._example(1, change.gained), self._example(0, change.lost)
        if event == "widened":
            return f"{subject} now also takes coins that it did not take before{gained}."
        if event == "narrowed":
            return f"{subject} no longer takes some coins that it took before{lost}."
        if event == "changed":
            return f"{subject} now takes coins that it did not take before{gained}, and no longer takes others{lost}."
        why = _LIMIT_WORDING.get(change.limit or "", _LIMIT_WORDING["budget"])
        sure = [f"it now also takes other coins{gained}"] if change.gained else []
        sure += [f"it no longer takes some coins{lost}"] if change.lost else []
        known = f" For certain {' and '.join(sure)}." if sure else ""
        return f"The rule of {_inside(subject)} changed; whether it takes more or fewer coins was not decided: {why}.{known}"

    def _affected(self, places: Mapping[str, Sequence[Sequence[str]]]) -> str:
        words = {
            "widened": "takes more",
            "narrowed": "takes fewer",
            "changed": "takes others",
            "undecided": "may take others",
        }
        parts = []
        for word, pairs in places.items():
            names = _some([self.labels[1].get(new, new) for _, new in pairs])
            verb = words[word] if len(pairs) == 1 else words[word].replace("takes", "take")
            parts.append(f"{names} {verb} by it")
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
        return f", for example {self.wordings[side].coin(And(tuple(clauses)))}" if clauses else ", whatever they are"

    # -- places

    def _place_added(self, change: DefinitionChange) -> str:
        return f"{self._what(1, change.new[0])} is new."

    def _place_removed(self, change: DefinitionChange) -> str:
        return f"{self._what(0, change.old[0])} is gone."

    def _place_renamed(self, change: DefinitionChange) -> str:
        return f"{self._what(0, change.old[0])} is now called '{change.after}'."

    def _place_id_changed(self, change: DefinitionChange) -> str:
        return f"{self._who(change)} has a new id: '{change.after}' instead of '{change.before}'."

    def _place_split(self, change: DefinitionChange) -> str:
        whole, parts = self._what(0, change.old[0]), _some([self.labels[1][name] for name in change.new])
        rest = f", but for a few coins{self._example(0, change.lost)}" if change.lost else ""
        return f"{whole} is split: the coins it took now go to {parts}{rest}."

    def _place_merged(self, change: DefinitionChange) -> str:
        parts, whole = _some([self.labels[0][name] for name in change.old]), self._what(1, change.new[0])
        rest = f", and a few coins more{self._example(1, change.gained)}" if change.gained else ""
        return f"{parts} are merged: {_inside(whole)} takes what they took{rest}."

    def _tier_changed(self, change: DefinitionChange) -> str:
        return f"{self._who(change)} is now {change.after}; it was {change.before}."

    def _group_size_changed(self, change: DefinitionChange) -> str:
        return f"{self._who(change)} has {_count(change.after, 'place')} now instead of {change.before}."

    def _keys_changed(self, change: DefinitionChange) -> str:
        keys = change.keys
        parts = [f"new places for {_keys(keys.added)}"] if keys and keys.added else []
        parts += [f"no more places for {_keys(keys.removed)}"] if keys and keys.removed else []
        if not parts:
            return f"{self._who(change)} has the source of its keys changed, and the keys are the same."
        return f"{self._who(change)} has {' and '.join(parts)}."

    def _distinct_changed(self, change: DefinitionChange) -> str:
        by = [self.wordings[1].name(name) for name in change.after or ()]
        if not by:
            return f"The coins of {_inside(self._who(change))} need no longer differ."
        return f"No two coins of {_inside(self._who(change))} may now agree in {listed(by, 'and')}."

    def _at_most_changed(self, change: DefinitionChange) -> str:
        return f"The limits on how many coins of {_inside(self._who(change))} may be alike changed."

    def _preference_changed(self, change: DefinitionChange) -> str:
        whose = f" for {_inside(self._who(change))}" if change.new else ""
        return f"The preferences{whose} changed."

    def _look_at_changed(self, change: DefinitionChange) -> str:
        return f"The hint where to look at a coin for {_inside(self._who(change))} is reworded."

    def _note_changed(self, change: DefinitionChange) -> str:
        event = "is gone" if not change.after else "is reworded" if change.before else "is new"
        return f"The note to {_inside(self._named(change))} {event}."

    def _label_changed(self, change: DefinitionChange) -> str:
        if not change.after:
            return f"{self._named(change)} is no longer called '{shortened(change.before)}'."
        return f"{self._named(change)} is now called '{shortened(change.after)}'."

    def _named(self, change: DefinitionChange) -> str:
        """What the label or the note stands at, by its id."""
        section = change.new_pointers[0].split("/")[1]
        if section == "constraints":
            return f"The rule over several places '{change.new[0]}'"
        return f"The page '{change.new[0]}'" if section == "layout" else self._who(change)

    def _presume_changed(self, change: DefinitionChange) -> str:
        return "What the set presumes of coins where nothing is recorded changed."

    def _identify_changed(self, change: DefinitionChange) -> str:
        return "For which coins the set takes the catalogue to be complete changed."

    def _examples_changed(self, change: DefinitionChange) -> str:
        return "The author's examples changed."

    def _order_changed(self, change: DefinitionChange) -> str:
        return "The places are in a different order."

    # -- the rest

    def _constraint_added(self, change: DefinitionChange) -> str:
        return f"There is a new rule over several places, '{change.new[0]}': {self._constraint(1, change.new[0])}."

    def _constraint_removed(self, change: DefinitionChange) -> str:
        return f"The rule over several places '{change.old[0]}' is gone: {self._constraint(0, change.old[0])}."

    def _constraint_changed(self, change: DefinitionChange) -> str:
        before, after = self._constraint(0, change.old[0]), self._constraint(1, change.new[0])
        return f"The rule over several places '{change.new[0]}' changed: {after}; it was: {before}."

    def _constraint_renamed(self, change: DefinitionChange) -> str:
        return f"The rule over several places '{change.before}' is now called '{change.after}'."

    def _page_added(self, change: DefinitionChange) -> str:
        return f"The page '{change.new[0]}' is new."

    def _page_removed(self, change: DefinitionChange) -> str:
        return f"The page '{change.old[0]}' is gone."

    def _page_changed(self, change: DefinitionChange) -> str:
        return f"The page '{change.new[0]}' shows other places, or the same in another order."

    def _page_renamed(self, change: DefinitionChange) -> str:
        return f"The page '{change.old[0]}' is now called '{change.new[0]}'."

    def _vocabulary_added(self, change: DefinitionChange) -> str:
        return f"The vocabulary '{change.new[0]}' is there now{_extending(change.after)}."

    def _vocabulary_removed(self, change: DefinitionChange) -> str:
        return f"The vocabulary '{change.old[0]}'{_extending(change.before)} is gone."

    def _vocabulary_changed(self, change: DefinitionChange) -> str:
        before, after = ({entry["id"]: entry for entry in side["concepts"]} for side in (change.before, change.after))
        found = {
            "new terms": [term for term in after if term not in before],
            "gone": [term for term in before if term not in after],
            "changed": [term for term in after if term in before and before[term] != after[term]],
        }
        parts = [f"{what}: {_some(terms)}" for what, terms in found.items() if terms]
        said = f" ({'; '.join(parts)})" if parts else ""
        return f"The vocabulary '{change.new[0]}' changed{said}."

    def _attribute_added(self, change: DefinitionChange) -> str:
        return f"The attribute '{change.new[0]}' is declared."

    def _attribute_removed(self, change: DefinitionChange) -> str:
        return f"The attribute '{change.old[0]}' is no longer declared."

    def _attribute_changed(self, change: DefinitionChange) -> str:
        return f"The declaration of the attribute '{change.new[0]}' changed."

    def _title_changed(self, change: DefinitionChange) -> str:
        return f"The set is now called '{change.after}'; it was '{change.before}'."

    def _comparison_cut(self, change: DefinitionChange) -> str:
        return "Too many places were added and removed to find all that were split or merged."

    def _other_text(self, change: DefinitionChange) -> str:
        return f"The {change.kind.removesuffix('-changed')} of the set changed."

    # -- words

    def _constraint(self, side: int, name: str) -> str:
        definition = self.definitions[side]
        constraint = next(one for one in definition.constraints if one.id == name)
        return self.wordings[side].constraint(constraint, self.labels[side])

    def _who(self, change: DefinitionChange) -> str:
        return self._what(1, change.new[0])

    def _what(self, side: int, name: str) -> str:
        definition = self.definitions[side]
        kind = "place" if any(slot.id == name for slot in definition.slots) else "group"
        return f"The {kind} {self.labels[side][name]}"


def _extending(entry: Mapping[str, Any]) -> str:
    return f", with additions to '{entry['extends']}'" if entry.get("extends") else ""


def _inside(subject: str) -> str:
    return subject[:1].lower() + subject[1:]


def _some(names: Sequence[str]) -> str:
    return listed_up_to(_MOST_NAMED, names)


def _keys(keys: Sequence[Any]) -> str:
    """Keys as the document has them: a text, a number, known to be none, or a list of those."""
    return _some([", ".join(map(_key, key)) if isinstance(key, list) else _key(key) for key in keys])


def _key(key: Any) -> str:
    return "none" if isinstance(key, dict) else key if isinstance(key, str) else value_in_words(key)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _clause(name: str, value: Value) -> Predicate:
    """A fact of an example as a clause that it fits, so that it is worded as rules are."""
    if value is NONE:
        return IsNull(Ref(name))
    if isinstance(value, frozenset):
        return SetComparison("a_equals", Ref(name), Const(value)) if value else Comparison("=", Count(name), Const(0))
    return Comparison("=", Ref(name), Const(value))


def text_lines(title: str, sentences: Sequence[str]) -> Iterator[str]:
    """The lines of a plain text: the title, and the sentences as a list."""
    yield title
    yield ""
    yield from (f"- {sentence}" for sentence in sentences or ("Nothing changed.",))
