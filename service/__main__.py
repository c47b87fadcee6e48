"""The command `setwright`."""

from __future__ import annotations

import argparse
import logging
import os
import sqlite3
import sys
from collections.abc import Callable, Sequence
from functools import partial

import uvicorn
from sqlalchemy import Connection

from service.accounts.actions import open_first_account
from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.holdings.sync.verify import differences
from service.http.middleware import begin_log
from service.runtime import opened, opened_database, utc_now
from service.settings import PREFIX, InvalidSettings, Settings, read_settings, setting_lines
from service.worker import maintain

GRACE_SECONDS = 20
KEEP_ALIVE_SECONDS = 15

# SQLite before this version can lose its log when several connections write (promises.md).
_SOUND_SQLITE = (3, 51, 3)


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command; the answer is the exit status."""
    asked = _parser().parse_args(arguments)
    run: Callable[[argparse.Namespace], int] = asked.run
    return run(asked)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="setwright", description="Set definitions for coin collectors.")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    serving = commands.add_parser("serve", help="start the server")
    serving.add_argument("--host", help="the address to listen on")
    serving.add_argument("--port", type=int, help="the port to listen on")
    serving.add_argument("--workers", type=int, help="processes; more than one needs PostgreSQL")
    serving.set_defaults(run=_serve)
    playing = commands.add_parser("demo", help="show what the service does, on a temporary database")
    playing.add_argument("--once", action="store_true", help="end after printing")
    playing.add_argument("--port", type=int, help="the port to listen on; left out: a free one")
    playing.set_defaults(run=_demo)
    showing = commands.add_parser("settings", help="list every setting, its meaning, default and current value")
    showing.set_defaults(run=_settings)
    proving = commands.add_parser("verify", help="rebuild every holding from the log of mutations and compare")
    proving.set_defaults(run=_verify)
    tidying = commands.add_parser("tidy", help="remove what nothing needs any more, as a server does daily")
    tidying.set_defaults(run=_tidy)
    return parser


def _verify(_: argparse.Namespace) -> int:
    settings = _read_settings()
    if settings is None:
        return 2
    with opened_database(settings) as database:
        owners = database.read(lambda connection: AccountStore(connection).owners())
        wrong = 0
        for owner in owners:
            found = database.read(partial(_differences, owner=owner))
            print("".join(f"{line}\n" for line in found), end="")
            wrong += len(found)
    print(f"{len(owners)} accounts looked at, {wrong} differences.")
    return 1 if wrong else 0


def _tidy(_: argparse.Namespace) -> int:
    settings = _read_settings()
    if settings is None:
        return 2
    with opened(settings) as context:
        removed = maintain(context)
    print(f"Removed: {removed.photos} photos that nothing named, {removed.answers} remembered answers.")
    return 0


def _differences(connection: Connection, owner: Owner) -> list[str]:
    return list(differences(connection, owner))


def _serve(asked: argparse.Namespace) -> int:
    # Worker processes read the environment, so what the command line says is put there.
    for name in ("host", "port", "workers"):
        if getattr(asked, name) is not None:
            os.environ[PREFIX + name.upper()] = str(getattr(asked, name))
    settings = _read_settings()
    if settings is None:
        return 2
    if settings.is_sqlite and settings.workers > 1:
        print("SQLite is served by one process: use --workers 1, or PostgreSQL for more.", file=sys.stderr)
        return 2
    begin_log(settings.log_level)
    token = _first_account(settings)
    if token is not None:
        print(f"A new account was made. Its token is shown this once, keep it:\n\n    {token}\n", flush=True)
    print(f"Setwright listens on {settings.public_url}", flush=True)
    uvicorn.run(
        "service.app:from_environment",
        factory=True,
        host=settings.host,
        port=settings.port,
        workers=settings.workers,
        # uvicorn's own log has whole addresses in it, secrets included; http/middleware.py writes one without.
        access_log=False,
        log_config=None,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=settings.connections_at_once,
        timeout_graceful_shutdown=GRACE_SECONDS,
        timeout_keep_alive=KEEP_ALIVE_SECONDS,
    )
    return 0


def _first_account(settings: Settings) -> str | None:
    """Migrates the database. The token of the account that was made, None if there was one already."""
    if settings.is_sqlite and sqlite3.sqlite_version_info < _SOUND_SQLITE:
        logging.getLogger("setwright").warning(
            "SQLite %s has a fault in its log when several processes write; keep this database to one server",
            sqlite3.sqlite_version,
        )
    with opened_database(settings) as database:
        return database.write(lambda connection: open_first_account(connection, utc_now()))


def _demo(asked: argparse.Namespace) -> int:
    from rich.console import Console

    from service.demo import requests, server, story

    try:
        story.run(Console(), once=asked.once, port=asked.port)
    except (server.NotStarted, requests.RefusedRequest) as trouble:
        print(trouble, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    return 0


def _settings(_: argparse.Namespace) -> int:
    settings = _read_settings()
    if settings is None:
        return 2
    for entry in setting_lines(settings):
        print(f"{entry.variable}\n    {entry.meaning}\n    default: {entry.default}\n    now:     {entry.current}\n")
    return 0


def _read_settings() -> Settings | None:
    try:
        return read_settings()
    except InvalidSettings as error:
        print("\n".join(error.lines), file=sys.stderr)
        return None


if __name__ == "__main__":
    sys.exit(main())
