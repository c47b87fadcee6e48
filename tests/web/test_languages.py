"""The languages of the web app, in Chromium against a real server."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import msgspec
import pytest
from babel import Locale
from babel.lists import format_list

from service.rules.messages import MESSAGES, CoinPart, FactPart, MorePart, PlacePart, message
from service.web.files import STATIC
from tests.web.a_set import Collector
from tests.web.browser import Page
from tests.web.views import every_view

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


def sign_in(page: Page, collector: Collector, table: dict[str, Any], to: str = "/app/") -> None:
    page.open(f"/app/sign-in#token={collector.token}&to={to}")
    page.press(table["account.use_token"])


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
        sign_in(page, collector, french, collector.album())
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


# --- messages of the service -------------------------------------------------------------------------------------------------

COINS = [
    CoinPart("one", "8", "1920 threepence"),
    CoinPart("two", None, "florin"),
    CoinPart("three", "the worn one", None),
]
PLACE, FACT = PlacePart("first", "A wren"), FactPart("fineness", "fineness", "hallmark")
INSIDE = ("doubt-worst-filled", {"count": 1})


def made_up(sentence: str, count: int) -> dict[str, Any]:
    """Parts for a sentence of every kind that there is: lists of coins, places, facts and messages, counts, texts."""
    found: dict[str, Any] = {}
    for name, how in re.findall(r"\{(\w+)(?::([^}]*))?\}", sentence):
        if "|" in how:
            found[name] = count
        elif how:
            found[name] = [*COINS[:count], PLACE, FACT, message(INSIDE[0], **INSIDE[1]), MorePart(count)][: count + 2]
        else:
            found[name] = {0: COINS[0], 1: PLACE, 2: "a text", 3: message(INSIDE[0], **INSIDE[1])}[count]
    return found


SPEECH = """{
    coin: ({number, title}) => number === null ? (title ?? "A coin")
        : (/\\d/.test(number) ? "No. " + number : number) + (title ? " (" + title + ")" : ""),
    quoted: (label) => "'" + label + "'", fact: ({label, look_at}) => label + (look_at ? " (" + look_at + ")" : ""),
    more: (n) => n + " more", number: String, isOne: (n) => n === 1 }"""


def test_messages_are_worded_as_the_service_words_them(page: Page, collector: Collector) -> None:
    """With the English table the app's wording of every code is the service's own text; then a real one in German."""
    told = [message(code, **made_up(sentence, n)) for code, sentence in MESSAGES.items() for n in range(4)]
    page.open("/app/sign-in")
    worded = page.driver.execute_async_script(
        f"const [told, table, done] = arguments; import('/app/sheet/messages.js').then(({{worded}}) => "
        f"done(told.map((one) => worded(one, new Map(Object.entries(table)), {SPEECH}))));",
        msgspec.to_builtins(told),
        dict(MESSAGES),
    )
    assert len(told) > 500 and worded == [one.message for one in told]
    try:
        speak(page, "de")
        sign_in(page, collector, words("de"))
        page.until("h1", says=words("de")["home.title"])
        page.open(collector.place("old-penny"))
        page.until(".messages li", says="Zu prüfen: Jahr auf der Münze (Rückseite, unter dem Münzbild")
        # Its own number in the language's words; a place by its label, which its author wrote.
        assert page.text(".messages").startswith(
            "Nr. p1 (1900 or 1902 penny) gehört vielleicht auf „A penny before 1901“"
        )
        page.press("English")
        page.until(".messages li", says="No. p1 (1900 or 1902 penny) may belong in 'A penny before 1901'. Check: year")
    finally:
        speak(page, "en-GB", "en")
        page.run("indexedDB.deleteDatabase('setwright')")


# --- a language that does not exist ------------------------------------------------------------------------------------------

# Read from right to left, a third longer, every letter with an accent: what is cut off, or not in the words, is seen.
PSEUDO = "ar-XB"
ACCENTS = str.maketrans("aceinouyACEINOUY", "åçéîñöûýÅÇÉÎÑÖÛÝ")


def strange(text: str) -> str:
    parts = [part if part.startswith("{") else part.translate(ACCENTS) for part in re.split(r"(\{[^}]*\})", text)]
    return f"⟦{''.join(parts)}{' ~' * (len(text) // 6)}⟧"


def pseudo_words() -> dict[str, Any]:
    every = ("zero", "one", "two", "few", "many", "other")
    return {
        key: strange(entry)
        if isinstance(entry, str)
        else {form: strange(entry.get(form, entry["other"])) for form in every}
        for key, entry in words("en").items()
    }


def pseudo_sentences() -> list[dict[str, str]]:
    def inside(part: str) -> str:
        name, colon, how = part.partition(":")
        return name + colon + how.translate(ACCENTS)

    def said(sentence: str) -> str:
        parts = re.split(r"(\{[^}]*\})", sentence)
        return strange("".join(inside(part) if part.startswith("{") else part.translate(ACCENTS) for part in parts))

    return [{"code": code, "sentence": said(sentence)} for code, sentence in MESSAGES.items()]


# All that the service answers is kept aside, so that the texts that are its own can be told from those of the app.
PRETEND = """const [table, sentences, tag, done] = arguments;
if (!window.answered) {
    window.answered = [];
    const real = window.fetch;
    window.fetch = async (path, ...more) => {
        if (path === `/app/words/${tag}.json`) return new Response(JSON.stringify(table));
        if (path === "/v1/messages") return new Response(JSON.stringify({ items: sentences, next: null }));
        const answer = await real(path, ...more);
        const isJson = (answer.headers.get("Content-Type") ?? "").includes("json");
        if (isJson) answer.clone().json().then((it) => window.answered.push(it));
        return answer;
    };
}
import("/app/kept/words.js").then(async (words) => { await words.chooseLanguage(tag); done(null); });"""
SHOWN = """const found = [];
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walk.nextNode()) {
    const at = walk.currentNode.parentElement;
    if (!at.closest(".languages, script, style, noscript")) found.push([at.outerHTML.slice(0, 80), walk.currentNode.data]);
}
for (const at of document.querySelectorAll("[aria-label], [alt], [placeholder], [title]")) {
    for (const name of ["aria-label", "alt", "placeholder", "title"]) found.push([at.tagName, at.getAttribute(name) ?? ""]);
}
return found;"""
# What is beyond the window on either side.
WIDE = """return [...document.querySelectorAll("body *")].filter((at) => {
    const box = at.getBoundingClientRect();
    return !at.closest(".wide, .tabs, .skip") && (box.left < -1 || box.right > innerWidth + 1);
}).map((at) => at.outerHTML.slice(0, 120));"""
# What is cut off by its own box, where that cannot be scrolled.
CUT = """return [...document.querySelectorAll("main *, header *, footer *")].filter((at) => {
    const style = getComputedStyle(at);
    return style.overflowX === "hidden" && !at.classList.contains("unseen") && at.scrollWidth > at.clientWidth + 1;
}).map((at) => at.outerHTML.slice(0, 120));"""


def texts_of(answer: Any) -> Iterator[str]:
    if isinstance(answer, str):
        yield answer
    elif isinstance(answer, list):
        for one in answer:
            yield from texts_of(one)
    elif isinstance(answer, dict):
        for key, one in answer.items():
            yield key.replace("_", " ")
            yield from texts_of(one)


def not_said(page: Page, *more: Any) -> list[tuple[str, str]]:
    """The texts on the page that are neither the app's words nor what the service answered, now or before (`more`)."""
    answers = [page.run("return window.answered"), *more]
    known = "\n".join([*texts_of(answers), page.text(".who a")]).lower()
    found = []
    for where, text in page.run(SHOWN):
        rest = text
        while (shorter := re.sub(r"⟦[^⟦⟧]*⟧", "", rest)) != rest:
            rest = shorter
        pieces = [piece.strip(" ,;:()") for piece in re.split(r"[,;:()\n]", rest)]
        if any(re.search("[A-Za-z]{2}", piece) and piece.lower() not in known for piece in pieces):
            found.append((where, text))
    return found


