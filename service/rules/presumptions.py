"""What is presumed of a coin where nothing is recorded, and for which coins the catalogue is complete (rules.md, section 9)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from service.errors import Fault, Invalid, Sentence, chained
from service.facts.attributes import Attributes
from service.facts.holding import Facts, pointer_step, read_facts
from service.facts.kinds import value_kind_of
from service.facts.knowledge import Among
from service.facts.vocabulary import Vocabulary
from service.rules.cql2.expression import parse
from service.rules.operators import bind
from service.rules.rule import Rule

MOST_ENTRIES = 200
MOST_LISTED_ISSUES = 1_000

ListName = Literal["definition", "account", "request"]


@dataclass(frozen=True, slots=True)
class Presumption:
    """Facts of every coin that surely fits `where` (None: of every coin). `list` and `index` say where it is written."""

    where: Rule | None
    facts: Facts
    list: ListName
    index: int


@dataclass(frozen=True, slots=True)
class Identification:
    """The catalogue has every issue of coins that surely fit `where`; `issues` lists them where the author does."""

    where: Rule
    issues: tuple[str, ...] | None
    list: ListName
    index: int


@dataclass(frozen=True, slots=True)
class Presumptions:
    """The entries of one list, or of several in their order."""

    presume: tuple[Presumption, ...] = ()
    identify: tuple[Identification, ...] = ()

    def then(self, other: Presumptions) -> Presumptions:
        """These entries, and the others after them."""
        return Presumptions((*self.presume, *other.presume), (*self.identify, *other.identify))


NO_PRESUMPTIONS = Presumptions()


@dataclass(frozen=True, slots=True)
class CompleteSpan:
    """The catalogue has every piece of this issuer and denomination dated from `first` to `last` (None: and since)."""

    issuer: str
    denomination: str
    first: int
    last: int | None

    def covers(self, year: int) -> bool:
        return self.first <= year and (self.last is None or year <= self.last)


@dataclass(frozen=True, slots=True)
class CatalogueClaims:
    """What a catalogue says of itself: of which coins it has every issue, and by issue the wider one of which it is a part. A
    part says all that the wider one says, for some of its years, and more."""

    complete: tuple[CompleteSpan, ...] = ()
    narrows: Mapping[str, str] = field(default_factory=dict)


NO_CLAIMS = CatalogueClaims()


@dataclass
class PresumptionReader:
    """Reads entries from JSON, gathering the faults. Where not `strict`, what does not fit the attributes is left out, so that
    an account's entries serve definitions with other attributes too: an entry whose rule cannot be read says nothing."""

    attributes: Attributes
    vocabularies: Mapping[str, Vocabulary]
    name: ListName
    strict: bool = True
    faults: list[Fault] = field(default_factory=list)

    def read(self, presume: Any, identify: Any, at_presume: str, at_identify: str) -> Presumptions:
        """Both lists; the pointers lead to them."""
        return Presumptions(
            tuple(self._presumptions(presume, at_presume)), tuple(self._identifications(identify, at_identify))
        )

    def _presumptions(self, raw: Any, at: str) -> Iterator[Presumption]:
        for number, item in self._entries(raw, at, {"where", "facts"}, "facts"):
            where = item.get("where")
            rule = None if where is None else self._rule(where, f"{at}/{number}/where")
            facts, wrong = read_facts(item["facts"], self.attributes, strict=self.strict)
            self.faults.extend(fault.under(f"{at}/{number}/facts") for fault in wrong)
            settled: dict[str, Any] = {}
            for name, knowledge in facts.items():
                if isinstance(knowledge, Among) and knowledge.is_plain:
                    settled[name] = knowledge
                    continue
                message = Sentence("what is presumed of '{name}' is one value, a list or none, no doubt", name=name)
                self.faults.append(Fault("presumption", message, f"{at}/{number}/facts/{pointer_step(name)}"))
            if where is None or rule is not None:
                yield Presumption(rule, settled, self.name, number)

    def _identifications(self, raw: Any, at: str) -> Iterator[Identification]:
        for number, item in self._entries(raw, at, {"where", "issues"}, "where"):
            rule = self._rule(item["where"], f"{at}/{number}/where")
            issues = item.get("issues")
            if issues is not None and not (
                isinstance(issues, list)
                and 1 <= len(issues) <= MOST_LISTED_ISSUES
                and all(isinstance(name, str) and name for name in issues)
            ):
                message = Sentence("`issues` lists 1 to {most} ids of catalogue issues", most=MOST_LISTED_ISSUES)
                self.faults.append(Fault("identify", message, f"{at}/{number}/issues"))
                continue
            if rule is not None:
                yield Identification(rule, None if issues is None else tuple(issues), self.name, number)

    def _entries(self, raw: Any, at: str, known: set[str], needed: str) -> Iterator[tuple[int, Mapping[str, Any]]]:
        if not isinstance(raw, list):
            self.faults.append(Fault.of("type", "this is a list of entries, not {kind}", at, kind=value_kind_of(raw)))
            return
        if len(raw) > MOST_ENTRIES:
            self.faults.append(
                Fault.of(
                    "over-limit", "{count} entries; at most {most} are taken", at, count=len(raw), most=MOST_ENTRIES
                )
            )
            return
        for number, item in enumerate(raw):
            if item is None and self.name == "definition":
                continue  # its shape was refused before
            if not isinstance(item, Mapping):
                message = Sentence("an entry is an object, not {kind}", kind=value_kind_of(item))
                self.faults.append(Fault("type", message, f"{at}/{number}"))
                continue
            for name in item:
                if name not in known:
                    message = Sentence(
                        "an entry has no member '{name}', only {listed}",
                        name=str(name)[:80],
                        listed=chained("{first} and {last}", sorted(known)),
                    )
                    self.faults.append(Fault("unknown-field", message, f"{at}/{number}/{pointer_step(str(name))}"))
            if needed not in item or item[needed] is None:
                self.faults.append(Fault.of("shape", "`{needed}` is missing", f"{at}/{number}/{needed}", needed=needed))
            else:
                yield number, item

    def _rule(self, value: Any, pointer: str) -> Rule | None:
        try:
            expression = parse(value)
            return Rule(expression, bind(expression, self.attributes, self.vocabularies), pointer)
        except Invalid as refusal:
            self.faults.extend(refusal.under(pointer).faults)
            return None


@dataclass(frozen=True, slots=True)
class KeptPresumptions:
    """What an account presumes, as it is kept: the entries of both lists in JSON. `version` changes with every change; None
    where the account never said anything."""

    presume: Sequence[Any] = ()
    identify: Sequence[Any] = ()
    version: str | None = None

    def read(self, attributes: Attributes, vocabularies: Mapping[str, Vocabulary]) -> Presumptions:
        """The entries for a definition with these attributes; what it does not know says nothing."""
        if not self.presume and not self.identify:
            return NO_PRESUMPTIONS
        reader = PresumptionReader(attributes, vocabularies, "account", strict=False)
        return reader.read(list(self.presume), list(self.identify), "/presume", "/identify")


NOTHING_KEPT = KeptPresumptions()
