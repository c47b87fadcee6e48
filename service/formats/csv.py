"""CSV files (RFC 4180) as records of texts, and back."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from service.errors import Fault, OverLimit, Sentence, Unreadable, recognised

# What is read of one cell (the library's own limit).
_LONGEST_CELL = csv.field_size_limit()
_DELIMITERS = ",;\t"
# It separates cells only where no other does: within a cell it says "or".
_LAST_DELIMITER = "|"
_QUOTED = re.compile(r'"[^"]*"?')
_DECLARED = re.compile(r"\s{0,9}\"?sep=([,;\t|])\"?(?=\r|\n|$)", re.IGNORECASE)
# What the delimiter is told from.
_SAMPLE, _LINES = 64 * 1024, 60


# What the library says of a file that is none.
_OF_THE_LIBRARY = ("'{sign}' expected after '\"'", "unexpected end of data", "field larger than field limit ({most})")


def read_csv(
    text: str, *, most: int, delimiter: str = ",", blank: list[int] | None = None
) -> Iterator[tuple[int, list[str]]]:
    """The records that are not blank, each with the line of the file where it ends; those that are blank are noted in `blank`.
    Raises OverLimit past `most` records behind the first; Unreadable when it is no CSV."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True, delimiter=delimiter)
    found = 0
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                if blank is not None and len(blank) < most:
                    blank.append(reader.line_num)
                continue
            if found > most:
                raise OverLimit(
                    [
                        Fault(
                            "over-limit",
                            Sentence("one import takes up to {most} rows", most=most),
                            line=reader.line_num,
                        )
                    ]
                )
            found += 1
            yield reader.line_num, cells
    except csv.Error as error:
        fault = Fault(
            "syntax",
            Sentence("this is no CSV: {why}", why=recognised(str(error), _OF_THE_LIBRARY)),
            line=reader.line_num,
        )
        raise Unreadable([fault]) from None


def write_csv(records: Iterable[Sequence[str]]) -> str:
    """The records as CSV. Raises OverLimit when a cell is longer than what is read back."""
    made = io.StringIO(newline="")
    writer = csv.writer(made)
    for cells in records:
        if any(len(cell) > _LONGEST_CELL for cell in cells):
            message = Sentence("a cell of CSV holds {most} characters here, and one is longer", most=_LONGEST_CELL)
            raise OverLimit([Fault("over-limit", message, hint="take the collection as JSON")])
        writer.writerow(cells)
    return made.getvalue()


def delimiter_of(text: str) -> str:
    """What separates the cells: a comma, a semicolon or a tab, whichever most of the first lines have equally often outside of
    quotes; of two, the one that they have more of. A bar where the first line has none of them."""
    # Not `splitlines`, which ends a line at a separator of records too, that may stand in a cell.
    lines = [line for line in re.split(r"\r\n|\n|\r", _QUOTED.sub("", text[:_SAMPLE])) if line.strip()][:_LINES]
    if lines and _LAST_DELIMITER in lines[0] and not any(delimiter in lines[0] for delimiter in _DELIMITERS):
        return _LAST_DELIMITER
    best, most = _DELIMITERS[0], (0, 0)
    for delimiter in _DELIMITERS:
        counts = Counter(filter(None, (line.count(delimiter) for line in lines)))
        usual, alike = max(counts.items(), key=lambda entry: (entry[1], entry[0]), default=(0, 0))
        if (alike, usual) > most:
            best, most = delimiter, (alike, usual)
    return best


def declared_delimiter(text: str) -> tuple[str | None, str]:
    """What a first line `sep=;` says, as spreadsheet programs write it, and the text with that line blank."""
    said = _DECLARED.match(text)
    return (said[1], text[said.end() :]) if said else (None, text)
