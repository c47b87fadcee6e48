"""Pages for people: what each kind of problem means and what to do about it."""

from __future__ import annotations

from html import escape

from service.http.problems import KINDS, Kind

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
