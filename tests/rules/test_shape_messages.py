"""Complaints about the shape of a value name the member, and say what it must be."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from service.rules.shape_messages import shape_message


class Example(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    title: str = "x"
    count: int = Field(1, ge=1, le=5)
    open: bool = True
    status: Literal["held", "sold", "lost"] = "held"
    format: Literal["one"] = "one"
    names: list[Annotated[str, Field(max_length=3)]] = Field(default_factory=list, max_length=2)
    facts: dict[str, int] = Field(default_factory=dict)


class Needed(BaseModel):
    name: str


@pytest.mark.parametrize(
    ("model", "value", "message"),
    [
        (Example, {"title": 1}, "'title' must be text"),
        (Example, {"count": "1"}, "'count' must be a whole number"),
        (Example, {"count": 0}, "'count' must be greater than or equal to 1"),
        (Example, {"open": "yes"}, "'open' must be true or false"),
        (Example, {"status": "gone"}, "'status' must be one of 'held', 'sold' or 'lost'"),
        (Example, {"format": "two"}, "'format' must be 'one'"),
        (Example, {"names": "a"}, "'names' must be a list"),
        (Example, {"names": ["a", 2]}, "'names' entry 2 must be text"),
        (Example, {"names": ["a", "bbbb"]}, "'names' entry 2 must have at most 3 characters"),
        (Example, {"names": ["a", "b", "c"]}, "'names' must have at most 2 items after validation, not 3"),
        (Example, {"facts": {"grade": "x"}}, "'grade' must be a whole number"),
        (Example, {"colour": 1}, "unknown field 'colour'"),
        (Needed, {}, "'name' is missing"),
        (Needed, [], "the body must be an object"),
    ],
)
def test_a_fault_of_shape_is_said_by_the_name_of_the_member(model: type[BaseModel], value: Any, message: str) -> None:
    with pytest.raises(ValidationError) as caught:
        model.model_validate(value)
    (entry,) = caught.value.errors()
    assert shape_message(entry["type"], entry["msg"], entry["loc"], entry.get("ctx")) == message


def test_an_entry_of_a_list_is_counted_from_one() -> None:
    assert shape_message("list_type", "Input should be a valid list", (0,)) == "entry 1 must be a list"


def test_a_message_of_our_own_stays_as_it_is() -> None:
    assert shape_message("id", "an id is a UUID of version 7", ("id",)) == "an id is a UUID of version 7"


def test_what_is_said_of_each_type_is_what_the_library_says() -> None:
    """Its words but for the subject, with one and with several: a sentence of our table that differed would tell less or more."""

    class Every(BaseModel):
        model_config = ConfigDict(strict=True)

        above: Annotated[int, Field(gt=3)] = 4
        below: Annotated[int, Field(lt=3)] = 2
        most: Annotated[int, Field(le=3)] = 2
        short: Annotated[str, Field(max_length=1)] = "x"
        long: Annotated[str, Field(min_length=1)] = "x"
        longer: Annotated[str, Field(min_length=2)] = "xx"
        few: Annotated[list[int], Field(max_length=1)] = Field(default_factory=list)
        many: Annotated[list[int], Field(min_length=1)] = Field(default_factory=lambda: [1])
        more: Annotated[list[int], Field(min_length=2)] = Field(default_factory=lambda: [1, 2])
        number: float = 1.0
        finite: Annotated[float, Field(allow_inf_nan=False)] = 1.0

    class Read(BaseModel):
        whole: int = 1
        number: float = 1.0
        truth: bool = True

    wrong = {
        "above": 3,
        "below": 3,
        "most": 4,
        "short": "xx",
        "long": "",
        "longer": "x",
        "few": [1, 2],
        "many": [],
        "more": [1],
        "number": "x",
        "finite": float("inf"),
    }
    seen = set[str]()
    for model, value in ((Every, wrong), (Read, {"whole": "x", "number": "x", "truth": "x"}), (Read, {"whole": 1.5})):
        with pytest.raises(ValidationError) as caught:
            model.model_validate(value)
        for entry in caught.value.errors():
            said = shape_message(entry["type"], entry["msg"], entry["loc"], entry.get("ctx"))
            assert said.sentence != "{name} must {rest}", entry
            subject = next(word for word in ("Input", "String", "List") if entry["msg"].startswith(f"{word} should"))
            assert said == entry["msg"].replace(f"{subject} should", f"'{entry['loc'][0]}' must"), entry
            seen.add(entry["type"])
    assert len(seen) == 13
