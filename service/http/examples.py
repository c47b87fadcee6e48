"""Examples for the OpenAPI document. A test sends each as it stands."""

from __future__ import annotations

from typing import Any

DOCUMENT: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Two crowns",
    "summary": "One worn crown and one sharp one.",
    "language": "en",
    "slots": [
        {"id": "worn", "label": "Worn crown", "accepts": "denomination = 'crown' AND grade < 40"},
        {"id": "sharp", "label": "Sharp crown", "accepts": "denomination = 'crown' AND grade >= 40"},
    ],
}

# Tests put the id of a definition that is there in its place.
SHARE: dict[str, Any] = {
    "definition": "01939f6e-0000-7000-8000-00000000000d",
    "revision": 1,
    "name": "for the club evening",
    "follows": True,
    "expires_in_seconds": 2_592_000,
    "most_uses": 100,
}

DEFINITION_IMPORT: dict[str, Any] = {"document": DOCUMENT}

PULL: dict[str, Any] = {"keep": "mine"}
COPY: dict[str, Any] = {"revision": 1, "title": "Two crowns of my own"}

HOLDING: dict[str, Any] = {
    "facts": {"denomination": "crown", "year_on_coin": {"one_of": [1892, 1893]}, "grade": 45},
    "number": "A-17",
    "note": "Bought at a fair.",
    "tags": ["silver"],
}

SYNC: dict[str, Any] = {
    "client_id": "phone in the coat",
    "mutations": [
        {
            "mutation_id": "01939f6e-0000-7000-8000-000000000001",
            "op": "create",
            "id": "01939f6e-0000-7000-8000-00000000000a",
            "patch": {"denomination": "crown", "grade": 40, "number": "B-3"},
            "edited_at": "2026-11-25T10:00:00Z",
        },
        {
            "mutation_id": "01939f6e-0000-7000-8000-000000000002",
            "op": "update",
            "id": "01939f6e-0000-7000-8000-00000000000a",
            "patch": {"grade": 45, "mintmark": {"none": True}},
            "from": {"grade": "01939f6e-0000-7000-8000-000000000001", "mintmark": None},
            "edited_at": "2026-11-25T10:05:00Z",
        },
    ],
}

PATCH: dict[str, Any] = {"facts": {"grade": 50, "mintmark": {"none": True}}, "note": None}

EVALUATION: dict[str, Any] = {
    "definition": DOCUMENT,
    "holdings": [
        {"id": "coin-1", "facts": {"denomination": "crown", "grade": 45}},
        {"id": "coin-2", "facts": {"denomination": "crown"}},
    ],
    "today": "2026-11-25",
}

EXPLANATION: dict[str, Any] = {
    "definition": DOCUMENT,
    "holding": {"id": "coin-2", "facts": {"denomination": "crown"}},
    "place": "sharp",
    "today": "2026-11-25",
}

WITHDRAWAL: dict[str, Any] = {"reason": "The sharp crown was to be of grade 45 or better."}

ADOPTION: dict[str, Any] = {"revision": 1}

CHECK: dict[str, Any] = {"definition": DOCUMENT, "today": "2026-11-25"}

WANT_NOTES: dict[str, Any] = {
    "notes": [{"place": "sharp", "min_grade": 50, "most_to_pay": 120.50, "currency": "GBP", "note": "No mount marks."}]
}

PINS: dict[str, Any] = {"pins": [], "nevers": []}

CANDIDATES: dict[str, Any] = {
    "definition": DOCUMENT,
    "holdings": [{"id": "coin-1", "facts": {"denomination": "crown", "grade": 45}}],
    "coins": [
        {"id": "tray-1", "facts": {"denomination": "crown", "grade": 20}, "price": 30.50, "currency": "GBP"},
        {"id": "tray-2", "facts": {"denomination": "crown", "grade": 60}, "price": 80, "currency": "GBP"},
    ],
    "budget": 100,
    "today": "2026-11-25",
}

ALLOCATIONS: dict[str, Any] = {
    "sets": [
        {"definition": DOCUMENT},
        {
            "definition": {
                "format": "set-definition/1",
                "title": "A crown of each grade",
                "slots": [{"id": "worn", "accepts": "grade < 40"}, {"id": "finest", "accepts": "grade >= 60"}],
            }
        },
    ],
    "mode": "jointly",
    "holdings": [
        {"id": "coin-1", "facts": {"denomination": "crown", "grade": 45}},
        {"id": "coin-2", "facts": {"denomination": "crown", "grade": 64}},
    ],
    "today": "2026-11-25",
}

NOTE: dict[str, Any] = {}

EXHIBITION: dict[str, Any] = {
    "title": "Crowns at the autumn fair",
    "on": "2026-11-25",
    "loans": [
        {"owner": "A. Lender", "label": "The sharp crown of 1893", "facts": {"denomination": "crown", "grade": 63}},
        {"owner": "B. Friend", "facts": {"denomination": "florin", "year_on_coin": 1911}},
    ],
    "note": "Case 3, by the window.",
}

