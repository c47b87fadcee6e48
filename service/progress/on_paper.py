"""An evaluation to read and to print: the same words in a table of the command, in plain text, CSV and a page. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import UNSET, UnsetType

from service.formats.html import PRINT, render
from service.progress.named import NamedHolding
from service.progress.paper import csv_of, wrapped
from service.progress.result import ClosestPlace, Evaluation, PlaceResult, UnplacedHolding
from service.rules.labels import shortened
from service.rules.messages import CoinPart, Message, PlacePart, message, some

HEADINGS = ("place", "label", "tier", "status", "coin", "title", "certainty", "next_best")
CAUTION = "Facts and grades are the owner's opinion: no authentication and no valuation."
MOST_REMARKS = 1_000


def headline(result: Evaluation) -> str:
    """The figures in one line."""
    found = result.summary
    possible = f", {found.tentative} possible" if found.tentative else ""
    proof = "Proven: no better arrangement exists." if result.proven_optimal else "Not proven to be the best."
    places = "1 place" if found.places == 1 else f"{found.places} places"
    return f"{places}: {found.filled} filled{possible}, {found.empty} empty. Certain: {found.certain}. {proof}"


def place_rows(result: Evaluation) -> list[dict[str, str]]:
    """A row for each place, by HEADINGS."""
    return [_row(result, entry) for entry in result.places()]


def _row(result: Evaluation, entry: PlaceResult) -> dict[str, str]:
    best = next(iter(entry.alternates or ()), None)
    cells = (
        entry.place,
        entry.label,
        entry.tier,
        "possible" if entry.status == "tentative" else entry.status,
        _number(result, entry.holding),
        "" if entry.holding is None else result.named[entry.holding].title,
        _certainty(result, entry),
        "" if best is None else _number(result, best.holding),
    )
    return dict(zip(HEADINGS, cells, strict=True))


def _certainty(result: Evaluation, entry: PlaceResult) -> str:
    """How sure the coin is of its place: "certain", "interchangeable with no. 34", "possible: facts not recorded"."""
    words = []
    if entry.certainty == "forced":
        words.append("certain")
    elif entry.certainty == "choice":
        others = [_number(result, one) for one in entry.interchangeable_with or ()]
        words.append(f"interchangeable with no. {', '.join(others)}" if others else "interchangeable")
    elif entry.certainty == "tentative":
        words.append("facts not recorded" if entry.basis == "unknown" else "to be checked")
    if entry.presumed:
        words.append(f"presumed: {', '.join(name.replace('_', ' ') for name in entry.presumed)}")
    return "; ".join(words)


def _number(result: Evaluation, holding: str | None) -> str:
    return "" if holding is None else result.named[holding].number or holding


def remarks(result: Evaluation) -> Iterator[str]:
    """Conflicts in words, and each coin without a place with the reason; past MOST_REMARKS how many more there are."""
    labels = {entry.place: entry.label for entry in result.places()}
    labels |= {group.id: group.label for group in result.free_choice}
    yield from (conflict.message for conflict in result.conflicts)
    if result.conflicts_left_out:
        yield str(message("more-conflicts", count=result.conflicts_left_out))
    for left in result.unplaced[:MOST_REMARKS]:
        yield str(why_unplaced(left, result.named[left.holding], labels))
    if len(result.unplaced) > MOST_REMARKS:
        yield str(message("more-unplaced", count=len(result.unplaced) - MOST_REMARKS))


def why_unplaced(left: UnplacedHolding, name: NamedHolding, labels: dict[str, str]) -> Message:
    """Why a coin sits in no place. `labels` are those of the places and free choices by address and id."""
    coin = CoinPart(left.holding, name.number, name.title)
    if left.reason == "outside":
        return _outside(coin, left.closest)
    if left.reason == "not_held":
        return message("unplaced-not-held", coin=coin, status=left.status or "")
    if left.reason == "elsewhere":
        return message("unplaced-elsewhere", coin=coin)
    places = some([PlacePart(one, shortened(labels.get(one, one))) for one in left.places or ()])
    return message(f"unplaced-{left.reason}", coin=coin, places=places)


def _outside(coin: CoinPart, closest: ClosestPlace | UnsetType | None) -> Message:
    if closest is None or closest is UNSET:
        return message("unplaced-outside", coin=coin)
    place = PlacePart(closest.place, shortened(closest.label))
    return message("unplaced-outside-closest", coin=coin, place=place, needs=closest.failing)


def evaluation_csv(result: Evaluation) -> str:
    """The places as CSV (RFC 4180). A cell that a spreadsheet would run as a formula begins with an apostrophe."""
    return csv_of(HEADINGS, (row.values() for row in place_rows(result)))


def evaluation_text(title: str, result: Evaluation) -> str:
    """The places one by one, then what is to be remarked: plain text, 76 columns."""
    lines = [*wrapped(f"{title}, {result.evaluated_on}"), *wrapped(headline(result)), ""]
    lines += [line for row in place_rows(result) for line in wrapped(_place_line(row), "- ", "    ")]
    found = list(remarks(result))
    if found:
        lines += ["", "Remarks", *(line for remark in found for line in wrapped(remark, "- ", "    "))]
    return "\n".join([*lines, "", CAUTION, ""])


def _place_line(row: dict[str, str]) -> str:
    if not row["coin"]:
        return f"{row['label']}: {row['status']}"
    coin = CoinPart("", row["coin"], row["title"])
    possible = "possible: " if row["status"] == "possible" else ""
    certainty = f"; {row['certainty']}" if row["certainty"] else ""
    return f"{row['label']}: {possible}{coin}{certainty}"


def evaluation_html(title: str, result: Evaluation, language: str = "en") -> str:
    """A page to print: no script, nothing loaded from elsewhere."""
    return render(
        "evaluation.html",
        sheet=PRINT,
        language=language,
        title=title,
        evaluated_on=result.evaluated_on,
        headline=headline(result),
        caution=CAUTION,
        rows=place_rows(result),
        remarks=list(remarks(result)),
    )
