"""What is worth looking at, as it is sent: facts with what the sets gain, and features that tell candidate issues apart. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated

from msgspec import Meta, Struct

from service.evaluation.distinguishing import distinguishing_features
from service.facts.attributes import Attribute
from service.facts.holding import Facts, Holding
from service.facts.knowledge import knowledge_as_json
from service.facts.recorded import RecordedFact
from service.progress.named import Named
from service.progress.result import DefinitionStamp
from service.rules.messages import CoinPart, FactPart, Message, message


@dataclass(frozen=True, slots=True)
class NamedCoin:
    """A holding, and what messages call it."""

    holding: Holding
    name: CoinPart


class Turn(Struct):
    """What the sets gain together when the facts turn out like this."""

    values: Annotated[dict[str, str], Meta(description="By attribute, in words.")]
    certain_gain: int
    possible_gain: int


class GainOfSet(Struct):
    """What one of the sets gains."""

    set: Annotated[int, Meta(description="Its number in `sets`, from 0.")]
    certain_gain: int
    possible_gain: int
    opens: Annotated[list[str], Meta(description="Places that are empty now and filled then.")]


class FactOutcome(Struct):
    """One way that the facts may turn out."""

    values: Annotated[dict[str, str], Meta(description="By attribute, in words.")]
    recorded: Annotated[
        dict[str, RecordedFact], Meta(description="The facts as they would be recorded; `issue`: the issue's id.")
    ]
    certain_gain: int
    possible_gain: int
    sets: list[GainOfSet]

    @property
    def gains(self) -> tuple[int, int]:
        """Better outcomes compare greater."""
        return self.certain_gain, self.possible_gain

    def turn(self) -> Turn:
        """The outcome without what each set gains."""
        return Turn(self.values, self.certain_gain, self.possible_gain)


class FactToLookAt(Message, frozen=True, kw_only=True):
    """A fact, or several together, of one coin."""

    holding: str
    attributes: Annotated[list[str], Meta(description="`issue`: which of its candidate issues it is.")]
    look_at: dict[str, str]
    best: Turn
    worst: Turn
    outcomes: list[FactOutcome]
    proven: bool
    number: Annotated[str | None, Meta(description="The owner's own number of the coin.")]


class Feature(Struct):
    """An attribute by which candidate issues differ."""

    attribute: str
    look_at: str
    values: Annotated[dict[str, RecordedFact], Meta(description="By the id of the issue.")]


class RuledOutIssue(Struct):
    """An issue that contradicts a recorded fact."""

    issue: str
    attribute: str


class IssueFeatures(Message, frozen=True, kw_only=True):
    """The smallest set of features that tells the candidate issues of a coin apart."""

    holding: str
    features: list[Feature]
    alike: Annotated[list[list[str]], Meta(description="Issues that nothing in the catalogue tells apart.")]
    ruled_out: Annotated[list[RuledOutIssue], Meta(description="Issues that contradict a recorded fact, and which.")]
    is_smallest: bool
    number: Annotated[str | None, Meta(description="The owner's own number of the coin.")]


class SetName(Struct):
    """One of the sets."""

    definition: DefinitionStamp
    title: str


class Doubts(Struct):
    """The facts that change most come first."""

    evaluated_on: date
    sets: list[SetName]
    facts: list[FactToLookAt]
    features: list[IssueFeatures]
    named: Named
    left_out: Annotated[int, Meta(description="Facts that were not weighed, past the work that one answer may cost.")]
    reference_edition: str
    engine_version: str


def fact_to_look_at(
    coin: NamedCoin, look_at: dict[str, str], facts: Sequence[FactPart], outcomes: list[FactOutcome], proven: bool
) -> FactToLookAt:
    """The entry of a fact. `look_at` says for each of its attributes where to look; `facts` are their names in messages."""
    best, worst = max(outcomes, key=_gains).turn(), min(outcomes, key=_gains).turn()
    values = list(best.values.values())
    if best.certain_gain > 0:
        well = message("doubt-best", count=best.certain_gain, values=values)
    else:
        well = message("doubt-best-none", values=values)
    said = message("doubt", coin=coin.name, facts=list(facts), best=well, worst=_worst(worst))
    return FactToLookAt(
        holding=coin.holding.id,
        attributes=list(look_at),
        look_at=look_at,
        best=best,
        worst=worst,
        outcomes=outcomes,
        proven=proven,
        number=coin.holding.number or None,
        **said.members(),
    )


def features_of(
    coin: NamedCoin,
    candidates: Mapping[str, Facts],
    attributes: Mapping[str, Attribute],
    named: Callable[[str], FactPart],
) -> IssueFeatures:
    """What tells the candidate issues of the coin apart. `named` gives the name of an attribute in messages."""
    holding = coin.holding
    found = distinguishing_features(candidates, holding.facts, attributes)
    features = [
        Feature(
            attribute=name,
            look_at=attributes[name].look_at,
            values={
                issue: knowledge_as_json(facts[name])
                for issue, facts in candidates.items()
                if name in facts and issue not in found.ruled_out
            },
        )
        for name in found.attributes
    ]
    left = len(candidates) - len(found.ruled_out)
    if left <= 1:
        said = message("features-one-issue" if left else "features-no-issue", coin=coin.name)
    elif not found.attributes:
        said = message("features-none", coin=coin.name)
    else:
        facts = [named(name) for name in found.attributes]
        code = "features-as-described" if found.alike else "features"
        said = message(code, coin=coin.name, facts=facts, count=left)
    return IssueFeatures(
        holding=holding.id,
        features=features,
        alike=[list(pair) for pair in found.alike],
        ruled_out=[RuledOutIssue(issue, name) for issue, name in found.ruled_out.items()],
        is_smallest=found.is_smallest,
        number=holding.number or None,
        **said.members(),
    )


def _gains(outcome: FactOutcome) -> tuple[int, int]:
    return outcome.gains


def _worst(gains: Turn) -> Message:
    if gains.certain_gain > 0:
        return message("doubt-worst-filled", count=gains.certain_gain)
    if gains.possible_gain < 0:
        return message("doubt-worst-lost", count=-gains.possible_gain)
    return message("doubt-worst-no-change")