ISSUE_FIELDS: dict[str, Any] = {
    "label": "Duchy of Ambria, 1 florin, 1891, plain edge",
    "facts": {"issuer": "x-ambria", "denomination": "florin", "year_on_coin": 1891, "edge": "plain", "diameter": 28.5},
    "look_alikes": ["ambria-florin-1891-milled"],
    "source": "own observation",
    "edition": "2026-11-25",
}

ISSUE: dict[str, Any] = {"id": "ambria-florin-1891-plain", **ISSUE_FIELDS}

ISSUES_IMPORT: dict[str, Any] = {
    "source": "Register of the fictional mint of Ambria",
    "edition": "second",
    "issues": [
        {
            "id": "ambria-florin-1891-milled",
            "label": "Duchy of Ambria, 1 florin, 1891, milled edge",
            "facts": {"denomination": "florin", "year_on_coin": 1891, "edge": "milled", "diameter": 28.5},
            "look_alikes": ["ambria-florin-1891-plain"],
        }
    ],
}

ISSUES_CSV = (
    "id,label,look_alikes,source,edition,denomination,year_on_coin,mintmark,motifs\r\n"
    'ambria-crown-1892,"Duchy of Ambria, 1 crown",,Register of the fictional mint of Ambria,second,crown,'
    '"{""one_of"": [1892, 1893]}",-,horse;ship\r\n'
)

PIECE_CHECK: dict[str, Any] = {
    "issue": "us-cent-1982-copper",
    "measured": {
        "weight_measured": {"from": 2.45, "to": 2.55},
        "diameter": 19.05,
        "magnetic": False,
        "year_on_coin": 1982,
    },
}

# Of what is secret the examples are plainly none; tests put real ones in their place.
INVITATION: dict[str, Any] = {"note": "For the new secretary", "expires_in_seconds": 86_400}

REDEMPTION: dict[str, Any] = {
    "invitation": "the text of an invitation",
    "name": "Marta Feld",
    "password": "a long password",
}

PASSWORD: dict[str, Any] = {"new_password": "a long password"}

LOG_IN: dict[str, Any] = {
    "name": "Marta Feld",
    "password": "a long password",
    "token_name": "the desk",
    "scopes": ["read", "write", "evaluate"],
    "expires_in_seconds": 2_592_000,
}

DECISION: dict[str, Any] = {
    "user_code": "WDJB-MJHT",
    "approve": True,
    "device_name": "phone",
    "scopes": ["read", "evaluate"],
}

POLL: dict[str, Any] = {
    "grant_type": "urn:ietf:params:oauth:grant-type:device_code",
    "device_code": "the device code",
}

DEVICE_PATCH: dict[str, Any] = {"name": "the old phone"}

HOLDINGS_IMPORT: dict[str, Any] = {
    "holdings": [
        {"number": "C-1", "facts": {"denomination": "crown", "year_on_coin": {"one_of": [1892, 1893]}, "grade": 45}},
        {"number": "C-2", "Metal": "silver", "location": "tray 3"},
    ],
    "mapping": {"Metal": "material"},
}

HOLDINGS_CSV = (
    "number,denomination,Year,grade,Mintmark,Notes\r\n"
    "C-1,crown,1892|1893,45,-,Bought at a fair.\r\n"
    'C-3,florin,1890-1895,,,"Worn, but round."\r\n'
)

CLUB: dict[str, Any] = {
    "name": "Friends of the Ambrian Crown",
    "note": "We meet on first Mondays.",
    "own_name": "Marta Feld",
}

CLUB_PATCH: dict[str, Any] = {"note": "We meet on first Tuesdays."}

MEMBER_PATCH: dict[str, Any] = {"role": "steward"}

CLUB_INVITATION: dict[str, Any] = {"role": "member", "note": "For Ida Lund", "expires_in_seconds": 86_400}

JOIN: dict[str, Any] = {"invitation": "the text of an invitation", "name": "Ida Lund"}

OFFER: dict[str, Any] = {"definition_id": "01939f6e-0000-7000-8000-00000000000b", "note": "Our set for this year."}

TAKE: dict[str, Any] = {}

CONSENT: dict[str, Any] = {"standing": True, "spares": False}

# Tests put a definition of a club and a swap that there is in their places.
SWAP_PROPOSAL: dict[str, Any] = {
    "definition_id": "01939f6e-0000-7000-8000-00000000000b",
    "swap": "5d9c68c6c50ed3d02a2fcf54f63993b6a3c1bb0f7b2f3bd3b0f0bd7b9d2c1a4e",
}

SWAP_ANSWER: dict[str, Any] = {"accepts": True}
