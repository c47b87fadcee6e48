"""The languages of the web app, in Chromium against a real server."""

from __future__ import annotations

import json
from typing import Any

import pytest
from babel import Locale
from babel.lists import format_list

from service.web.files import STATIC
from tests.web.a_set import Collector
from tests.web.browser import Page

pytestmark = [pytest.mark.browser, pytest.mark.process]


def words(language: str) -> dict[str, Any]:
    """The words of a language; a driver reads a space that does not break as any other."""
    found: dict[str, Any] = json.loads(
        (STATIC / "words" / f"{language}.json").read_text(encoding="utf-8").replace("\u00a0", " ")
    )
    return found


def speak(page: Page, *languages: str) -> None:
    """What the browser says of its person's languages from the next page on."""
    agent = page.run("return navigator.userAgent")
    page.driver.execute_cdp_cmd(
        "Network.setUserAgentOverride", {"userAgent": agent, "acceptLanguage": ",".join(languages)}
    )


# What a module of the app says when a page of it asks, with its own modules.
ASK = """const done = arguments[arguments.length - 1];
const values = arguments;
import("/app/kept/words.js").then((words) => done(%s)).catch((error) => done(String(error)));"""


def asked(page: Page, what: str, *values: Any) -> Any:
    return page.driver.execute_async_script(ASK % what, *values)


def test_the_language_is_the_browsers_until_another_is_chosen(page: Page, collector: Collector) -> None:
    """The first of the browser's languages that there is (RFC 4647, lookup); numbers and lists as CLDR has them (Babel)."""
    german, french = words("de"), words("fr")
    try:
        speak(page, "nl-BE", "de-AT", "en")
        page.open("/app/sign-in")
        assert page.text("h1") == german["account.sign_in"]
        assert page.run("return [document.documentElement.lang, document.documentElement.dir]") == ["de", "ltr"]
        page.press("Français")
        page.until("h1", says=french["account.sign_in"])
        assert page.text(".languages [aria-pressed=true]") == "Français"
        # It is kept, also over a whole session and its end.
        page.open(f"/app/sign-in#token={collector.token}&to={collector.album()}")
        page.press(french["account.use_token"])
        page.until("[data-place='old-penny'] .word", says=french["state.tentative"])
        assert page.run("return document.documentElement.lang") == "fr"
        figures = {"filled": "6", "tentative": "1", "empty": "6", "places": "13"}
        assert french["home.figures"].format(**figures) in page.text(".figures")
        page.press(french["account.sign_out"])
        page.until(".notice", says=french["account.signed_out"][:20])
        page.open("/app/sign-in")
        assert page.text("h1") == french["account.sign_in"]
        # Nothing that was typed is lost when another is chosen.
        page.type_into(french["account.name"], "Wren")
        page.press("Deutsch")
        page.until("h1", says=german["account.sign_in"])
        assert page.run("return document.querySelector('[name=name]').value") == "Wren"
        for language in ("en", "de", "fr"):
            page.press({"en": "English", "de": "Deutsch", "fr": "Français"}[language])
            page.until(f"html[lang={language}]")
            # The language's own region counts where the browser names one, and none does but the first.
            locale = Locale.parse({"de": "de_AT"}.get(language, language))
            assert asked(page, "words.listed(['a', 'b', 'c'])") == format_list(["a", "b", "c"], locale=locale)
            assert asked(page, "words.either(['a', 'b'])") == format_list(["a", "b"], "or", locale=locale)
            categories = sorted({"other", *Locale(language).plural_form.tags})
            assert (
                asked(page, f"new Intl.PluralRules('{language}').resolvedOptions().pluralCategories.sort()")
                == categories
            )
            assert asked(page, "words.bareNumber(1901)") == "1901"
            assert asked(page, "words.bareNumber(0.925)") == {"en": "0.925"}.get(language, "0,925")
        # French has a form of its own for millions.
        assert asked(page, "words.say('count.coins', {n: 2000000})").endswith("de monnaies")
        assert asked(page, "words.date('1926-11-29')") == "29 nov. 1926"
        assert asked(page, "['Zèbre', 'Éléphant', 'Aigle'].sort(words.inOrder)") == ["Aigle", "Éléphant", "Zèbre"]
        page.press("English")
        page.until("html[lang=en]")
    finally:
        speak(page, "en-GB", "en")
        page.run("indexedDB.deleteDatabase('setwright')")
