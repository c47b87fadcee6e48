"""Pages: every value is escaped, a missing one is an error, and the style that is allowed is the one that is sent."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterator
from typing import Any

import jinja2
import pytest

from service.formats import html
from service.formats.html import CARD, LABELS, PAGE, PRINT, TEMPLATES, render, style_hash

HOSTILE = "<script>alert('x')</script> & \"><img src=x onerror=alert(1)>"
ESCAPED = "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt; &amp; &#34;&gt;&lt;img src=x onerror=alert(1)&gt;"


def hostile(*names: str) -> dict[str, str]:
    return dict.fromkeys(names, HOSTILE)


PAGES: dict[str, dict[str, Any]] = {
    "problem.html": {"kind": hostile("name", "title", "status", "meaning", "remedy")},
    "problems.html": {"kinds": [hostile("name", "title", "status")]},
    "shared.html": {
        **hostile("title", "summary", "published_on", "digest", "link", "take_over", "set_language"),
        "said": {
            "scope": HOSTILE,
            "pages": [(HOSTILE, [{**hostile("label", "takes"), "rules": [HOSTILE]}])],
            "rules": [(HOSTILE, HOSTILE)],
            "preferences": [HOSTILE],
        },
        "revision": 1,
        "newest": 2,
        "qr_svg": "<svg></svg>",
    },
    "display.html": {
        "shown": {
            "definition": hostile("title"),
            "evaluated_on": HOSTILE,
            "summary": {"filled": 1, "tentative": 1, "places": 3},
            "lenders": ["one"],
            "exhibits": [
                {**hostile("page", "label", "description", "owner"), "status": status}
                for status in ("filled", "tentative")
            ],
            "loans": [hostile("owner", "label", "place_label")],
        }
    },
    "evaluation.html": {
        **hostile("title", "headline", "evaluated_on", "caution"),
        "rows": [hostile("label", "status", "coin", "title", "certainty", "next_best")],
        "remarks": [HOSTILE],
    },
    "want_list.html": {
        **hostile("title", "evaluated_on", "paper", "set_language"),
        "is_nothing": True,
        "pages": [
            {
                "title": HOSTILE,
                "groups": [
                    {
                        "look_at": HOSTILE,
                        "lines": [{**hostile("label", "tier", "note"), "wanted": "x", "is_open": False, "places": 2}],
                    }
                ],
            }
        ],
        "kept_empty": [(hostile("label"), HOSTILE, HOSTILE)],
        "weakest": [(hostile("label", "because"), HOSTILE, HOSTILE)],
    },
    "labels.html": {
        "kind": HOSTILE,
        "sheets": [[None, {**hostile("title", "number"), "facts": [HOSTILE]}]],
    },
    "exhibition.html": {
        **hostile("title", "on", "shown", "places", "note"),
        "pages": [(HOSTILE, [{**hostile("label", "description", "owner", "photo"), "at": 1, "status": "tentative"}])],
    },
    "inventory.html": {
        **hostile("on", "pieces", "unvalued_pieces"),
        "cautions": [HOSTILE],
        "totals": [HOSTILE],
        "valued": [(HOSTILE, [HOSTILE, HOSTILE])],
        "unvalued": [HOSTILE],
    },
}


def texts(value: object) -> Iterator[str]:
    """Every hostile text of the values."""
    if isinstance(value, dict):
        for inner in value.values():
            yield from texts(inner)
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from texts(inner)
    elif value == HOSTILE:
        yield HOSTILE


def test_every_template_that_takes_a_value_is_tried_here() -> None:
    takes_values = {path.name for path in TEMPLATES.glob("*.html") if "{{" in path.read_text(encoding="utf-8")}
    assert takes_values == {"frame.html", *PAGES}


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("sheet", [PAGE, PRINT])
def test_every_text_of_a_page_is_escaped(name: str, sheet: str) -> None:
    page = render(name, sheet=sheet, language='en"><script>', **PAGES[name])
    assert page.startswith('<!doctype html>\n<html lang="en&#34;&gt;&lt;script&gt;">')
    assert "<script" not in page
    # Pictures of ours alone.
    assert page.count("<img") == page.count('<img class="photo"')
    # The page of a display is a heading, once over its two exhibits; what is said in other cases only; a tier.
    left_out = {"display.html": 1, "want_list.html": 1}
    assert page.count(ESCAPED) >= len(list(texts(PAGES[name]))) - left_out.get(name, 0)


@pytest.mark.parametrize("name", PAGES)
def test_a_missing_value_is_an_error(name: str) -> None:
    for missing in PAGES[name]:
        values = {key: value for key, value in PAGES[name].items() if key != missing}
        with pytest.raises(jinja2.UndefinedError, match=missing):
            render(name, **values)


@pytest.mark.parametrize("sheet", [PAGE, PRINT, CARD, LABELS])
def test_the_hash_is_of_the_style_that_the_page_holds(sheet: str) -> None:
    page = render("problems.html", sheet=sheet, kinds=[])
    (style,) = re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    assert "@page" in style
    assert style_hash(sheet) == f"sha256-{base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()}"
    assert style_hash(PAGE) != style_hash(PRINT)


def test_without_escaping_a_page_would_be_taken_over(monkeypatch: pytest.MonkeyPatch) -> None:
    # The control of the test of hostile texts.
    careless = html._environment().overlay(autoescape=False)
    monkeypatch.setattr(html, "_environment", lambda: careless)
    assert "<script>" in render("problem.html", **PAGES["problem.html"])
