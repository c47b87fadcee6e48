"""Pages with keyset cursors: a cursor says where the last page ended, and is bound to its query."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Callable, Sequence
from typing import Annotated, TypeVar
from urllib.parse import urlencode

from fastapi import Query, Request
from pydantic import Field

from service.database.ids import read_id
from service.errors import Fault
from service.http.problems import Problem
from service.http.responses import Reply
from service.http.wire import PageOut, QueryIn
from service.progress.selection import SortKey, read_sort_key, sort_key_text

LARGEST_PAGE = 200
USUAL_PAGE = 50
# Room for a key of 200 characters, of which each may take seven bytes as JSON inside of JSON.
_LONGEST_CURSOR = 2_500

Item = TypeVar("Item")
Shown = TypeVar("Shown")


class PageQuery(QueryIn):
    """The query parameters of a list."""

    limit: int = Field(USUAL_PAGE, ge=1, le=LARGEST_PAGE, description="The most items on one page.")
    cursor: str | None = Field(
        None, max_length=_LONGEST_CURSOR, description="Where the page begins: taken from `next`, never made."
    )


Paging = Annotated[PageQuery, Query()]


def page(
    request: Request,
    query: PageQuery,
    find: Callable[[str | None, int], Sequence[Item]],
    key: Callable[[Item], str],
    show: Callable[[Item], Shown],
    most: Callable[[Sequence[Item]], int] | None = None,
) -> Reply[PageOut[Shown]]:
    """One page of a list, as its answer. `find(after, limit)` gives items in the order of their keys; one more than needed is
    asked for, so that an address of an empty page is never handed out. `most` says of the found ones how many are enough for
    one page, where that is fewer; at least one."""
    found = find(after(request, query), query.limit + 1)
    shown = found[: query.limit if most is None else min(query.limit, most(found))]
    address = following(request, query, key(shown[-1]) if len(found) > len(shown) else None)
    return Reply(PageOut([show(item) for item in shown], address), link(address))


def after(request: Request, query: PageQuery) -> str | None:
    """The key after which the page begins, for a list whose page an action makes. Raises Problem for a foreign cursor."""
    cursor = query.cursor
    if cursor is None:
        return None
    try:
        padded = cursor + "=" * (-len(cursor) % 4)
        bound, key = json.loads(base64.b64decode(padded, altchars=b"-_", validate=True))
    except (binascii.Error, ValueError, TypeError, RecursionError):
        bound, key = None, None
    if bound != _bound(request) or not isinstance(key, str):
        raise bad_cursor()
    return key


def following(request: Request, query: PageQuery, key: str | None) -> str | None:
    """The address of the page after the item of this key; None after the last."""
    if key is None:
        return None
    told = json.dumps([_bound(request), key], ensure_ascii=False)
    cursor = base64.urlsafe_b64encode(told.encode()).decode().rstrip("=")
    return f"{request.url.path}?{urlencode([*_picking(request), ('limit', query.limit), ('cursor', cursor)])}"


def link(address: str | None) -> dict[str, str]:
    """The address of the next page as a Link header (RFC 8288)."""
    return {} if address is None else {"Link": f'<{address}>; rel="next"'}


def sorted_page(
    request: Request,
    query: PageQuery,
    find: Callable[[SortKey | None, int], Sequence[tuple[SortKey, Item]]],
    show: Callable[[Item], Shown],
) -> Reply[PageOut[Shown]]:
    """One page of a list in the order that the query asks for: a cursor is a sort key. `find` raises ValueError for one
    of another order."""

    def begin(key: str | None, limit: int) -> Sequence[tuple[SortKey, Item]]:
        try:
            return find(None if key is None else read_sort_key(key), limit)
        except ValueError:
            raise bad_cursor() from None

    return page(request, query, begin, lambda entry: sort_key_text(entry[0]), lambda entry: show(entry[1]))


def _picking(request: Request) -> list[tuple[str, str]]:
    """Every parameter that picks or orders the items."""
    return sorted(
        (name, value) for name, value in request.query_params.multi_items() if name not in ("limit", "cursor")
    )


def _bound(request: Request) -> str:
    """What the cursor is bound to: the address, and what picks or orders the items."""
    return hashlib.sha256(json.dumps([request.url.path, _picking(request)]).encode()).hexdigest()[:12]


def bad_cursor() -> Problem:
    """The refusal of a cursor that was not handed out by this list."""
    message = "the cursor is not one that this list handed out: begin without a cursor"
    return Problem("invalid-query", message, [Fault("cursor", message)])


def identity_key(after: str | None) -> str | None:
    """The key of a list that is in the order of ids."""
    if after is not None and read_id(after) is None:
        raise bad_cursor()
    return after


def name_key(after: str | None, most: int) -> str | None:
    """The key of a list that is in the order of names of up to so many characters."""
    if after is not None and (len(after) > most or not after.isprintable()):
        raise bad_cursor()
    return after


def number_key(after: str | None) -> int:
    """The key of a list that is in the order of numbers, which begin at 1."""
    if after is not None and not (after.isascii() and after.isdigit() and len(after) < 10):
        raise bad_cursor()
    return int(after or 0)
