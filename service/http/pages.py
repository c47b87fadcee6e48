"""Pages for people: what each kind of problem means and what to do about it."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from datetime import datetime
from html import escape

from service.http.problems import KINDS, Kind

_SHARED_STYLE = (
    "@page{size:A4;margin:15mm}body{font:1rem/1.5 system-ui,sans-serif;max-width:42rem;margin:3rem auto;padding:0 1rem;"
    "overflow-wrap:anywhere}li{margin:.4rem 0}footer{font-size:.85rem;margin-top:2rem}svg{display:block}"
)
_STYLE_HASH = base64.b64encode(hashlib.sha256(_SHARED_STYLE.encode()).digest()).decode()
# The page's own style and nothing else: no script, no picture, no frame, nothing from elsewhere, nothing sent anywhere.
SHARED_POLICY = (
    f"default-src 'none'; style-src 'sha256-{_STYLE_HASH}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

_FRAME = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>body{{font:1rem/1.5 system-ui,sans-serif;max-width:42rem;margin:3rem auto;padding:0 1rem}}</style>
</head><body>{body}</body></html>
"""


def problem_page(kind: Kind) -> str:
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
        f'<li><a href="/problems/{kind.name}">{escape(kind.title)}</a> ({kind.status})</li>' for kind in KINDS.values()
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
