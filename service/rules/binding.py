"""From the shape of a document to its meaning: names resolved, rules parsed and checked, ids unique, places counted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Any

from service.errors import Fault, Invalid, Sentence, chained
from service.facts.attributes import Attribute, Attributes
from service.facts.core_attributes import CORE
from service.facts.holding import read_facts, unknown_attribute
from service.facts.kinds import read_fact
from service.facts.knowledge import Between, exact
from service.facts.own_vocabularies import with_own
from service.facts.vocabulary import Vocabulary, unknown_vocabulary
from service.facts.words import NearWords, nearest
from service.notation.terms import with_terms
from service.rules.constraints import AT_MOST, CONSTRAINT_KINDS, CONSTRAINT_MEMBERS, DIFFERENT, Constraint
from service.rules.cql2.expression import parse
from service.rules.definition import MOST_PLACES, Definition, Example, FreeChoice, Keys, OnePer, Slot
from service.rules.keys import KEY_TYPES, Band, Key, KeyPart, key_at
from service.rules.labels import Labels
from service.rules.operators import bind
from service.rules.preferences import PREFERENCE_KINDS, Preference
from service.rules.presumptions import PresumptionReader, Presumptions
from service.rules.rule import Rule
from service.rules.used_terms import issuer_asked
from service.rules.vocabularies import read_own

# In the rule that picks the concepts of a vocabulary, the concept itself.
CONCEPT = "concept"

# Faults that do not depend on what the attributes are.
_WITHOUT_ATTRIBUTES = (
    "syntax",
    "clashing-id",
    "unknown-place",
    "keys",
    "constraint",
    "preference",
    "over-limit",
    "empty",
)

_KEY_MEMBERS = {
    "holdings": (set(), set()),
    "list": ({"values"}, set()),
    "vocabulary": ({"name"}, {"where", "level"}),
    "catalogue": (set(), {"where"}),
}


class DefinitionBinder:
    """Reads one document whose shape is right, gathering every fault on the way."""

    def __init__(self, shape: Mapping[str, Any], vocabularies: Mapping[str, Vocabulary]) -> None:
        self.shape, self.vocabularies = shape, vocabularies
        self.faults: list[Fault] = []
        self.attributes = CORE
        self._groups: dict[str, OnePer] = {}
        self._places = NearWords(())
        # Short names of terms are those of the issuer that the scope asks for.
        self._issuer: str | None = None

    def definition(self, document: Mapping[str, Any], digest: str) -> Definition:
        """The definition. Raises Invalid with all faults."""
        made = self._read(document, digest)
        if self.faults:
            raise Invalid(self.faults)
        return made

    def faults_found(self) -> list[Fault]:
        """All faults of the parts whose shape is right. When an attribute's declaration is not, nothing is said of rules:
        every one that reads it would look wrong."""
        self._read({}, "")
        if None not in (*self.shape["attributes"], *self.shape["vocabularies"]):
            return self.faults
        return [fault for fault in self.faults if fault.code in _WITHOUT_ATTRIBUTES]

    def _read(self, document: Mapping[str, Any], digest: str) -> Definition:
        is_sound = self._read_vocabularies()
        wrong, self.faults = self.faults, []
        made = self._read_rest(document, digest)
        # A rule that names a term of a vocabulary that is not sound would look wrong.
        rest = (fault for fault in self.faults if is_sound or fault.code in _WITHOUT_ATTRIBUTES)
        self.faults = [*wrong, *rest]
        return made

    def _read_vocabularies(self) -> bool:
        """Adds those that the document carries; whether they are sound."""
        found = len(self.faults)
        entries = [read_own(item, self.faults, at) for at, item in self._entries("vocabularies")]
        if None not in self.shape["vocabularies"]:
            try:
                self.vocabularies = with_own(self.vocabularies, entries)
            except Invalid as refusal:
                self.faults.extend(refusal.under("/vocabularies").faults)
        return len(self.faults) == found

    def _read_rest(self, document: Mapping[str, Any], digest: str) -> Definition:
        shape = self.shape
        self.attributes = self._attributes()
        scope = self._rule(shape["scope"], "/scope")
        self._issuer = None if scope is None else issuer_asked(scope.expression.json)
        presumptions = self._presumptions()
        prefer = self._preferences(shape["prefer"], "/prefer")
        slots = tuple(self._slot(item, at) for at, item in self._entries("slots"))
        one_per = tuple(self._one_per(item, at) for at, item in self._entries("one_per"))
        free = tuple(self._free_choice(item, at) for at, item in self._entries("free_choice"))
        ids = self._ids()
        self._places = NearWords(ids)
        constraints = tuple(self._constraint(item, at, ids) for at, item in self._entries("constraints"))
        self._layout(ids)
        examples = tuple(self._example(item, at, ids) for at, item in self._entries("examples"))
        self._count_places()
        return Definition(
            title=shape["title"],
            document=document,
            digest=digest,
            attributes=self.attributes,
            vocabularies=self.vocabularies,
            scope=scope,
            prefer=prefer,
            slots=tuple(slot for slot in slots if slot is not None),
            one_per=tuple(group for group in one_per if group is not None),
            free_choice=tuple(choice for choice in free if choice is not None),
            constraints=tuple(constraint for constraint in constraints if constraint is not None),
            presumptions=presumptions,
            examples=examples,
        )

    def _presumptions(self) -> Presumptions:
        reader = PresumptionReader(self.attributes, self.vocabularies, "definition")
        made = reader.read(self.shape["presume"], self.shape["identify"], "/presume", "/identify")
        self.faults.extend(reader.faults)
        return made

    def _entries(self, member: str) -> Iterator[tuple[str, dict[str, Any]]]:
        """The entries of a list with their pointers; those whose shape is not right are left out."""
        for place, item in enumerate(self.shape[member]):
            if item is not None:
                yield f"/{member}/{place}", item

    def complain(self, code: str, message: str, pointer: str, hint: str | None = None) -> None:
        self.faults.append(Fault(code, message, pointer, hint))

    # -- attributes

    def _attributes(self) -> Attributes:
        declared: dict[str, Attribute] = {}
        for at, item in self._entries("attributes"):
            name = item["name"]
            if name in declared:
                self.complain(
                    "clashing-id", Sentence("the attribute '{name}' is declared twice", name=name), f"{at}/name"
                )
                continue
            if item["many"] and item["type"] != "text":
                self.complain("type", Sentence("'{name}': only texts may have many values", name=name), f"{at}/many")
            if item["values"] and item["type"] != "text":
                self.complain(
                    "type", Sentence("'{name}': only a text can be one of listed values", name=name), f"{at}/values"
                )
            self._check_vocabulary(item["vocabulary"], f"{at}/vocabulary")
            core = CORE.get(name)
            if core is not None and (core.many, _kind(core.type)) != (item["many"], _kind(item["type"])):
                shown = Sentence("many {type}", type=core.type) if core.many else core.type
                message = Sentence(
                    "'{name}' is a core attribute of type {shown} and cannot be declared as another",
                    name=name,
                    shown=shown,
                )
                self.complain("clashing-attribute", message, f"{at}/type", "choose another name, or leave it out")
            own = {**item, "values": tuple(item["values"])}
            if core is None:
                declared[name] = Attribute(**{**own, "label": item["label"] or name})
            else:
                # A core attribute keeps what is not said anew: its bounds, values, where to look.
                declared[name] = replace(core, **{member: said for member, said in own.items() if said})
        return with_terms(CORE.extended(declared.values()), self.vocabularies)

    def _check_vocabulary(self, name: str | None, pointer: str) -> bool:
        if name is None or name in self.vocabularies:
            return True
        self.faults.append(unknown_vocabulary(name, self.vocabularies).under(pointer))
        return False

    def _named(self, names: Any, pointer: str) -> tuple[str, ...]:
        """Attribute names, each known; a single name stands for a list of one."""
        if names is None:
            return ()
        listed = [names] if isinstance(names, str) else list(names)
        for place, name in enumerate(listed):
            if name not in self.attributes:
                fault = unknown_attribute(name, self.attributes)
                self.faults.append(fault.under(pointer if isinstance(names, str) else f"{pointer}/{place}"))
        return tuple(listed)

    def _name(self, name: str) -> str:
        """The label of an attribute."""
        return Labels(self.attributes, {}).name(name) if name in self.attributes else name

    # -- rules and preferences

    def _rule(self, value: Any, pointer: str, attributes: Attributes | None = None) -> Rule | None:
        if value is None:
            return None
        try:
            expression = parse(value)
            predicate = bind(expression, attributes or self.attributes, self.vocabularies, self._issuer)
            return Rule(expression, predicate, pointer)
        except Invalid as refusal:
            self.faults.extend(refusal.under(pointer).faults)
            return None

    def _preferences(self, items: list[dict[str, Any] | None], pointer: str) -> tuple[Preference, ...]:
        made = (self._preference(item, f"{pointer}/{at}") for at, item in enumerate(items) if item is not None)
        return tuple(preference for preference in made if preference is not None)

    def _preference(self, item: dict[str, Any], at: str) -> Preference | None:
        document = {name: value for name, value in item.items() if value is not None}
        kind = next((kind for kind in PREFERENCE_KINDS.values() if kind.members.keys() == document.keys()), None)
        if kind is None:
            message = "a preference is one of `where`, `highest`, `lowest`, or `order` with its `values`"
            self.complain("preference", message, at, 'for example {"highest": "grade"}')
            return None
        there = f"{at}/{kind.name}"
        if kind.accepts is None:
            rule = self._rule(item[kind.name], there)
            return None if rule is None else Preference(kind, where=rule, document=document)
        (name,) = self._named(item[kind.name], there)
        attribute = self.attributes.get(name)
        if attribute is None:
            return None
        if not kind.accepts(attribute):
            self.complain(
                "type",
                Sentence("`{kind}` takes {takes}, and '{name}' is none", kind=kind.name, takes=kind.takes, name=name),
                there,
            )
            return None
        return Preference(kind, name, values=tuple(item["values"] or ()), document=document)

    # -- places

    def _slot(self, item: dict[str, Any], at: str) -> Slot | None:
        accepts = self._rule(item["accepts"], f"{at}/accepts")
        prefer = self._preferences(item["prefer"], f"{at}/prefer")
        if accepts is None:
            return None
        label = item["label"] or item["id"]
        return Slot(item["id"], label, accepts, item["tier"], prefer, item["look_at"], item["note"])

    def _one_per(self, item: dict[str, Any], at: str) -> OnePer | None:
        accepts = self._rule(item["accepts"], f"{at}/accepts")
        prefer = self._preferences(item["prefer"], f"{at}/prefer")
        parts = self._key_parts(item, at)
        keys = self._keys(item["keys"], f"{at}/keys", parts)
        if keys is None or not parts:
            return None
        if keys.source == "vocabulary":
            parts = (replace(parts[0], terms=keys.vocabulary),)
        said = (item["look_at"], item["note"])
        group = OnePer(item["id"], item["label"], parts, keys, accepts, item["tier"], prefer, *said)
        return self._groups.setdefault(group.id, group)

    def _key_parts(self, item: dict[str, Any], at: str) -> tuple[KeyPart, ...]:
        """What a key is made of; nothing after a complaint."""
        written = item["attribute"]
        if isinstance(written, str):
            part = self._key_part({**item, "attribute": written}, at, f"{at}/attribute")
            return () if part is None else (part,)
        for name in ("band", "bands", "none"):
            if item[name]:
                message = Sentence(
                    "with a list of attributes `{name}` stands beside the one that it is about", name=name
                )
                self.complain("keys", message, f"{at}/{name}", 'for example {"attribute": "year_on_coin", "band": 10}')
        found: list[KeyPart | None] = []
        for place, entry in enumerate(written):
            there = f"{at}/attribute/{place}"
            if isinstance(entry, str):
                plain = {"attribute": entry, "band": None, "bands": None, "none": False}
                found.append(self._key_part(plain, there, there))
            else:
                found.append(self._key_part(entry, there, f"{there}/attribute"))
        names = [part.attribute for part in found if part is not None]
        if len(set(names)) < len(names):
            self.complain("keys", "each attribute stands once in a key", f"{at}/attribute")
            return ()
        return () if None in found else tuple(part for part in found if part is not None)

    def _key_part(self, item: dict[str, Any], at: str, named_at: str) -> KeyPart | None:
        (name,) = self._named(item["attribute"], named_at)
        attribute = self.attributes.get(name)
        if attribute is None:
            return None
        band, bands = item["band"], item["bands"]
        if band is not None and bands is not None:
            self.complain("keys", "a key is cut by `band` or by `bands`, not by both", f"{at}/bands")
            return None
        if band is not None and not attribute.is_number:
            self.complain(
                "type",
                Sentence("`band` cuts a number, and '{name}' is of type {type}", name=name, type=attribute.type),
                f"{at}/band",
            )
            return None
        if bands is not None and not attribute.is_ordered:
            message = Sentence(
                "`bands` cut a number or date, and '{name}' is of type {type}", name=name, type=attribute.type
            )
            self.complain("type", message, f"{at}/bands")
            return None
        if band is None and bands is None and attribute.type not in KEY_TYPES:
            message = Sentence(
                "the keys of a one-per are texts, whole numbers, dates, true or false; '{name}' is of type {type}",
                name=name,
                type=attribute.type,
            )
            self.complain("type", message, named_at, "cut it with `band` or `bands`")
            return None
        width = None if band is None else exact(_as_decimal(band))
        if width is not None and attribute.type == "integer" and not isinstance(width, int):
            self.complain(
                "type", Sentence("'{name}' is a whole number, so its spans are whole too", name=name), f"{at}/band"
            )
            return None
        made = [self._band(entry, attribute, f"{at}/bands/{place}") for place, entry in enumerate(bands or ())]
        keys = [entry["key"] for entry in bands or ()]
        if len(set(keys)) < len(keys):
            self.complain("keys", "each band has a key of its own", f"{at}/bands")
        return KeyPart(name, width, tuple(one for one in made if one is not None), item["none"])

    def _band(self, item: dict[str, Any], attribute: Attribute, at: str) -> Band | None:
        ends = {name: item[name] for name in ("from", "to") if item[name] is not None}
        if not ends:
            self.complain("keys", "a band has `from`, `to`, or both", at)
            return None
        try:
            known = read_fact(attribute, ends)
        except Invalid as refusal:
            self.faults.extend(refusal.under(at).faults)
            return None
        low = known.low if isinstance(known, Between) else known.values[0]  # type: ignore[union-attr]
        high = known.high if isinstance(known, Between) else low
        return Band(item["key"], Between(low, high))  # type: ignore[arg-type]

    def _keys(self, item: dict[str, Any], at: str, parts: tuple[KeyPart, ...]) -> Keys | None:
        source = item["from"]
        needed, allowed = _KEY_MEMBERS[source]
        given = {name for name in ("values", "name", "where", "level") if item[name] is not None}
        for name in sorted(needed - given):
            self.complain(
                "keys", Sentence("keys from '{source}' need `{name}`", source=source, name=name), f"{at}/{name}"
            )
        for name in sorted(given - needed - allowed):
            self.complain(
                "keys", Sentence("keys from '{source}' have no `{name}`", source=source, name=name), f"{at}/{name}"
            )
        if needed - given or given - needed - allowed:
            return None
        if source == "vocabulary" and (len(parts) > 1 or any(not part.is_plain for part in parts)):
            self.complain("keys", "keys from 'vocabulary' are the concepts of one attribute, uncut", f"{at}/from")
            return None
        attribute = self.attributes[parts[0].attribute] if len(parts) == 1 else None
        if source == "vocabulary" and attribute is not None and attribute.type != "text":
            message = Sentence(
                "keys from 'vocabulary' are texts, and '{name}' is of type {type}",
                name=attribute.name,
                type=attribute.type,
            )
            self.complain("type", message, f"{at}/from")
            return None
        # A code and a name of one concept are one place.
        values = tuple(dict.fromkeys(self._listed_keys(item["values"] or (), f"{at}/values", parts))) if parts else ()
        written = [repr(value) for value in item["values"] or ()]
        if source == "list" and parts and len(set(written)) < max(1, len(written)):
            self.complain("keys", "`values` lists each key once, and at least one", f"{at}/values")
        attributes = self.attributes
        if source == "vocabulary":
            if not self._check_vocabulary(item["name"], f"{at}/name"):
                return None
            attributes = attributes.extended([Attribute(CONCEPT, "text", vocabulary=item["name"])])
            if attribute is not None:
                attributes = attributes.extended(
                    [Attribute(attribute.name, "text", attribute.many, vocabulary=item["name"])]
                )
        where = self._rule(item["where"], f"{at}/where", attributes)
        return Keys(source, values, item["name"] or "", where, self._level(item, at))

    def _listed_keys(self, items: Sequence[Any], at: str, parts: tuple[KeyPart, ...]) -> tuple[Key, ...]:
        """The listed keys, each one value or a list with one for every attribute."""
        found: list[Key] = []
        for place, item in enumerate(items):
            several = item if isinstance(item, list) else [item]
            if len(several) != len(parts):
                message = (
                    Sentence("a key has {count} values here, one for each attribute", count=len(parts))
                    if len(parts) > 1
                    else ("a key is one value here")
                )
                self.complain("keys", message, f"{at}/{place}")
                continue
            key = []
            for number, (raw, part) in enumerate(zip(several, parts, strict=True)):
                there = f"{at}/{place}/{number}" if isinstance(item, list) else f"{at}/{place}"
                try:
                    attribute = self.attributes.of_issuer(part.attribute, self._issuer)
                    key.append(part.read(raw, attribute or self.attributes[part.attribute]))
                except Invalid as refusal:
                    self.faults.extend(refusal.under(there).faults)
            if len(key) == len(parts):
                found.append(tuple(key))
        return tuple(found)

    def _level(self, item: dict[str, Any], at: str) -> str | tuple[str, str] | None:
        level = item["level"]
        if not isinstance(level, dict):
            return "narrowest" if level else None
        term = level.get("children_of", "")
        concepts = self.vocabularies[item["name"]].concepts
        if term not in concepts:
            near = nearest(term, concepts)
            question = Sentence(": did you mean '{near}'?", near=near) if near else ""
            self.complain(
                "unknown-term",
                Sentence(
                    "'{term}' is no term of '{name}'{question}", term=term[:80], name=item["name"], question=question
                ),
                f"{at}/level/children_of",
            )
        return ("children_of", term)

    def _free_choice(self, item: dict[str, Any], at: str) -> FreeChoice | None:
        accepts = self._rule(item["accepts"], f"{at}/accepts")
        prefer = self._preferences(item["prefer"], f"{at}/prefer")
        own, label = (item["id"],), item["label"] or item["id"]
        rules: list[Constraint] = []
        if item["distinct"]:
            by = self._named(item["distinct"], f"{at}/distinct")
            words = f"{label}: different {', '.join(map(self._name, by))}"
            rules.append(Constraint(f"{item['id']}/distinct", DIFFERENT, own, by, at=f"{at}/distinct", label=words))
        for place, entry in enumerate(item["at_most"]):
            there = f"{at}/at_most/{place}"
            if (entry["per"] is None) == (entry["where"] is None):
                self.complain("constraint", "`at_most` takes either `per` or `where`", there)
                continue
            by = self._named(entry["per"], f"{there}/per")
            where = self._rule(entry["where"], f"{there}/where")
            of_what = f"of one {', '.join(map(self._name, by))}" if by else "counted by a rule"
            words = f"{label}: at most {entry['count']} {of_what}"
            identity = f"{item['id']}/at_most/{place}"
            rules.append(Constraint(identity, AT_MOST, own, by, where, entry["count"], there, label=words))
        if accepts is None:
            return None
        return FreeChoice(
            item["id"],
            label,
            item["places"],
            accepts,
            tuple(rules),
            item["tier"],
            prefer,
            item["look_at"],
            item["note"],
        )

    # -- what spans several places

    def _ids(self) -> dict[str, str]:
        """Every id of a slot or group, with what it is; one that stands twice is refused."""
        ids: dict[str, str] = {}
        for member in ("slots", "one_per", "free_choice"):
            for at, item in self._entries(member):
                self._claim(item["id"], at, ids)
                ids.setdefault(item["id"], member)
        seen = dict(ids)
        for at, item in self._entries("constraints"):
            self._claim(item["id"], at, seen)
            seen.setdefault(item["id"], "constraints")
        return ids

    def _claim(self, identity: str, at: str, taken: Mapping[str, str]) -> None:
        if identity in taken:
            message = Sentence("the id '{id}' stands at two places of the document", id=identity)
            self.complain("clashing-id", message, f"{at}/id", "ids are unique over the document")

    @property
    def _is_whole(self) -> bool:
        """Whether every slot and group has the right shape, so that all places are known."""
        return not any(None in self.shape[member] for member in ("slots", "one_per", "free_choice"))

    def _known_place(self, name: str, ids: Mapping[str, str], pointer: str) -> None:
        group, slash, key = name.partition("/")
        kind = ids.get(group)
        if kind is None and not self._is_whole:
            return
        if kind is None or (slash and kind == "slots"):
            near = self._places.nearest(name)
            question = Sentence(": did you mean '{near}'?", near=near) if near else ""
            self.complain(
                "unknown-place",
                Sentence("there is no place '{name}'{question}", name=name[:80], question=question),
                pointer,
            )
        elif slash and kind == "free_choice":
            places = next(item["places"] for _, item in self._entries("free_choice") if item["id"] == group)
            if not key.isdigit() or not 1 <= int(key) <= places:
                self.complain(
                    "unknown-place",
                    Sentence(
                        "there is no place '{name}': '{group}' has {places}", name=name[:80], group=group, places=places
                    ),
                    pointer,
                )
        elif slash and group in self._groups:
            own = self._groups[group]
            found = key_at(key, own.parts, self.attributes)
            if found is None or (own.keys.source == "list" and found not in own.keys.values):
                self.complain(
                    "unknown-place",
                    Sentence("there is no place '{name}': that is no key of '{group}'", name=name[:80], group=group),
                    pointer,
                )

    def _known_slot(self, name: str, ids: Mapping[str, str], pointer: str) -> None:
        if ids.get(name) in ("one_per", "free_choice"):
            message = Sentence("'{name}' is a group: the rule binds the coin of one slot", name=name[:80])
            self.complain("unknown-place", message, pointer, "name a slot")
        elif "/" in name:
            message = Sentence("'{name}' is no slot: the rule binds the coin of one slot", name=name[:80])
            self.complain("unknown-place", message, pointer, "name a slot")
        else:
            self._known_place(name, ids, pointer)

    def _constraint(self, item: dict[str, Any], at: str, ids: Mapping[str, str]) -> Constraint | None:
        kind = CONSTRAINT_KINDS[item["kind"]]
        given = {name for name in CONSTRAINT_MEMBERS if item[name] is not None} - {"places"}
        ways = [set(way) for way in kind.needs]
        if "places" in kind.needs[0] and item["places"] is None:
            self.complain(
                "constraint",
                Sentence("`{name}` needs `places`: over the whole set it says nothing", name=kind.name),
                f"{at}/places",
            )
            return None
        if given not in [way - {"places"} for way in ways]:
            wanted = chained(
                "{first} or {last}",
                [
                    chained("{first} and {last}", [f"`{name}`" for name in way if name != "places"])
                    for way in kind.needs
                ],
            )
            self.complain(
                "constraint",
                Sentence("`{name}` takes {wanted}", name=kind.name, wanted=wanted),
                at,
                Sentence("for example {example}", example=kind.example),
            )
            return None
        by = self._named(item["by"], f"{at}/by") + self._named(item["per"], f"{at}/per")
        where = self._rule(item["where"], f"{at}/where")
        for place, name in enumerate(item["places"] or ()):
            self._known_place(name, ids, f"{at}/places/{place}")
        places = tuple(item["places"] or ())
        if item["place"] is not None:
            self._known_slot(item["place"], ids, f"{at}/place")
        words = (item["label"] or item["id"], item["note"])
        return Constraint(item["id"], kind, places, by, where, item["count"] or 0, at, item["place"] or "", *words)

    # -- the author's test cases

    def _example(self, item: dict[str, Any], at: str, ids: Mapping[str, str]) -> Example:
        facts, wrong = read_facts(item["facts"], self.attributes, strict=True)
        self.faults.extend(fault.under(f"{at}/facts") for fault in wrong)
        for member in ("fits", "not"):
            for place, name in enumerate(item[member]):
                self._known_place(name, ids, f"{at}/{member}/{place}")
        return Example(item["label"], facts, tuple(item["fits"]), tuple(item["not"]), at)

    def _layout(self, ids: Mapping[str, str]) -> None:
        for at, item in self._entries("layout"):
            for place, name in enumerate(item["slots"]):
                self._known_place(name, ids, f"{at}/slots/{place}")

    def _count_places(self) -> None:
        count = len(self.shape["slots"]) + sum(item["places"] for _, item in self._entries("free_choice"))
        count += sum(len(item["keys"]["values"] or ()) for _, item in self._entries("one_per"))
        if count > MOST_PLACES:
            self.complain(
                "over-limit",
                Sentence("the set has {count} places; at most {most} are taken", count=count, most=MOST_PLACES),
                "",
            )
        if not any(self.shape[member] for member in ("slots", "one_per", "free_choice")):
            self.complain("empty", "the set has no place", "", "add `slots`, `one_per` or `free_choice`")


def _as_decimal(number: int | float | Decimal) -> int | Decimal:
    return Decimal(repr(number)) if isinstance(number, float) else number


def _kind(type_name: str) -> str:
    return "number" if type_name in ("integer", "decimal") else type_name
