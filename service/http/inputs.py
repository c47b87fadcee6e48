"""What comes in requests of several operations: a set definition (bare or as the member `document`, in JSON or YAML), the id of
one, holdings, issues, vocabularies; in queries which revision of a set, for which day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Annotated, Any, ClassVar, Literal, Protocol, Self, TypeVar

from pydantic import AfterValidator, BeforeValidator, Field, StringConstraints, WithJsonSchema
from sqlalchemy import Connection

from service import runtime
from service.accounts.model import Owner
from service.clubs.model import Membership
from service.clubs.store.members import ClubStore
from service.database.ids import read_id
from service.errors import Fault, Invalid, InvalidQuery, NotFound, OverLimit, Sentence
from service.evaluation.cost import Cost, Sizes, cost_of_evaluation, together
from service.evaluation.document_sizes import sizes_of_document, stated_places
from service.facts.kinds import value_kind_of
from service.facts.own_vocabularies import OwnVocabulary
from service.formats.strict_json import YAML
from service.holdings.store import HoldingStore
from service.http.dependencies import Received
from service.http.elsewhere import Elsewhere, is_inside
from service.http.wire import Day, In, OtherForm, QueryIn, RevisionNumber, read
from service.progress.actions.inputs import DefinitionReference, SentIssue
from service.progress.actions.search import sets_named
from service.progress.actions.sizes import sizes_of_set, sizes_of_sets
from service.progress.actions.stored_set import find_revision
from service.reference.actions import SentDocument
from service.reference.model import IssueName
from service.rules.definition import MOST_PLACES
from service.rules.presumptions import MOST_ENTRIES, MOST_LISTED_ISSUES
from service.rules.shape_messages import complaint
from service.rules.vocabularies import read_own
from service.settings import Settings

Id = Annotated[str, StringConstraints(min_length=1, max_length=200)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=500)]
Language = Annotated[
    str,
    StringConstraints(max_length=35, pattern=r"^[A-Za-z]{1,8}(-[A-Za-z0-9]{1,8})*$"),
    Field(description="A BCP 47 language tag."),
]
# A set of some 50 coins and places.
_MILLISECONDS_A_MEMBER = 10.0
_FORMS = 'send the definition itself ({"format": "set-definition/1", ...}) or {"document": {...}}'
_RIGHT = (
    'send the definition itself ({"format": "set-definition/1", ...}) or {"document": {...}}; or {"id": ..., "revision": ...} '
    "of one kept here"
)
SAME_AS_YAML: Mapping[str, OtherForm] = {YAML: OtherForm("The same body as YAML, up to 1 MiB.")}


class RevisionQuery(QueryIn):
    """Which revision of a set, and for which day."""

    revision: RevisionNumber | None = Field(
        None, description="Left out: the revision that the set follows (see adoption)."
    )
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")


class SetQuery(RevisionQuery):
    """The same, with or without presumptions."""

    presume: bool = Field(True, description="false: nothing is presumed of coins, whichever list says so.")


def _holdings(value: Any) -> Any:
    if value == "mine" or isinstance(value, list):
        return value
    raise complaint("holdings", 'a list of holdings is needed here, or "mine" for those that you keep here')


def _seconds(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal) or not Decimal("0.1") <= value <= 60:
        raise complaint("budget", "a number of seconds from 0.1 to 60 is needed here")
    return float(value)


def _definition(value: Any) -> Any:
    if isinstance(value, dict):
        return value
    raise complaint(
        "wrapping",
        "a set definition is needed here, not {sent}: {right}",
        sent=value_kind_of(value),
        right=Sentence(_RIGHT),
    )


_REFERENCE = {
    "type": "object",
    "properties": {"id": {"type": "string", "format": "uuid"}, "revision": {"type": "integer", "minimum": 1}},
    "required": ["id"],
    "additionalProperties": False,
}
_DOCUMENT = {"type": "object", "properties": {"format": {"const": "set-definition/1"}}, "required": ["format"]}
_WRAPPED = {
    "type": "object",
    "properties": {"document": _DOCUMENT},
    "required": ["document"],
    "additionalProperties": False,
}
AnyDefinition = Annotated[
    dict[str, Any],
    BeforeValidator(_definition),
    WithJsonSchema(
        {
            "anyOf": [_REFERENCE, _DOCUMENT, _WRAPPED],
            "description": "A set definition, or the id of one kept here. The definition may be wrapped: "
            '{"document": {...}}.',
        }
    ),
]
AnyHoldings = Annotated[
    Any,
    AfterValidator(_holdings),
    WithJsonSchema({"anyOf": [{"type": "array", "items": {"type": "object"}}, {"const": "mine"}]}),
]
Seconds = Annotated[float, BeforeValidator(_seconds), WithJsonSchema({"type": "number", "minimum": 0.1, "maximum": 60})]


class ReferenceIn(In):
    """A definition kept here; without a revision the one that its owner's set follows (for a check: its draft, or else its
    newest)."""

    id: str
    revision: RevisionNumber | None = None


class WrappedIn(In):
    """A definition in the member `document`."""

    document: dict[str, Any]


class IssueIn(In):
    """A catalogue entry of the caller's."""

    id: Id
    facts: dict[str, Any]
    label: str = ""
    replaces: Id | None = Field(None, description="The issue in whose place it is a candidate.")


