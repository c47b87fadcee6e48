"""The check of a definition: of one that is sent, of one kept here, and before publishing."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from service.accounts.model import Owner
from service.analysis.findings import ERROR, WARNING, Finding, check_definition, counts_by_severity, findings_of_faults
from service.database.engine import Database
from service.errors import Fault, Invalid, Tell, Unsound
from service.progress.actions.editions import editions
from service.progress.actions.inputs import (
    DefinitionReference,
    Inputs,
    Stored,
    issues_of,
    load,
    replaces_of,
    vocabularies_of,
)
from service.progress.actions.stored_set import catalogue_of
from service.progress.check import CheckedDefinition, DefinitionCheck
from service.reference import actions as reference
from service.reference import shipped
from service.reference.model import NOTHING_OWN, OwnReference
from service.rules.carried import with_needed
from service.rules.definition import Definition
from service.rules.document import read_definition


def check_report(database: Database, owner: Owner | None, inputs: Inputs, tell: Tell = str) -> DefinitionCheck:
    """The findings on a definition, sent or kept here. A document that cannot be read has its faults as findings, pointers into
    the document, told in the language of `tell`; faults of the other members of the request raise Invalid."""
    stored = load(database, owner, inputs, latest=True)
    schemes = vocabularies_of(inputs, stored.own)
    document, identity, number = document_of(inputs, stored)
    digest = None
    try:
        definition = read_definition(document, vocabularies=schemes)
    except Invalid as refusal:
        found = findings_of_faults(refusal.faults, tell)
    else:
        faults: list[Fault] = []
        issues = issues_of(inputs, definition.attributes, faults, stored.own)
        if faults:
            raise Invalid(faults)
        digest, found = (
            definition.digest,
            check_definition(definition, issues, inputs.today, replaces_of(inputs, stored.own), shipped.claims()),
        )
    return DefinitionCheck(CheckedDefinition(identity, number, digest), counts_by_severity(found), found, **editions())


def document_of(inputs: Inputs, stored: Stored) -> tuple[Mapping[str, Any], str | None, int | None]:
    """The document, sent or kept here, and of one kept here the id of its definition and the number of its revision."""
    if stored.revision is not None:
        return stored.revision.document, stored.revision.definition, stored.revision.number
    assert not isinstance(inputs.definition, DefinitionReference)
    return inputs.definition.document, None, None


def findings_on(definition: Definition, day: date, own: OwnReference = NOTHING_OWN) -> list[Finding]:
    """The findings on a definition against the shipped catalogue and its owner's issues."""
    issues = catalogue_of(own, definition.attributes)
    return check_definition(definition, issues, day, own.replaces, shipped.claims())


def publishable(
    document: Mapping[str, Any], today: date, *, acknowledged: bool, own: OwnReference = NOTHING_OWN
) -> Mapping[str, Any]:
    """The document with the terms that it takes from its owner's vocabularies, so that it means the same to everybody. Raises
    Unsound for findings as `ensure_sound` does, and where the terms are more than a definition carries."""
    carried = with_needed(document, reference.vocabularies(), own.vocabularies)
    try:
        definition = read_definition(carried, vocabularies=reference.vocabularies())
    except Invalid as refusal:
        # The draft was sound with the vocabularies of its owner: what is left are too many terms, or terms that are gone.
        raise Unsound(
            refusal.faults, "the definition cannot carry the terms that it takes from your vocabularies"
        ) from None
    ensure_sound(definition, today, acknowledged=acknowledged, own=own)
    return carried


def ensure_sound(definition: Definition, today: date, *, acknowledged: bool, own: OwnReference = NOTHING_OWN) -> None:
    """Refuses a definition with a finding of severity `error`, and one with warnings that were not acknowledged. `own` are its
    owner's issues. Raises Unsound."""
    found = findings_on(definition, today, own)
    errors = [finding for finding in found if finding.severity == ERROR]
    warnings = [] if acknowledged else [finding for finding in found if finding.severity == WARNING]
    if errors or warnings:
        hint = "publish with ?acknowledged=true in spite of it"
        faults = [Fault.of(finding.code, "{finding}", finding.pointer, finding=finding) for finding in errors]
        faults += [Fault.of(finding.code, "{finding}", finding.pointer, hint, finding=finding) for finding in warnings]
        raise Unsound(faults, "the check of the definition found what must not be published; see `errors`")
