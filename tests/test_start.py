"""What a worker that has just started, and answered little, has not imported yet: what is large, and needed by few requests."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from service.database.engine import Database
from service.database.migrate import upgrade

ROOT = Path(__file__).resolve().parents[1]
# rich and pygments (8 MiB) are not among them: structlog imports them by itself.
LATER = (
    "PIL",
    "alembic",
    "babel",
    "charset_normalizer",
    "convertdate",
    "croniter",
    "httpcore",
    "httpx",
    "jinja2",
    "lark",
    "mako",
    "openpyxl",
    "ortools",
    "pandas",
    "procrastinate",
    "psycopg",
    "pyoxigraph",
    "rapidfuzz",
    "scipy",
    "segno",
)
PROGRAM = """
import asyncio, gc, json, sys
import anyio
from service.accounts.actions import open_first_account
from service.app import from_environment

app = from_environment()


async def ask(path, token):
    told = []

    async def send(message):
        told.append(message)

    async def receive():
        return {"type": "http.disconnect"}

    headers = [(b"authorization", f"Bearer {token}".encode())]
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET", "scheme": "http", "path": path,
        "raw_path": path.encode(), "query_string": b"", "root_path": "", "headers": headers, "client": None, "server": None,
    }
    await app(scope, receive, send)
    return told[0]["status"]


async def main():
    async with app.router.lifespan_context(app):
        context = app.state
        token = context.database.write(lambda connection: open_first_account(connection, context.clock()))
        statuses = [await ask(path, token) for path in ("/health/ready", "/v1/account", "/v1/definitions", "/v1/holdings")]
        print(json.dumps({"statuses": statuses, "modules": sorted(sys.modules), "frozen": gc.get_freeze_count()}))


anyio.run(main)
"""


def test_what_few_requests_need_is_imported_when_it_is_needed(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'start.sqlite3'}"
    database = Database(url)
    upgrade(database)
    database.close()
    environment = {**os.environ, "SETWRIGHT_DATABASE_URL": url}
    command = [sys.executable, "-c", PROGRAM]
    run = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False, timeout=120)
    assert run.returncode == 0, run.stderr
    told = json.loads(run.stdout)
    assert told["statuses"] == [200, 200, 200, 200]
    modules = {name.partition(".")[0] for name in told["modules"]}
    assert {"fastapi", "numpy", "service", "sqlalchemy"} <= modules
    assert sorted(modules & set(LATER)) == []
    # What is there from the start is no longer looked through for garbage.
    assert told["frozen"] > 100_000
