"""All living holdings of one owner at one state, as columns of codes: a version that is never changed, so that whoever reads it
is not disturbed by changes, and from which the next one is made by copying what changed. Pure."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from functools import cached_property, lru_cache
from itertools import accumulate
from typing import Any, Protocol, overload

import numpy as np

from service.accounts.model import State
from service.database.types import read_back, written
from service.holdings.columns.blocks import (
    CREATED_AT,
    FACT,
    ORDER,
    OWN,
    UPDATED_AT,
    Block,
    BlockReader,
    Codes,
    Column,
    HeldRow,
    blocks_of,
    changed_block,
    with_dashes,
)
from service.holdings.columns.values import Dictionary
from service.holdings.model import OWN_FIELDS, StoredHolding
from service.holdings.sync.field_names import value_conflict_from_json

_MOST_REMEMBERED = 200


class Moments(Protocol):
    """Reads a moment as the driver gives it."""

    def __call__(self, raw: Any) -> datetime: ...


class HoldingColumns(Sequence[StoredHolding]):
    """The holdings in the order of their ids; one by itself is made when it is asked for, as it is stored. A column of codes has
    shape (holdings,), and what the codes mean is in `dictionary`."""

    def __init__(
        self,
        state: State,
        blocks: Sequence[Block],
        dictionary: Dictionary,
        moment: Moments,
        carried: tuple[list[str], int] | None = None,
    ) -> None:
        """`carried`: the first id of each block, and what all blocks take, from the version before."""
        self.state, self.dictionary = state, dictionary
        self._blocks, self._moment = tuple(blocks), moment
        if carried is None:
            carried = [block.ids[0] for block in self._blocks], sum(block.nbytes for block in self._blocks)
        self._firsts, self._bytes = carried
        self._columns: dict[Column, Codes] = {}
        self._ids: list[str] | None = None
        self._remembered: dict[object, Any] = {}

    # -- the whole

    @cached_property
    def _starts(self) -> list[int]:
        """The row with which each block begins, and how many rows there are."""
        return [0, *accumulate(len(block.ids) for block in self._blocks)]

    def __len__(self) -> int:
        return self._starts[-1]

    @property
    def ids(self) -> Sequence[str]:
        """The id of every holding."""
        found = self._ids
        if found is None:
            found = self._ids = [identity for block in self._blocks for identity in block.ids]
        return found

    def own(self, name: str) -> Codes:
        """The codes of an own field."""
        return self._column((OWN, name))

    def fact(self, name: str) -> Codes:
        """The codes of a fact, as the rules engine takes it: where values are in conflict, one of them."""
        return self._column((FACT, name))

    @property
    def fact_names(self) -> list[str]:
        """The facts that are recorded of some holding, by name; of some that was, too."""
        return sorted({name for block in self._blocks for kind, name in block.row_of if kind == FACT})

    @property
    def fact_orders(self) -> tuple[Codes, Sequence[tuple[str, ...]]]:
        """The codes of the orders in which facts stand in holdings, and what each means."""
        return self._column(ORDER), self.dictionary.orders.met

    def moments(self, name: str) -> tuple[Codes, list[datetime]]:
        """The codes of `created_at` or `updated_at`, and what each code means."""
        codes = self._column(CREATED_AT if name == "created_at" else UPDATED_AT)
        return codes, [self._moment(raw) for raw in self.dictionary.instants.met]

    def _column(self, column: Column) -> Codes:
        found = self._columns.get(column)
        if found is None:
            parts = [block.column(column) for block in self._blocks]
            found = self._columns[column] = np.concatenate(parts) if parts else np.zeros(0, np.int32)
            found.flags.writeable = False
        return found

    def remember(self, key: object, make: Callable[[], Any]) -> Any:
        """What `make` makes from this version, with its `nbytes`; made once for each key while it is kept."""
        found = self._remembered.get(key)
        if found is None:
            found = make()
            if len(self._remembered) >= _MOST_REMEMBERED:
                self._remembered.clear()
            self._remembered[key] = found
        return found

    def remembers(self, key: object) -> bool:
        """Whether it was made."""
        return key in self._remembered

    def let_go(self) -> None:
        """Forgets what was worked out from it; whoever needs it still works it out again."""
        self._remembered, self._columns, self._ids = {}, {}, None

    @property
    def nbytes(self) -> int:
        """About what it takes: with the columns that were put together so far, and what is remembered of it."""
        columns = sum(codes.nbytes for codes in list(self._columns.values()))
        ids = 8 * len(self) if self._ids is not None else 0
        remembered: int = sum(value.nbytes for value in list(self._remembered.values()))
        return self._bytes + columns + ids + remembered + self.dictionary.nbytes

    # -- one holding

    @overload
    def __getitem__(self, at: int) -> StoredHolding: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[StoredHolding, ...]: ...

    def __getitem__(self, at: int | slice) -> StoredHolding | tuple[StoredHolding, ...]:
        if isinstance(at, slice):
            return tuple(self._stored(row) for row in range(*at.indices(len(self))))
        if not -len(self) <= at < len(self):
            raise IndexError(at)
        return self._stored(at % len(self))

    def __iter__(self) -> Iterator[StoredHolding]:
        return map(self._stored, range(len(self)))

    def place_of(self, identity: str) -> int | None:
        """The number of the holding with this id."""
        at = self._block_of(identity)
        if at is None:
            return None
        ids = self._blocks[at].ids
        row = bisect_left(ids, identity)
        return self._starts[at] + row if row < len(ids) and ids[row] == identity else None

    def known(self, row: int) -> Mapping[str, Any]:
        """The holding's own fields and facts as the rules engine takes them."""
        block, at = self._at(row)
        return _data(self.dictionary, block.row(at))

    def _stored(self, row: int) -> StoredHolding:
        block, at = self._at(row)
        identity = block.ids[at]
        modseq, created_modseq = block.stamps[:, at].tolist()
        instants, code = self.dictionary.instants.met, block.row(at)
        made, changed = self._moment(instants[code(CREATED_AT)]), self._moment(instants[code(UPDATED_AT)])
        if identity in block.apart:
            data, conflicts = map(read_back, block.apart[identity])
            found = tuple(map(value_conflict_from_json, conflicts))
            return StoredHolding(identity, modseq, created_modseq, data, made, changed, found)
        return StoredHolding(identity, modseq, created_modseq, _data(self.dictionary, code), made, changed)

    def _at(self, row: int) -> tuple[Block, int]:
        number = bisect_right(self._starts, row) - 1
        return self._blocks[number], row - self._starts[number]

    def _block_of(self, identity: str) -> int | None:
        return max(0, bisect_right(self._firsts, identity) - 1) if self._blocks else None

    # -- the next version

    def patched(self, state: State, changed: Sequence[HeldRow]) -> HoldingColumns:
        """The holdings at a later state; `changed` are all rows that changed since this one, those of deleted holdings too."""
        by_block: dict[int, list[HeldRow]] = {}
        dashed = with_dashes([_id_of(row) for row in changed])
        for identity, row in sorted(zip(dashed, changed, strict=True), key=lambda pair: pair[0]):
            by_block.setdefault(self._block_of(identity) or 0, []).append((identity, *row[1:]))
        blocks: list[Block] = list(self._blocks)
        reader, firsts, nbytes = BlockReader(self.dictionary), list(self._firsts), self._bytes
        for at in sorted(by_block, reverse=True):
            living = [row for row in by_block[at] if not _is_destroyed(row)]
            gone = [_id_of(row) for row in by_block[at] if _is_destroyed(row)]
            old, new = blocks[at : at + 1], reader.block(living)
            made = changed_block(old[0], gone, new) if old else [new] if living else []
            nbytes += sum(block.nbytes for block in made) - sum(block.nbytes for block in old)
            blocks[at : at + 1], firsts[at : at + 1] = made, [block.ids[0] for block in made]
        return HoldingColumns(state, blocks, self.dictionary, self._moment, (firsts, nbytes))


def columns_of(state: State, portions: Iterable[Sequence[HeldRow]], moment: Moments) -> HoldingColumns:
    """The columns of living holdings, which come in the order of their ids, a block's in each portion."""
    dictionary = Dictionary()
    blocks = list(blocks_of(portions, dictionary))
    dictionary.complete()
    return HoldingColumns(state, blocks, dictionary, moment)


def _data(dictionary: Dictionary, code: Callable[[Column], int]) -> Mapping[str, Any]:
    names, facts_of, own_of = dictionary.orders.met[code(ORDER)], dictionary.facts, dictionary.own
    facts = [_key(name) + facts_of[name].met[code((FACT, name))] for name in names]
    own = [_key(name) + own_of[name].met[code((OWN, name))] for name in OWN_FIELDS]
    text = b"".join((b'{"facts":{', b",".join(facts), b"},", b",".join(own), b"}"))
    data: Mapping[str, Any] = read_back(text.decode())
    return data


@lru_cache(maxsize=10_000)
def _key(name: str) -> bytes:
    """A member's name in JSON, with the colon."""
    return written(name).encode() + b":"


def _id_of(row: HeldRow) -> str:
    return row[0]


def _is_destroyed(row: HeldRow) -> bool:
    return bool(row[3])
