"""One way to send a set definition, wherever one is taken: bare or as the member `document`, in JSON or YAML."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.errors import Fault, Invalid
from service.http.dependencies import Received
from service.http.wire import In
from service.reference import actions as reference
from service.rules.definition import Definition

FORMS = 'send the definition itself ({"format": "set-definition/1", ...}) or {"document": {...}}'


@dataclass(frozen=True, slots=True)
class ReceivedDocument:
    """A document, and the pointer that leads to it in what was sent."""

    document: Any
    at: str

    def definition(self) -> Definition:
        """The checked definition. Raises Invalid, pointers into what was sent."""
        return reference.read_definition(self.document, self.at)

    def faults(self) -> Sequence[Fault]:
        """What is wrong with the document."""
        try:
            self.definition()
        except Invalid as refusal:
            return refusal.faults
        return ()


def unwrapped(value: Any, at: str = "") -> ReceivedDocument | None:
    """The document in a value that is one, or wraps one; None where it is neither. `at` leads to the value."""
    if not isinstance(value, Mapping):
        return None
    if "format" in value:
        return ReceivedDocument(value, at)
    if isinstance(value.get("document"), Mapping):
        return ReceivedDocument(value["document"], f"{at}/document")
    return None


def document_in(body: Received[Any], wrapper: type[In]) -> tuple[ReceivedDocument, In | None]:
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
        return [Fault("wrapping", "this is no set definition, which is an object", at, FORMS)]
    inside = [str(name) for name, part in value.items() if isinstance(part, Mapping) and "format" in part]
    if inside and "document" not in inside:
        message = f"the definition stands under '{inside[0][:80]}', where nothing looks for it"
        return [Fault("wrapping", message, f"{at}/{inside[0][:80]}", FORMS)]
    return []