class AbbreviationIn(In):
    """A short or popular name of a term."""

    text: Name
    issuer: Id | None = Field(None, description="The issuer that it holds for; left out: everywhere.")


class TaggedNameIn(In):
    """A name of a term in one language."""

    text: Name
    language: Language
    kind: Literal["preferred", "alternative", "hidden"] = Field(
        "alternative", description="As skos:prefLabel, skos:altLabel or skos:hiddenLabel."
    )


class ConceptIn(In):
    """One term of a vocabulary of the caller's."""

    id: Id
    label: Annotated[str, StringConstraints(max_length=500)] = Field("", description="Left out: the id.")
    broader: list[Id] = Field(default_factory=list)
    alternative_labels: list[Name] = Field(default_factory=list, max_length=100)
    names: list[TaggedNameIn] = Field(default_factory=list, max_length=200, description="Names with their language.")
    abbreviations: list[AbbreviationIn] = Field(default_factory=list, max_length=100)
    note: Annotated[str, StringConstraints(max_length=4000)] = ""
    started: Day | None = Field(None, description="The first day on which an issuer existed.")
    ended: Day | None = Field(None, description="The last day on which an issuer existed.")
    current: bool = Field(False, description="Whether an issuer is known to exist still.")
    matches: list[Name] = Field(
        default_factory=list, max_length=50, description="IRIs of the same concept elsewhere: skos:exactMatch."
    )
    iri: Annotated[str, StringConstraints(max_length=500)] = Field(
        "", description="Its own IRI, where it came from elsewhere."
    )


class VocabularyIn(In):
    """A vocabulary of the caller's, in the place of one of its name; with `extends`, additions to that one."""

    name: Id
    extends: Id | None = Field(None, description="The vocabulary that gets these terms besides its own.")
    label: Annotated[str, StringConstraints(max_length=500)] = ""
    concepts: list[ConceptIn]


class PresumptionIn(In):
    """Facts that are presumed of every coin that surely fits `where` (left out: of every coin), as far as nothing is recorded
    of them."""

    where: str | bool | dict[str, Any] | None = None
    facts: dict[str, Any]


class IdentificationIn(In):
    """The catalogue is complete for coins that surely fit `where`, or the listed `issues` are all there are."""

    where: str | bool | dict[str, Any]
    issues: list[IssueName] | None = Field(None, min_length=1, max_length=MOST_LISTED_ISSUES)


class PlacingIn(In):
    """A holding and a place."""

    holding: Id
    place: Annotated[str, StringConstraints(min_length=1, max_length=500)]


class InputsIn(In):
    """What evaluations, explanations and checks take."""

    body_limit: ClassVar[str] = "evaluation_body_bytes"
    other_forms: ClassVar[Mapping[str, OtherForm]] = SAME_AS_YAML

    definition: AnyDefinition
    issues: list[IssueIn] = Field(default_factory=list)
    vocabularies: list[VocabularyIn] = Field(default_factory=list, max_length=100)
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")

    def common(self, today: date) -> dict[str, Any]:
        """The members of `service.progress.actions.inputs.Inputs`. Raises Invalid."""
        return {
            "definition": sent_definition(self.definition, "/definition"),
            "today": self.today or today,
            "issues": sent_issues(self.issues),
            "vocabularies": sent_vocabularies(self.vocabularies),
        }


