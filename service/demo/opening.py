"""Where the web app opens for somebody of the demo, signed in."""

from __future__ import annotations

from dataclasses import dataclass

import httpx


@dataclass(frozen=True, slots=True)
class Opening:
    """`what` somebody (`who`) is shown, at which path of the app, with which token."""

    who: str
    what: str
    path: str
    token: str

    @property
    def address(self) -> str:
        """What the page for signing in takes behind #, where no server sees it."""
        return f"/app/sign-in#token={self.token}&to={self.path}"


def opening(who: str, what: str, path: str, client: httpx.Client) -> Opening:
    """With the token that the client sends."""
    return Opening(who, what, path, client.headers["Authorization"].removeprefix("Bearer "))
