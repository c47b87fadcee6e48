"""A draft of a definition, seen while it is written."""

from __future__ import annotations

from service.accounts.model import Owner
from service.analysis.findings import check_definition, findings_of_faults
from service.database.engine import Database
from service.errors import Invalid, Tell
from service.progress.actions.check import document_of
from service.progress.actions.editions import editions
from service.progress.actions.evaluate import EvaluationInputs, loaded_request
from service.progress.actions.inputs import load, vocabularies_of
from service.progress.check import CheckedDefinition
from service.progress.preview import DefinitionPreview, preview_of, preview_of_faults
from service.reference import shipped
from service.rules.document import read_definition
from service.rules.phrases import ENGLISH_SPEECH, Speech


def preview(
    database: Database,
    owner: Owner | None,
    inputs: EvaluationInputs,
    speech: Speech = ENGLISH_SPEECH,
    tell: Tell = str,
) -> DefinitionPreview:
    """What a draft does, sent or kept here; `speech`: the language of its rules in words, `tell`: of what is wrong
    with it. A document that cannot be read has its
    faults as findings; faults of the other members of the request raise Invalid. Raises NotAuthenticated, NotFound, OverLimit."""
    stored = load(database, owner, inputs, all_holdings=inputs.holdings is None, latest=True)
    document, identity, number = document_of(inputs, stored)
    schemes = vocabularies_of(inputs, stored.own)
    try:
        definition = read_definition(document, vocabularies=schemes)
    except Invalid as refusal:
        found = findings_of_faults(refusal.faults, tell)
        which = CheckedDefinition(identity, number, None)
        return preview_of_faults(document, refusal.faults, found, which, tell, **editions())
    request = loaded_request(inputs, stored, definition).request
    found = check_definition(definition, request.issues, inputs.today, request.replaces, shipped.claims())
    which = CheckedDefinition(identity, number, definition.digest)
    return preview_of(request, document, found, which, speech, **editions())
