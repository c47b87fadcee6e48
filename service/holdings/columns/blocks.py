"""Holdings of one owner in blocks of some hundred rows, each a table of codes: what a change copies is one block, however large
the collection is. Pure."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from service.database.types import read_back, written
from service.holdings.columns.values import Dictionary, Numbered
from service.holdings.model import OWN_FIELDS, with_defaults
from service.holdings.sync.field_names import value_conflict_from_json, with_doubts

BLOCK_ROWS = 1_024
_MOST_ROWS = 2 * BLOCK_ROWS
_MOST_REMEMBERED = 20_000

Codes = npt.NDArray[np.int32]
# A column of a block: of an own field, of a fact, or one of the three below.
Column = tuple[str, str]
OWN, FACT = "own", "fact"
CREATED_AT, UPDATED_AT, ORDER = ("", "created_at"), ("", "updated_at"), ("", "order")


# A row as the driver gives it: id (on SQLite without its dashes), modseq, created_modseq, whether it is destroyed, data as JSON
# text, created_at, updated_at (in the driver's own form), conflicts as JSON text.
HeldRow = tuple[str, int, int, bool, str, object, object, str]


@dataclass(frozen=True, slots=True)
class Block:
    """Rows in the order of their `ids`. `codes` has shape (columns, rows), `row_of` says which column is where; one that is
    not there is 0 throughout. `stamps` are modseq and created_modseq, shape (2, rows). `apart` has by id the data and the
    conflicts of holdings whose facts here are not those that are recorded, since some are in conflict."""

    ids: list[str]
    codes: Codes
    row_of: Mapping[Column, int]
    stamps: npt.NDArray[np.int64]
    apart: Mapping[str, tuple[str, str]] = field(default_factory=dict)

    def column(self, column: Column) -> Codes:
        """The codes of one column, shape (rows,)."""
        at = self.row_of.get(column)
        return np.zeros(len(self.ids), np.int32) if at is None else self.codes[at]

    def row(self, at: int) -> Callable[[Column], int]:
        """The codes of one row, by column."""
        codes, row_of = [*self.codes[:, at].tolist(), 0], self.row_of
        return lambda column: codes[row_of.get(column, -1)]

    @property
    def nbytes(self) -> int:
        """About what it takes."""
        apart = sum(len(data) + len(conflicts) + 200 for data, conflicts in self.apart.values())
        return self.codes.nbytes + self.stamps.nbytes + 100 * len(self.ids) + apart + 1_000


_MEMBERS_OF = msgspec.json.Decoder(dict[str, msgspec.Raw])
# How data is written: facts, then the own fields. A quote inside a JSON string has a backslash before it, and no value of an own
# field has a member `issue`, so these are found as members only.
_START, _AFTER_FACTS = b'{"facts":{', b'},"issue":'
_BEFORE_FACTS = len(_START) - 1
_BEFORE_NUMBER, _AFTER_NUMBER = b',"number":', b',"note":'
# SQLite keeps ids as 32 digits: where these go among 36 characters.
_DIGITS = [at for at in range(36) if at not in (8, 13, 18, 23)]


class BlockReader:
    """Reads rows into blocks. For one thread."""

    def __init__(self, dictionary: Dictionary) -> None:
        self._dictionary = dictionary
        # Own fields but for the number, which nearly always differs: the codes by their text.
        self._own_of: dict[tuple[bytes, bytes], list[int]] = {}

    def block(self, rows: Sequence[HeldRow]) -> Block:
        """The block of these rows, which are in the order of their ids."""
        dictionary, count = self._dictionary, len(rows)
        if not rows:
            return Block([], np.zeros((0, 0), np.int32), {}, np.zeros((2, 0), np.int64))
        plain_ids, modseqs, created_modseqs, _, data, created, updated, conflicts = zip(*rows, strict=True)
        ids = with_dashes(plain_ids)
        apart: dict[str, tuple[str, str]] = {}
        texts: Sequence[str] = data
        if set(conflicts) != {"[]"}:
            texts = [self._text(*row, apart) for row in zip(ids, data, conflicts, strict=True)]
        try:
            members, rests = _parted(texts)
        except msgspec.DecodeError:
            # Written in another order of members, as it was long ago.
            members, rests = _parted([written(with_defaults(read_back(text))) for text in texts])
        columns = self._own_columns(rests)
        columns[CREATED_AT] = _numbers(dictionary.instants, created)
        columns[UPDATED_AT] = _numbers(dictionary.instants, updated)
        order = columns[ORDER] = _numbers(dictionary.orders, map(tuple, members))
        dictionary.orders.settle()
        for code in np.unique(order).tolist():
            places = np.flatnonzero(order == code)
            values = zip(*(members[at].values() for at in places.tolist()), strict=True)
            for name, raws in zip(dictionary.orders.met[code], values, strict=True):
                if (FACT, name) not in columns:
                    columns[FACT, name] = np.zeros(count, np.int32)
                columns[FACT, name][places] = _numbers(dictionary.fact(name), map(bytes, raws))
        dictionary.settle()
        return _block(ids, columns, np.array([modseqs, created_modseqs], np.int64), apart)

    def _text(self, identity: str, data: str, conflicts: str, apart: dict[str, tuple[str, str]]) -> str:
        """The data; where some of it is in conflict, as the rules engine takes it."""
        if conflicts == "[]":
            return data
        apart[identity] = data, conflicts
        found = [value_conflict_from_json(entry) for entry in read_back(conflicts)]
        return written(with_defaults(with_doubts(read_back(data), found)))

    def _own_columns(self, rests: Sequence[bytes]) -> dict[Column, Codes]:
        """The codes of the own fields, from the texts of their members."""
        numbers, of_row = list[bytes](), list[int]()
        met: dict[tuple[bytes, bytes], int] = {}
        distinct: list[list[int]] = []
        for rest in rests:
            head, _, tail = rest.partition(_BEFORE_NUMBER)
            number, _, tail = tail.partition(_AFTER_NUMBER)
            key = head, tail
            at = met.get(key)
            if at is None:
                at = met[key] = len(distinct)
                distinct.append(self._own_of.get(key) or self._read_own(key, rest))
            numbers.append(number or _NULL)
            of_row.append(at)
        table = np.array(distinct, np.int32)[of_row]
        columns = {(OWN, name): table[:, at] for at, name in enumerate(OWN_FIELDS)}
        by_text = self._dictionary.own["number"]
        columns[OWN, "number"] = np.array([by_text.setdefault(number, len(by_text)) for number in numbers], np.int32)
        return columns

    def _read_own(self, key: tuple[bytes, bytes], rest: bytes) -> list[int]:
        members, values = _MEMBERS_OF.decode(b"{" + rest[1:] + b"}"), self._dictionary.own
        codes = [values[name][bytes(members[name])] if name in members else 0 for name in OWN_FIELDS]
        if len(self._own_of) >= _MOST_REMEMBERED:
            self._own_of.clear()
        self._own_of[key] = codes
        return codes


def _parted(texts: Sequence[str]) -> tuple[list[dict[str, msgspec.Raw]], list[bytes]]:
    """The facts of each, and the text of the other members. Raises DecodeError where one is not written in the usual order: what
    is taken for its facts goes on behind them then."""
    members, rests = [], []
    for text in texts:
        document = text.encode()
        end = document.rfind(_AFTER_FACTS) + 1
        if not document.startswith(_START):
            raise msgspec.DecodeError
        # Without another member, what is left of the text is the facts.
        members.append(_MEMBERS_OF.decode(document[_BEFORE_FACTS : end or -1]))
        rests.append(document[end:-1] if end else _NOTHING_OWN)
    return members, rests


_NULL = b"null"
_NOTHING_OWN = written(with_defaults({})).encode().removeprefix(b'{"facts":{}').removesuffix(b"}")


def _numbers(numbered: Numbered[Any], keys: Iterable[Any]) -> Codes:
    return np.array(list(map(numbered.__getitem__, keys)), np.int32)


def with_dashes(ids: Sequence[str]) -> list[str]:
    """The ids as they are written; SQLite keeps 32 digits of each. All at once: one by one takes as long as reading the rows."""
    if any(len(identity) != len(_DIGITS) for identity in ids):
        return list(ids)
    digits = np.frombuffer("".join(ids).encode("ascii"), np.uint8).reshape(len(ids), len(_DIGITS))
    letters = np.full((len(ids), 36), ord("-"), np.uint8)
    letters[:, _DIGITS] = digits
    text = letters.tobytes().decode("ascii")
    return [text[at : at + 36] for at in range(0, len(text), 36)]


def _block(
    ids: list[str], columns: Mapping[Column, Codes], stamps: npt.NDArray[np.int64], apart: Mapping[str, tuple[str, str]]
) -> Block:
    used = {column: codes for column, codes in columns.items() if codes.any()}
    codes = np.stack(list(used.values())) if used else np.zeros((0, len(ids)), np.int32)
    return Block(ids, codes, {column: at for at, column in enumerate(used)}, stamps, apart)


def blocks_of(rows: Iterable[Sequence[HeldRow]], dictionary: Dictionary) -> Iterator[Block]:
    """The blocks of rows in the order of their ids, which come in portions of BLOCK_ROWS."""
    reader = BlockReader(dictionary)
    for portion in rows:
        if portion:
            yield reader.block(portion)


def changed_block(block: Block, gone: Collection[str], new: Block) -> list[Block]:
    """The block without the rows of the ids `gone`, and with those of `new`, changed or added: none, one, or two where it has
    become too large."""
    ids, count = block.ids, len(block.ids)
    stays = np.ones(count, bool)
    places = [bisect_left(ids, identity) for identity in new.ids]
    leaving = [*places, *(bisect_left(ids, identity) for identity in gone)]
    for at, identity in zip(leaving, (*new.ids, *gone), strict=True):
        if at < count and ids[at] == identity:
            stays[at] = False
    before = np.concatenate(([0], np.cumsum(stays)))
    take = np.insert(np.flatnonzero(stays), before[places], count + np.arange(len(new.ids)))
    every = [*ids, *new.ids]
    ids = [every[at] for at in take.tolist()]
    row_of = {**block.row_of, **{column: len(block.row_of) + at for at, column in enumerate(_more(block, new))}}
    joined = np.zeros((len(row_of), len(every)), np.int32)
    joined[: len(block.codes), :count] = block.codes
    for column, at in new.row_of.items():
        joined[row_of[column], count:] = new.codes[at]
    stamps = np.concatenate((block.stamps, new.stamps), axis=1)[:, take]
    apart = block.apart
    if apart or new.apart:
        left = {*new.ids, *gone}
        apart = {**{name: texts for name, texts in apart.items() if name not in left}, **new.apart}
    return _split(Block(ids, joined[:, take], row_of, stamps, apart))


def _more(block: Block, new: Block) -> list[Column]:
    return [column for column in new.row_of if column not in block.row_of]


def _split(block: Block) -> list[Block]:
    count = len(block.ids)
    if count <= _MOST_ROWS:
        return [block] if count else []
    halves = (slice(0, count // 2), slice(count // 2, count))
    return [part for half in halves for part in _split(_part(block, half))]


def _part(block: Block, rows: slice) -> Block:
    ids = block.ids[rows]
    inside = set(ids) if block.apart else ()
    apart = {name: texts for name, texts in block.apart.items() if name in inside}
    return Block(ids, block.codes[:, rows].copy(), block.row_of, block.stamps[:, rows].copy(), apart)
