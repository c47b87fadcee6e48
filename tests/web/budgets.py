"""Measures what the web app weighs and how fast it is: `python -m tests.web.budgets`. It needs Chromium.

Bytes: all files but the words and those that are there to be read, each by gzip. First view: from the service worker's cache,
on a processor slowed down four times, until the heading is painted. Repaint: an album of 500 places, from the answer that another
coin brought until it is painted. Answer: at a dealer's table, without a network (budget_table). Nothing here fails: times of a
busy machine say little.
"""

from __future__ import annotations

import gzip
import posixpath
import re
import statistics
from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory

import httpx

from service.web.files import ALL, SOURCE, files
from tests.conftest import own_database
from tests.server import serving
from tests.web.browser import Page, browser
from tests.web.budget_table import answers_in_milliseconds

MOST_BYTES, FIRST_VIEW_SECONDS, SLOWED, REPAINT_MS, ANSWER_MS = 70_000, 1.5, 4, 100, 50
PLACES = 500
ROUNDS = 5
AT_ONCE = re.compile(r"""^\s*(?:import|export)\b[^;"']*?\bfrom\s+["']([^"']+)["']""", re.MULTILINE)


def weight_of(paths: Iterable[str]) -> int:
    """Bytes of these files as they are sent."""
    return sum(len(gzip.compress(files()[path].content, 9)) for path in paths)


def the_app() -> list[str]:
    """All of it without its words."""
    return [path for path in files() if not path.startswith(("words/", SOURCE)) and path != ALL]


def loaded_with(*paths: str) -> set[str]:
    """These files with all that they import at once."""
    known, wanted, seen = files(), list(paths), set[str]()
    while wanted:
        path = wanted.pop()
        if path in seen:
            continue
        seen.add(path)
        # As it was written: each import is on a line of its own there.
        source = known.get(SOURCE + path, known[path]).content.decode()
        imported = AT_ONCE.findall(source) if path.endswith(".js") else []
        wanted += [
            posixpath.normpath(posixpath.join("/app", posixpath.dirname(path), one)).removeprefix("/app/")
            for one in imported
        ]
    return seen


def first_view(page: Page) -> float:
    """Seconds from the request of the page to its first heading."""
    page.open("/app/sign-in")
    page.driver.execute_async_script("const done = arguments[0]; navigator.serviceWorker.ready.then(() => done(null));")
    page.open("/app/sign-in")
    assert page.run("return navigator.serviceWorker.controller !== null")
    page.driver.execute_cdp_cmd("Emulation.setCPUThrottlingRate", {"rate": SLOWED})
    seconds = []
    for _ in range(ROUNDS):
        page.open("/app/sign-in")
        # The heading of the app itself is the largest text by then.
        seconds.append(page.run("return performance.getEntriesByName('first-view')[0].startTime") / 1000)
    page.driver.execute_cdp_cmd("Emulation.setCPUThrottlingRate", {"rate": 1})
    return statistics.median(seconds)


# When the answer of an evaluation was read, and when the page was painted after it.
WATCH = """window.repaints = [];
const read = Response.prototype.json;
let since = null;
Response.prototype.json = async function () {
    const found = await read.call(this);
    if (this.url.includes('/evaluation')) since = performance.now();
    return found;
};
new MutationObserver(() => {
    if (since === null) return;
    const [began, channel] = [since, new MessageChannel()];
    since = null;
    channel.port1.onmessage = () => window.repaints.push(performance.now() - began);
    requestAnimationFrame(() => channel.port2.postMessage(null));
}).observe(document.querySelector('main'), {childList: true, subtree: true, attributes: true, characterData: true});"""


def repaints(page: Page, client: httpx.Client, token: str) -> tuple[float, float]:
    """Milliseconds from the answer until the album is painted, the median and the slowest; each time a place became filled."""
    headers = {"Authorization": f"Bearer {token}"}
    slots = [
        {
            "id": f"year-{at}",
            "label": f"Penny of {1400 + at}",
            "accepts": f"denomination = 'penny' AND year_on_coin = {1400 + at}",
        }
        for at in range(PLACES)
    ]
    pages = [
        {"page": f"Page {at}", "slots": [one["id"] for one in slots[at * 50 : at * 50 + 50]]}
        for at in range(PLACES // 50)
    ]
    document = {"format": "set-definition/1", "title": "Five hundred", "slots": slots, "layout": pages}
    identity = (
        client.post("/v1/definitions", json={"document": document}, headers=headers).raise_for_status().json()["id"]
    )

    def add(at: int) -> None:
        facts = {"denomination": "penny", "year_on_coin": 1400 + at}
        client.post("/v1/holdings", json={"number": str(at), "facts": facts}, headers=headers).raise_for_status()

    for at in range(0, PLACES, 2):
        add(at)
    page.sign_in(token)
    page.open(f"/app/sets/{identity}")
    page.until("section.page [data-place]")
    assert len(page.all("section.page [data-place]")) == PLACES
    page.run(WATCH)
    for number in range(ROUNDS):
        add(2 * number + 1)
        page.run_until(f"return window.repaints.length > {number}")
    times = page.run("return window.repaints")
    return statistics.median(times), max(times)


def main() -> None:
    views = sorted(path for path in files() if path.startswith("views/"))
    first = loaded_with("index.html", "app.css", "app.js")
    print(f"bytes before the first view, gzip, without words: {weight_of(first):,} (at most {MOST_BYTES:,})")
    print(f"bytes of the whole app, gzip, without words: {weight_of(the_app()):,}")
    print(f"bytes of one answer with all of it, gzip, with words: {weight_of([ALL]):,}")
    for view in views:
        print(f"  {view}: {weight_of(loaded_with(view) - first):,} besides")
    for name, times in answers_in_milliseconds().items():
        print(
            f"an answer over 20 sets of 200 places, {name}: median {statistics.median(times):.1f} ms, slowest {times[-1]:.1f} ms "
            f"(at most {ANSWER_MS} ms)"
        )
    with (
        TemporaryDirectory() as folder,
        own_database(Path(folder), None) as url,
        serving(url) as server,
        browser(server.address) as page,
        httpx.Client(base_url=server.address, timeout=60) as client,
    ):
        # What is painted first of the app itself: the element that replaces the page's own heading.
        page.driver.execute_cdp_cmd(
            "Page.addScriptToEvaluateOnNewDocument",
            {
                "source": "new MutationObserver((_, seen) => { if (document.querySelector('main#content h1')) "
                "{ seen.disconnect(); requestAnimationFrame(() => performance.mark('first-view')); } })"
                ".observe(document, {childList: true, subtree: true});"
            },
        )
        print(f"first view from cache, slowed {SLOWED}x: {first_view(page):.2f} s (at most {FIRST_VIEW_SECONDS} s)")
        usual, slowest = repaints(page, client, server.token())
        print(
            f"an album of {PLACES} places repainted: median {usual:.0f} ms, slowest {slowest:.0f} ms (at most {REPAINT_MS} ms)"
        )


if __name__ == "__main__":
    main()
