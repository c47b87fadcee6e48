"""Pages for people: problems, pairing, shared definitions, displays; and what a browser may load for them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from service.formats.html import PAGE, PRINT, render, style_hash
from service.http.problems import PROBLEM_KINDS, ProblemKind


def _policy(sheet: str) -> str:
    """The page's own style and nothing else: no script, no picture, no frame, nothing from elsewhere, nothing sent anywhere."""
    return f"default-src 'none'; style-src '{style_hash(sheet)}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"


SHARED_POLICY, DISPLAY_POLICY = _policy(PAGE), _policy(PRINT)


def problem_page(kind: ProblemKind) -> str:
    """The page of one kind of problem, as HTML."""
    return render("problem.html", kind=kind)


def problems_page() -> str:
    """The list of all kinds, as HTML."""
    return render("problems.html", kinds=list(PROBLEM_KINDS.values()))


def pairing_page(user_code: str | None) -> str:
    """The page that a device's QR code leads to, as HTML. It looks nothing up, so it reveals nothing."""
    return render("pairing.html", user_code=user_code)


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
    return render(
        "shared.html",
        language=language,
        title=title,
        summary=summary,
        in_words=in_words,
        revision=revision,
        newest=newest,
        digest=digest,
        published_on=f"{published_at:%Y-%m-%d}",
        qr_svg=qr_svg,
    )


def display_page(shown: object, language: str) -> str:
    """A club's display as a page to print, as HTML: what is shown by page and place, then what each lent."""
    return render("display.html", sheet=PRINT, language=language, shown=shown)
