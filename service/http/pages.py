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
