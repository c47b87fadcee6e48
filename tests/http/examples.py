"""The examples of the OpenAPI document that tests use, by name."""

from __future__ import annotations

from typing import Any

from service.http.wire import EXAMPLES

ALLOCATIONS: dict[str, Any] = EXAMPLES["AllocationsIn"]
CANDIDATES: dict[str, Any] = EXAMPLES["CandidatesIn"]
CHECK: dict[str, Any] = EXAMPLES["CheckIn"]
CLUB: dict[str, Any] = EXAMPLES["ClubIn"]
CLUB_INVITATION: dict[str, Any] = EXAMPLES["ClubInvitationIn"]
DECISION: dict[str, Any] = EXAMPLES["DecisionIn"]
DEFINITION_IMPORT: dict[str, Any] = EXAMPLES["DefinitionImportIn"]
DOCUMENT: dict[str, Any] = EXAMPLES["DraftIn"]["document"]
EVALUATION: dict[str, Any] = EXAMPLES["EvaluationIn"]
EXHIBITION: dict[str, Any] = EXAMPLES["ExhibitionIn"]
EXPLANATION: dict[str, Any] = EXAMPLES["ExplanationIn"]
HOLDING: dict[str, Any] = EXAMPLES["HoldingIn"]
HOLDINGS_CSV: str = EXAMPLES["HoldingsImportIn text/csv"]
HOLDINGS_IMPORT: dict[str, Any] = EXAMPLES["HoldingsImportIn"]
INVITATION: dict[str, Any] = EXAMPLES["InvitationIn"]
ISSUE: dict[str, Any] = EXAMPLES["NewIssueIn"]
ISSUES_CSV: str = EXAMPLES["IssuesImportIn text/csv"]
ISSUES_IMPORT: dict[str, Any] = EXAMPLES["IssuesImportIn"]
JOIN: dict[str, Any] = EXAMPLES["JoinIn"]
LOG_IN: dict[str, Any] = EXAMPLES["LogInIn"]
OFFER: dict[str, Any] = EXAMPLES["OfferIn"]
PASSWORD: dict[str, Any] = EXAMPLES["PasswordIn"]
PREVIEW: dict[str, Any] = EXAMPLES["PreviewIn"]
PIECE_CHECK: dict[str, Any] = EXAMPLES["PieceCheckIn"]
POLL: dict[str, Any] = EXAMPLES["PollIn"]
REDEMPTION: dict[str, Any] = EXAMPLES["RedemptionIn"]
RESET: dict[str, Any] = EXAMPLES["PasswordResetIn"]
DELETION: dict[str, Any] = EXAMPLES["AccountDeletionIn"]
SHARE: dict[str, Any] = EXAMPLES["ShareIn"]
SWAP_ANSWER: dict[str, Any] = EXAMPLES["SwapAnswerIn"]
SWAP_PROPOSAL: dict[str, Any] = EXAMPLES["ProposalIn"]
SYNC: dict[str, Any] = EXAMPLES["SyncIn"]
VOCABULARY: dict[str, Any] = EXAMPLES["NewVocabularyIn"]
