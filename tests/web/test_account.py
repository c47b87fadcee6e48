"""My account in Chromium: opened with the password; others invited, everything taken along, a lost phone signed out, the end."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable

import httpx
import pytest

from tests.server import Server
from tests.web.a_set import PASSWORD, Collector
from tests.web.browser import Page

pytestmark = [pytest.mark.browser, pytest.mark.process]
Newcomer = Callable[[], tuple[str, str]]


@pytest.fixture
def client(house: tuple[Server, str, httpx.Client]) -> httpx.Client:
    return house[2]


def opened(page: Page, password: str = PASSWORD) -> None:
    page.click(".who a")
    page.until("h1", says="My account")
    page.type_into("Password", password)
    page.press("Go on")
    page.until("details summary", says="Where I am signed in")


def logged_in(client: httpx.Client, name: str, password: str, **more: str) -> httpx.Response:
    body = {"name": name, "password": password, "token_name": "phone", **more}
    return client.post("/v1/account/tokens", json=body)


def names(page: Page) -> list[str]:
    return [one.text for one in page.all(".rows strong")]


def test_a_lost_phone_is_signed_out_and_the_password_is_changed(
    page: Page, client: httpx.Client, newcomer: Newcomer
) -> None:
    name, token = newcomer()
    phone = logged_in(client, name, PASSWORD).json()["access_token"]
    page.sign_in(token)
    page.click(".who a")
    page.type_into("Password", "a password that is not it")
    page.press("Go on")
    page.until(".trouble", says="the name or the password is wrong")
    opened(page)
    page.click("summary", says="Where I am signed in")
    page.until(".rows strong", says="phone")
    # The token that this view was opened with is not one of them.
    assert sorted(names(page)) == ["phone", "the test"]
    assert page.until(".rows .of", says="this browser")
    page.click("button[aria-label='End it: phone']")
    page.run_until("return document.querySelectorAll('.rows strong').length === 1")
    assert client.get("/v1/holdings", headers={"Authorization": f"Bearer {phone}"}).status_code == 401
    page.click("summary", says="Password")
    page.type_into("The password as it was", PASSWORD)
    page.type_into("New password", "four farthings and a crown")
    page.press("Set a password")
    page.until(".notice", says="The password is changed.")
    assert logged_in(client, name, PASSWORD).status_code == 403
    assert logged_in(client, name, "four farthings and a crown").status_code == 201
    # Whoever was signed in stays so.
    page.open("/app/coins")
    page.until(".found")


def test_the_token_of_the_view_ends_with_it(page: Page, client: httpx.Client, newcomer: Newcomer) -> None:
    name, token = newcomer()
    page.sign_in(token)
    opened(page)
    page.click("nav a", says="Coins")
    page.until(".found")
    owner = logged_in(client, name, PASSWORD, scopes=["read", "admin"]).json()["access_token"]  # type: ignore[arg-type]
    there = client.get("/v1/account/tokens", headers={"Authorization": f"Bearer {owner}"}).json()["items"]
    assert sorted(one["name"] for one in there) == ["phone", "the test"]


def test_everything_is_saved_as_a_file_and_the_account_is_deleted(
    page: Page, client: httpx.Client, newcomer: Newcomer
) -> None:
    name, token = newcomer()
    Collector(client, token)
    page.sign_in(token)
    opened(page)
    page.click("summary", says="Everything as a file")
    with zipfile.ZipFile(io.BytesIO(page.saved(lambda: page.press("Save the file")))) as saved:
        assert {"README.txt", "manifest.json"} <= set(saved.namelist())
    page.click("summary", says="Delete the account")
    page.type_into(f"To say that you mean it, type the name of the account: {name}", "somebody else")
    page.all("details[open] input[name=password]")[-1].send_keys(PASSWORD)
    page.press("Delete the account for good")
    page.until(".trouble")
    assert client.get("/v1/account", headers={"Authorization": f"Bearer {token}"}).status_code == 200
    page.type_into(f"To say that you mean it, type the name of the account: {name}", name)
    page.press("Delete the account for good")
    page.until(".notice", says="The account is deleted")
    assert client.get("/v1/account", headers={"Authorization": f"Bearer {token}"}).status_code == 401
    assert (
        page.driver.execute_async_script(
            "const done = arguments[arguments.length - 1];"
            "import('/app/kept/session.js').then(({keptSession}) => keptSession()).then(done)"
        )
        is None
    )


def test_an_invitation_opens_an_account(page: Page, house: tuple[Server, str, httpx.Client]) -> None:
    server = house[0]
    # The administrator's first token may do all: no password is asked for.
    page.sign_in(server.token())
    page.click(".who a")
    page.click("summary", says="Invite somebody")
    page.type_into("For whom it is", "Juno")
    page.press("Make an invitation")
    link = page.until("#invite-link").get_attribute("value")
    page.until(".rows li", says="Juno can be used")
    assert link is not None
    page.driver.get(link)
    page.until("h1", says="Open an account")
    # It stands in no history.
    assert "invitation=" not in page.driver.current_url
    page.type_into("Name of the account", "Juno Hedge")
    page.type_into("Password", "short")
    page.press("Open the account")
    page.until(".trouble", says="a password has 12")
    page.type_into("Password", PASSWORD)
    page.press("Open the account")
    page.until(".who a", says="Juno Hedge")
    page.until("h1", says="My sets")
    # It is good once.
    page.open("/app/sign-in")
    page.click("main a", says="I was invited")
    page.type_into("Invitation", link.partition("=")[2])
    page.type_into("Name of the account", "Juno Again")
    page.type_into("Password", PASSWORD)
    page.press("Open the account")
    page.until(".trouble")


def test_the_view_of_the_account_has_no_fault(page: Page, newcomer: Newcomer) -> None:
    page.sign_in(newcomer()[1])
    opened(page)
    for summary in ("Password", "Where I am signed in", "Everything as a file", "Delete the account"):
        page.click("summary", says=summary)
    for width, dark in page.looks():
        page.until(".rows strong")
        assert page.faults() == [], (width, dark)
        assert page.overflow() <= 0, width