@pytest.mark.long
def test_a_language_that_does_not_exist_fits_in_every_view(page: Page, collector: Collector) -> None:
    page.sign_in(collector.token)
    found: list[Any] = []
    # What the browser keeps, or a draft was begun with.
    empty = {"definition": {"format": "set-definition/1", "title": "Nothing"}}
    before = (
        collector.ask("GET", "/v1/need-sheets").json(),
        collector.ask("GET", f"/v1/definitions/{collector.set}").json(),
        collector.ask("POST", "/v1/definition-previews", json=empty).json(),
        words("en")["build.new_set"],
    )
    for path, ready in every_view(collector).items():
        page.open(path)
        page.until(ready)
        page.driver.execute_async_script(PRETEND, pseudo_words(), pseudo_sentences(), PSEUDO)
        page.until(f"html[dir=rtl][lang={PSEUDO}]")
        # The heading of some is what the collector called it.
        is_named = "/sets/" in path or "/coins/" in path or "/build/" in path
        page.until("footer" if is_named else "h1", says="⟦")
        page.until(ready)
        found += [(path, *one) for one in not_said(page, *before)]
        for width in (320, 1280):
            page.look(width)
            if page.overflow() > 0:
                found.append((path, width, "wider than the window", page.run(WIDE)))
            found += [(path, width, cut) for cut in page.run(CUT)]
    assert found == [], "\n".join(map(str, found))
    # The controls: a text that is in no table, and one that is too wide.
    page.run("document.querySelector('main').append('Some words in a view')")
    assert [text for _, text in not_said(page)] == ["Some words in a view"]
    page.run(
        "const p = document.createElement('p'); p.style.minWidth = '90rem'; p.textContent = '~';"
        "document.querySelector('main').append(p)"
    )
    assert page.overflow() > 0