class JudgedIn(InputsIn):
    """What is presumed where a request has coins judged."""

    presume: bool = Field(True, description="false: nothing is presumed of coins, whichever list says so.")
    presumptions: list[PresumptionIn] = Field(
        default_factory=list,
        max_length=MOST_ENTRIES,
        description="What is presumed besides what the definition presumes, before what the account does.",
    )

    def common(self, today: date) -> dict[str, Any]:
        """The members of `service.progress.actions.inputs.Inputs`. Raises Invalid."""
        return {**super().common(today), "presume": self.presume, "presumptions": plain(self.presumptions)}


def sent_definition(value: Any, at: str) -> DefinitionReference | SentDocument:
    """What a member of the type `AnyDefinition` means; `at` leads to it. Raises Invalid."""
    if isinstance(value, dict) and ("id" in value or "revision" in value) and not {"format", "document"} & value.keys():
        try:
            found = read(ReferenceIn, value)
        except Invalid as refusal:
            raise refusal.under(at) from None
        return DefinitionReference(found.id, found.revision)
    return inline_definition(value, at)


def inline_definition(value: Any, at: str) -> SentDocument:
    """The definition in a member, bare or wrapped; `at` leads to the member. Raises Invalid."""
    found = unwrapped(value, at)
    if found is None:
        wrong = wrong_wrapping(value, at)
        if wrong:
            raise Invalid([replace(fault, hint=_RIGHT) for fault in wrong])
        if "document" not in value:
            # Its reader says what is missing.
            return SentDocument(value, at)
    if found is None or found.at != at:
        try:
            read(WrappedIn, value)
        except Invalid as refusal:
            raise refusal.under(at) from None
    assert found is not None
    return found


def unwrapped(value: Any, at: str = "") -> SentDocument | None:
    """The document in a value that is one, or wraps one; None where it is neither. `at` leads to the value."""
    if not isinstance(value, Mapping):
        return None
    if "format" in value:
        return SentDocument(value, at)
    if isinstance(value.get("document"), Mapping):
        return SentDocument(value["document"], f"{at}/document")
    return None


def document_in(body: Received[Any], wrapper: type[In]) -> tuple[SentDocument, In | None]:
    """The document of a body, and its wrapper as a model where there is one. Raises Invalid with what is wrong with either, and
    says so where the document is wrapped in another way."""
    value = body.value
    found = unwrapped(value)
    if found is not None and not found.at:
        return found, None
    try:
        sent: In = body.read()
    except Invalid as refusal:
        wrong = wrong_wrapping(value)
        further = found.faults() if found is not None else ()
        raise Invalid([*wrong, *(() if wrong else refusal.faults), *further]) from None
    assert isinstance(sent, wrapper)
    assert found is not None, "a wrapper has a document"
    return found, sent


def wrong_wrapping(value: Any, at: str = "") -> list[Fault]:
    """What to say of a value that is no definition and does not wrap one as it should."""
    if not isinstance(value, Mapping):
        return [Fault("wrapping", "this is no set definition, which is an object", at, _FORMS)]
    inside = [str(name) for name, part in value.items() if isinstance(part, Mapping) and "format" in part]
    if inside and "document" not in inside:
        message = Sentence("the definition is in the member '{inside}', which is not read", inside=inside[0][:80])
        return [Fault("wrapping", message, f"{at}/{inside[0][:80]}", _FORMS)]
    return []


async def sizes_asked(
    context: runtime.Context, owner: Owner | None, definition: Any, holdings: Any, solver_seconds: float
) -> Sizes:
    """The sizes of a definition in a body, or kept here, and of the holdings beside it, "mine" being those kept here."""
    named = (
        definition.get("id")
        if isinstance(definition, dict) and not {"format", "document"} & definition.keys()
        else None
    )
    identity, number = read_id(str(named)) if named else None, definition.get("revision") if named else None

    def read_sizes(connection: Connection) -> Sizes:
        assert owner is not None
        coins = HoldingStore(connection, owner).number() if holdings == "mine" else len(holdings)
        if identity is None:
            return sizes_of_document(definition, coins, solver_seconds)
        # Whoever reads it says that there is none.
        with suppress(NotFound):
            document = find_revision(connection, owner, identity, number if isinstance(number, int) else None).document
            return sizes_of_document(document, coins, solver_seconds)
        return Sizes(coins=coins)

    if owner is not None and (identity is not None or holdings == "mine"):
        return await context.read(read_sizes)
    return sizes_of_document(definition, 0 if holdings == "mine" else len(holdings), solver_seconds)


