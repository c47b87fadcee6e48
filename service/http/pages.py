"""Pages for people: what each kind of problem means and what to do about it."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from datetime import datetime
from html import escape
from itertools import groupby
from typing import Any

from service.http.problems import PROBLEM_KINDS, ProblemKind

_SHARED_STYLE = (
    "@page{size:A4;margin:15mm}body{font:1rem/1.5 system-ui,sans-serif;max-width:42rem;margin:3rem auto;padding:0 1rem;"
    "overflow-wrap:anywhere}li{margin:.4rem 0}footer{font-size:.85rem;margin-top:2rem}svg{display:block}"
)
_DISPLAY_STYLE = (
    "@page{size:A4;margin:15mm}body{font:10pt/1.35 serif;overflow-wrap:anywhere}table{border-collapse:collapse;width:100%}"
    "th,td{border-bottom:.3pt solid;text-align:left;padding:1.5mm;vertical-align:top;width:33%}tr{break-inside:avoid}"
)


def _policy(style: str) -> str:
    """The page's own style and nothing else: no script, no picture, no frame, nothing from elsewhere, nothing sent anywhere."""
    known = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'sha256-{known}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


SHARED_POLICY, DISPLAY_POLICY = _policy(_SHARED_STYLE), _policy(_DISPLAY_STYLE)

_FRAME = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>body{{font:1rem/1.5 system-ui,sans-serif;max-width:42rem;margin:3rem auto;padding:0 1rem}}</style>
</head><body>{body}</body></html>
"""


def problem_page(kind: ProblemKind) -> str:
    """The page of one kind of problem, as HTML."""
    body = (
        f"<h1>{escape(kind.title)}</h1><p><code>{kind.name}</code>, status {kind.status}</p>"
        f"<p>{escape(kind.meaning)}</p><h2>What to do</h2><p>{escape(kind.remedy)}</p>"
        '<p><a href="/problems">All kinds of problems</a></p>'
    )
    return _FRAME.format(title=escape(kind.title), body=body)


def problems_page() -> str:
    """The list of all kinds, as HTML."""
    rows = "".join(
        f'<li><a href="/problems/{kind.name}">{escape(kind.title)}</a> ({kind.status})</li>'
        for kind in PROBLEM_KINDS.values()
    )
    return _FRAME.format(title="Kinds of problems", body=f"<h1>Kinds of problems</h1><ul>{rows}</ul>")


def pairing_page(user_code: str | None) -> str:
    """The page that a device's QR code leads to, as HTML. It looks nothing up, so it tells nothing."""
    shown = f"<p>The code: <strong><code>{escape(user_code)}</code></strong></p>" if user_code else ""
    body = (
        f"<h1>Pair a device</h1>{shown}"
        "<p>A device asks to act for an account. Say yes only if the device is yours, is in front of you, and shows this very "
        "code: whoever sent you a code from elsewhere would get at your collection.</p>"
        "<h2>What to do</h2><p>On a device that is signed in, enter the code there; it is sent, with your token, to "
        "<code>POST /v1/device-pairings/approvals</code> as <code>user_code</code>, with <code>approve</code> true or "
        "false.</p>"
    )
    return _FRAME.format(title="Pair a device", body=body)


def shared_page(
    title: str,
    summary: str,
    language: str,
    in_words: Sequence[str],
    *,
    revision: int,
    newest: int,
    digest: str,
    published_at: datetime,
    qr_svg: str,
) -> str:
    """A definition for people, as HTML: what a set of it takes, in words. Nothing of its owner."""
    told = "".join(f"<li>{escape(sentence)}</li>" for sentence in in_words)
    newer = f"<p>There is a newer revision: {newest}.</p>" if newest > revision else ""
    heading = escape(title)
    return (
        f'<!doctype html>\n<html lang="{escape(language)}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><meta name="robots" content="noindex">'
        f"<title>{heading}</title>\n<style>{_SHARED_STYLE}</style></head>\n"
        f"<body><h1>{heading}</h1><p>{escape(summary)}</p>\n"
        f'<div lang="en"><h2>What the set takes</h2><ol>{told}</ol>{newer}\n'
        f"<footer><p>Revision {revision}, published {published_at:%Y-%m-%d}.<br><code>{escape(digest)}</code></p>"
        '<p>The same <a href="?format=json">as JSON</a> and <a href="?format=yaml">as YAML</a>. The address of this page is '
        f"a key: whoever has it can read the definition.</p>{qr_svg}</footer></div></body></html>\n"
    )


def display_page(shown: Mapping[str, Any], language: str) -> str:
    """A club's display as a page to print, as HTML: what is shown by page and place, then what each lent."""
    counts, lenders, title = shown["summary"], len(shown["lenders"]), escape(shown["definition"]["title"])
    pages = groupby(shown["exhibits"], lambda exhibit: exhibit["page"])
    rows = [(name, [_exhibit(exhibit) for exhibit in exhibits]) for name, exhibits in pages]
    tables = "".join(
        f"<h2>{escape(name or 'Exhibits')}</h2>{_table(('Place', 'Coin', 'Lent by'), exhibits)}\n"
        for name, exhibits in rows
    )
    loans = [(loan["owner"], loan["label"], loan["place_label"]) for loan in shown["loans"]]
    return (
        f'<!doctype html>\n<html lang="{escape(language)}"><head><meta charset="utf-8">'
        f"<title>Display: {title}</title>\n<style>{_DISPLAY_STYLE}</style></head>\n"
        f"<body><h1>{title}</h1><p>A display of {escape(shown['evaluated_on'])}: "
        f"{counts['filled'] + counts['tentative']} of {counts['places']} places, lent by "
        f"{lenders} {'member' if lenders == 1 else 'members'}.</p>\n"
        "<p>Facts and grades are their owners' opinion: no authentication and no valuation.</p>\n"
        f"{tables}<h2>Loans</h2>{_table(('Lent by', 'Coin', 'For'), loans)}</body></html>\n"
    )


def _exhibit(exhibit: Mapping[str, Any]) -> tuple[str, str, str]:
    doubt = ", tentatively" if exhibit["status"] == "tentative" else ""
    return exhibit["label"], f"{exhibit['description']}{doubt}", exhibit["owner"]


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    head = "".join(f"<th>{escape(name)}</th>" for name in heads)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
