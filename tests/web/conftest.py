"""One server and one browser for all tests of pages that a process of pytest runs."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

import httpx
import pytest

from tests.conftest import own_database
from tests.server import Server, serving
from tests.web.a_set import PASSWORD, Collector
from tests.web.browser import Page, browser, ensure_browser


@pytest.fixture(scope="session")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Server, str, httpx.Client]]:
    """A server, the address of its database, and a client of it. The pages do not depend on the engine: SQLite always."""
    ensure_browser()
    with own_database(tmp_path_factory.mktemp("browser"), None) as url, serving(url) as server:
        server.token()
        with httpx.Client(base_url=server.address, timeout=60) as client:
            yield server, url, client


@pytest.fixture(scope="session")
def chromium(house: tuple[Server, str, httpx.Client]) -> Iterator[Page]:
    with browser(house[0].address) as page:
        yield page


@pytest.fixture
def page(chromium: Page) -> Iterator[Page]:
    """The browser; no script failed and nothing broke the policy at the end."""
    chromium.look(1280)
    chromium.complaints()
    yield chromium
    assert chromium.complaints() == []


@pytest.fixture(scope="session")
def newcomer(house: tuple[Server, str, httpx.Client]) -> Callable[[], tuple[str, str]]:
    """Opens an account by invitation: its name, and a token that may do all but what is the account's own."""
    server, _, client = house
    first = {"Authorization": f"Bearer {server.token()}"}
    numbers = itertools.count(1)

    def opened() -> tuple[str, str]:
        name = f"Wren Hollow {next(numbers)}"
        invitation = client.post("/v1/account/invitations", json={}, headers=first).json()["invitation"]
        made = client.post(
            "/v1/account/redemptions", json={"invitation": invitation, "name": name, "password": PASSWORD}
        )
        assert made.status_code == 201, made.text
        token = client.post("/v1/account/tokens", json={"name": name, "password": PASSWORD, "token_name": "the test"})
        return name, token.json()["access_token"]

    return opened


@pytest.fixture
def collector(house: tuple[Server, str, httpx.Client], newcomer: Callable[[], tuple[str, str]]) -> Collector:
    """Somebody of their own for each test, with the set and the coins."""
    return Collector(house[2], newcomer()[1])
