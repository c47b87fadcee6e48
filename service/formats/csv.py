"""CSV files (RFC 4180) as records of texts, and back."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence

from service.errors import Fault, OverLimit, Unreadable

# What is read of one cell (the library's own limit).
_LONGEST_CELL = csv.field_size_limit()
_DELIMITERS = ",;\t"


def read_csv(text: str, *, most: int, delimiter: str = ",") -> Iterator[tuple[int, list[str]]]:
    """The records that are not blank, each with the line of the file where it ends. Raises OverLimit past `most` records
    behind the first; Unreadable when it is no CSV."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True, delimiter=delimiter)
    found = 0
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if found > most:
                raise OverLimit([Fault("over-limit", f"one import takes up to {most} rows", line=reader.line_num)])
            found += 1
            yield reader.line_num, cells
    except csv.Error as error:
        fault = Fault("syntax", f"this is no CSV: {error}", line=reader.line_num)
        raise Unreadable([fault]) from None


def write_csv(records: Iterable[Sequence[str]]) -> str:
    """The records as CSV. Raises OverLimit when a cell is longer than what is read back."""
    made = io.StringIO(newline="")
    writer = csv.writer(made)
    for cells in records:
        if any(len(cell) > _LONGEST_CELL for cell in cells):
            message = f"a cell of CSV holds {_LONGEST_CELL} characters here, and one is longer"
            raise OverLimit([Fault("over-limit", message, hint="take the collection as JSON")])
        writer.writerow(cells)
    return made.getvalue()


def delimiter_of(text: str) -> str:
    """What separates the headings: a comma, a semicolon or a tab, whichever there are most of outside of quotes."""
    counts = dict.fromkeys(_DELIMITERS, 0)
    quoted = False
    for letter in text.lstrip("\r\n"):
        if letter == '"':
            quoted = not quoted
        elif letter in "\r\n" and not quoted:
            break
        elif letter in counts and not quoted:
            counts[letter] += 1
    return max(counts, key=lambda letter: counts[letter])
