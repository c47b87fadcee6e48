"""Measures what the web app weighs and how fast its first view is: `python -m tests.web.budgets`. It needs Chromium.

Bytes: all files but the words, each by gzip. First view: from the service worker's cache, on a processor slowed down
four times, until the heading is painted; the median of five. Nothing here fails: times of a busy machine say little.
"""

from __future__ import annotations

import gzip
import posixpath
import re
import statistics
from pathlib import Path
from tempfile import TemporaryDirectory

from service.web.files import files
from tests.conftest import own_database
from tests.server import serving
from tests.web.browser import Page, browser

MOST_BYTES, FIRST_VIEW_SECONDS, SLOWED = 70_000, 1.5, 4
ROUNDS = 5
AT_ONCE = re.compile(r"""^\s*(?:import|export)\b[^;"']*?\bfrom\s+["']([^"']+)["']""", re.MULTILINE)


def weight() -> int:
    """Bytes of the app without its words, as they are sent."""
    return sum(len(gzip.compress(file.content, 9)) for path, file in files().items() if not path.startswith("words/"))


def first_weight() -> int:
    """Bytes of what is loaded before the first view can be shown: the page, its style, and what app.js imports at once."""
    known, wanted, seen = files(), ["index.html", "app.css", "app.js"], set[str]()
    while wanted:
        path = wanted.pop()
        if path in seen:
            continue
        seen.add(path)
        imported = AT_ONCE.findall(known[path].content.decode()) if path.endswith(".js") else []
        wanted += [
            posixpath.normpath(posixpath.join("/app", posixpath.dirname(path), one)).removeprefix("/app/")
            for one in imported
        ]
    return sum(len(gzip.compress(known[path].content, 9)) for path in seen)


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


def main() -> None:
    print(f"bytes before the first view, gzip, without words: {first_weight():,} (at most {MOST_BYTES:,})")
    print(f"bytes of the whole app, gzip, without words: {weight():,}")
    with (
        TemporaryDirectory() as folder,
        own_database(Path(folder), None) as url,
        serving(url) as server,
        browser(server.address) as page,
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


if __name__ == "__main__":
    main()
