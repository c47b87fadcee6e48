"""The sentences of pages to print, by code, in English. Another language has its own for each code
(service/reference/languages)."""

from __future__ import annotations

from collections.abc import Mapping

PAGE_WORDS: Mapping[str, str] = {
    "caution-owner": "Facts and grades are the owner's opinion: no authentication and no valuation.",
    "caution-owners": "Facts and grades are the owners' opinion: no authentication and no valuation.",
    "want-list": "Want list: {title}",
    "want-list-of": "Want list of {day}. {caution}",
    "nothing-wanted": "Every place has a coin, or one that may fit.",
    "other-places": "Other places",
    "wanted": "Wanted",
    "look-at": "Look at: {where}",
    "is-optional": "; optional",
    "kept-empty-places": "Kept empty",
    "better-places": "A better one would do",
    "coin-because": "{coin}, {because}",
    "note-grade": "grade {grade} or more",
    "note-pay": "up to {amount} {currency}",
    "labels": "Labels",
    "one-piece": "1 piece",
    "pieces": "{count} pieces",
    "exhibition-of": "{day}: {shown} of {places} places.",
    "exhibits": "Exhibits",
    "exhibit-number": "No.",
    "photo": "Photo",
    "photo-of": "Photo of no. {number}",
    "place-of": "Place",
    "the-coin": "Coin",
    "lent-by": "Lent by",
    "possibly": "{coin}, possibly",
    "inventory-of": "Inventory of {day}",
    "values-of": "{pieces}, values: {basis}",
    "caution-record": "This is the owner's own record: no valuation, no authentication, no proof of ownership.",
    "caution-agree": "Agree with the insurer which value counts and what evidence is wanted; have pieces of "
    "consequence appraised by a qualified professional.",
    "caution-law": "Insurance, tax and the law on cultural property differ from place to place: local law and "
    "the policy decide.",
    "totals": "Totals",
    "no-values": "No values.",
    "with-value": "With a value",
    "piece": "Piece",
    "recorded-values": "Recorded values",
    "without-value": "Without a value: {pieces}",
    "total-of": "{basis}: {amount} {currency} for {pieces}",
    "kept-at": "{piece}; kept: {where}",
    "amount-each": "{value} ({amount} each)",
    "value-about": "{value}, {about}",
    "value-of": "{basis} {amount} {currency}",
    "no-date": "no date",
    "basis-paid": "paid",
    "basis-market estimate": "market estimate",
    "basis-insured": "insured",
    "basis-replacement": "replacement",
    "basis-appraised": "appraised",
}
