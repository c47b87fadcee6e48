"""Which engine answers: a new version may judge the same input otherwise."""

from __future__ import annotations

ENGINE = "1"
