"""Pages for people, made from the Jinja2 templates in `templates/`. Every value is escaped where it is put in."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES = Path(__file__).resolve().parent / "templates"
PAGE, PRINT = "page.css", "print.css"


@cache
def style(sheet: str) -> Markup:
    """A style sheet of the templates, as it stands inside a page."""
    return Markup((TEMPLATES / sheet).read_text(encoding="utf-8"))  # noqa: S704 - a file of ours


def style_hash(sheet: str) -> str:
    """The source expression of Content Security Policy level 3 that allows a style sheet: "sha256-..."."""
    return f"sha256-{base64.b64encode(hashlib.sha256(style(sheet).encode()).digest()).decode()}"


def page_policy(*sheets: str) -> str:
    """The Content-Security-Policy of a page with one of these styles: that style and nothing else, so no script, no picture, no
    frame, nothing from elsewhere, nothing sent anywhere."""
    styles = " ".join(f"'{style_hash(sheet)}'" for sheet in sheets)
    return f"default-src 'none'; style-src {styles}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"


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
    return environment


def render(template: str, /, *, sheet: str = PAGE, language: str = "en", **values: object) -> str:
    """A page as HTML. `sheet` is its style sheet, PAGE or PRINT. Raises jinja2.UndefinedError when a value is missing."""
    return _environment().get_template(template).render(sheet=sheet, language=language, **values)