async def weigh_set(
    work: Elsewhere,
    context: runtime.Context,
    owner: Owner,
    identity: str,
    number: int | None = None,
    *,
    times: int = 1,
    certain: int | None = None,
    solver_seconds: float = 10.0,
) -> None:
    """Weighs so many evaluations of a set kept here, of which so many are certainly made (None: all of them), see
    `Elsewhere.weigh`."""
    if is_inside(work.request):
        return
    sizes = await context.read(lambda connection: sizes_of_set(connection, owner, identity, number, solver_seconds))
    await work.weigh(cost_of_evaluation(sizes).times(times, "evaluations", certain))


async def weigh_filter(work: Elsewhere, context: runtime.Context, owner: Owner, rule: str | None) -> None:
    """Weighs the evaluations of the sets that a filter of holdings names, see `Elsewhere.weigh`."""
    if rule is None or is_inside(work.request):
        return
    named = sets_named(rule)
    if named:
        sizes = await context.read(lambda connection: sizes_of_sets(connection, owner, named))
        await work.weigh(
            together("evaluating the sets", [cost_of_evaluation(one).if_not_kept() for one in sizes], "sets")
        )


async def weigh_members(
    work: Elsewhere, context: runtime.Context, member: Membership, *, most: int | None = None
) -> None:
    """Weighs work over the members of a club (over `most` of them), of whose coins nothing is known yet, see
    `Elsewhere.weigh`."""
    if is_inside(work.request):
        return
    count = await context.read(lambda connection: ClubStore(connection).number(member.club))
    count = count if most is None else min(count, most)
    await work.weigh(
        Cost("evaluating the members' sets", _MILLISECONDS_A_MEMBER * count, 0.0, sizes={Sentence("members"): count})
    )


class Budgeted(Protocol):
    """A body that says how much solver time it would like."""

    budget_seconds: float

    def model_copy(self, *, update: Mapping[str, Any]) -> Self: ...


Body = TypeVar("Body", bound=Budgeted)


def granted(settings: Settings, owner: Owner | None, asked: Body) -> Body:
    """The same with as much solver time as is granted of what it asks for."""
    if owner is not None:
        return asked
    return asked.model_copy(update={"budget_seconds": min(asked.budget_seconds, settings.anonymous_budget_seconds)})


def ensure_allowed(settings: Settings, owner: Owner | None, definition: Any, holdings: Any) -> None:
    """Raises OverLimit where somebody without an account asks for more than such callers may."""
    if owner is not None:
        return
    with_account = "ask with an account for more"
    faults = []
    if isinstance(holdings, list) and len(holdings) > settings.anonymous_coins:
        message = Sentence(
            "without an account up to {most} coins are looked at, and these are {count}",
            most=settings.anonymous_coins,
            count=len(holdings),
        )
        faults.append(Fault("over-limit", message, "/holdings", with_account))
    places = stated_places(definition)
    # What no definition may have is refused by whoever reads it, with the place where it stands.
    if settings.anonymous_places < places <= MOST_PLACES:
        message = Sentence(
            "without an account a definition has up to {most} places, and this one has {places}",
            most=settings.anonymous_places,
            places=places,
        )
        faults.append(Fault("over-limit", message, "/definition", with_account))
    if faults:
        raise OverLimit(faults)


def sent_issues(issues: list[IssueIn]) -> list[SentIssue]:
    return [SentIssue(issue.id, issue.facts, issue.replaces) for issue in issues]


def sent_vocabularies(vocabularies: list[VocabularyIn]) -> list[OwnVocabulary]:
    """The vocabularies of a body, in its member `vocabularies`. Raises Invalid where what a term says of its time cannot be."""
    faults: list[Fault] = []
    own = [
        read_own(scheme.model_dump(mode="json"), faults, f"/vocabularies/{at}")
        for at, scheme in enumerate(vocabularies)
    ]
    if faults:
        raise Invalid(faults)
    return own


def plain(entries: Sequence[In]) -> list[Any]:
    """The entries as JSON, members that were left out left out."""
    return [entry.model_dump(exclude_none=True) for entry in entries]


def refuse_beside_json(**parameters: object) -> None:
    """Refuses parameters that go with another form of the body (None: not given). Raises InvalidQuery."""
    given = [name for name, value in parameters.items() if value is not None]
    if given:
        faults = [Fault.of("parameter", "`{name}` stands in the body when it is JSON", name=name) for name in given]
        raise InvalidQuery(faults, faults[0].message)


def pairs(placings: list[PlacingIn]) -> list[tuple[str, str]]:
    """(holding, place) of each."""
    return [(placing.holding, placing.place) for placing in placings]
