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

HOLDING: dict[str, Any] = {
    "facts": {"denomination": "crown", "year_on_coin": {"one_of": [1892, 1893]}, "grade": 45},
    "number": "A-17",
    "note": "Bought at a fair.",
    "tags": ["silver"],
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

CHECK: dict[str, Any] = {"definition": DOCUMENT, "today": "2026-11-25"}

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
