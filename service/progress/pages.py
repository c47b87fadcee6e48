"""On which page of a set's layout a place is. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

Rank = tuple[int, int]


class PageOrder:
    """The pages of a definition in their order. A page names slots, groups, and single places of groups; a place on two pages
    belongs to the first."""

    def __init__(self, document: Mapping[str, Any]) -> None:
        layout = document.get("layout") or ()
        self.titles: list[str] = [page["page"] for page in layout]
        """What the pages are called, in order."""
        self._labels = [page.get("label") or page["page"] for page in layout]
        self._ranks: dict[str, Rank] = {}
        for at, page in enumerate(layout):
            for place, name in enumerate(page["slots"]):
                self._ranks.setdefault(name, (at, place))

    def rank(self, address: str) -> Rank:
        """Where a place (or a group by its id) comes: its page, and its name's place there. What is on no page comes last."""
        last = (len(self.titles), 0)
        return min(self._ranks.get(address, last), self._ranks.get(address.partition("/")[0], last))

    def title(self, address: str) -> str | None:
        """The page that a place is on; None: on none."""
        at, _ = self.rank(address)
        return self.titles[at] if at < len(self.titles) else None

    def label(self, address: str) -> str | None:
        """The same as people read it."""
        at, _ = self.rank(address)
        return self._labels[at] if at < len(self._labels) else None
