"""Pages for people, made from the Jinja2 templates in `templates/`. Every value is escaped where it is put in."""

from __future__ import annotations

import base64
import hashlib
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from service.formats.label_sheets import label_sheets
from service.formats.page_words import PAGE_WORDS
from service.formats.qr import qr_code
from service.rules.phrases import ENGLISH_SPEECH, Speech

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES = Path(__file__).resolve().parent / "templates"
PAGE, PRINT, CARD, LABELS = "page.css", "print.css", "card.css", "labels.css"


@cache
def style(sheet: str) -> Markup:
    """A style sheet of the templates, as it stands inside a page."""
    return Markup(_environment().get_template(sheet).render(sheets=label_sheets()))  # noqa: S704 - a file of ours


def style_hash(sheet: str) -> str:
    """The source expression of Content Security Policy level 3 that allows a style sheet: "sha256-..."."""
    return f"sha256-{base64.b64encode(hashlib.sha256(style(sheet).encode()).digest()).decode()}"


def page_policy(*sheets: str, has_pictures: bool = False) -> str:
    """The Content-Security-Policy of a page with one of these styles: that style and nothing else, so no script, no picture, no
    frame, nothing from elsewhere, nothing sent anywhere. With `has_pictures` also those that stand in the page itself."""
    styles = " ".join(f"'{style_hash(sheet)}'" for sheet in sheets)
    pictures = " img-src data:;" if has_pictures else ""
    return (
        f"default-src 'none'; style-src {styles};{pictures} base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


def qr_svg(text: str) -> Markup:
    """A text as a QR code: an SVG to stand in a page."""
    return Markup(qr_code(text).svg_inline(border=1, omitsize=True))  # noqa: S704 - black squares


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
    )
    environment.globals["style"] = style
    environment.filters["qr"] = qr_svg
    return environment


def render(
    template: str,
    /,
    *,
    sheet: str = PAGE,
    speech: Speech = ENGLISH_SPEECH,
    language: str | None = None,
    **values: object,
) -> str:
    """A page as HTML. `sheet` is its style sheet, one of those above; `speech` the language of its own sentences, `language` that
    of most of its text where that is another. Raises jinja2.UndefinedError when a value is missing."""
    told = {
        "sheet": sheet,
        "language": language or speech.tag,
        "say": partial(page_words, speech),
        "phrase": speech.phrase,
    }
    return _environment().get_template(template).render(**told, **values)


def page_words(speech: Speech, code: str, /, **parts: object) -> str:
    """A sentence of a page to print. Raises KeyError for a code, or a part, that there is not."""
    return speech.pattern(code, PAGE_WORDS).format_map(parts)
