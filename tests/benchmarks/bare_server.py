"""`python -m tests.benchmarks.bare_server serve --port PORT FOLDER`: FastAPI with a route for each file of the folder, that sends
its bytes. What `servers.bare` starts."""

from __future__ import annotations

import argparse
from pathlib import Path

import uvicorn
from fastapi import FastAPI, Response

# As the service does: a bare route is not to be slowed by what it does not need.
SILENT = dict.fromkeys(("tracing", "metrics", "logs", "operation_spans", "auto_configure"), False)


def a_route(app: FastAPI, name: str, body: bytes, status: int, kind: str | None) -> None:
    @app.get(f"/{name}")
    async def answer() -> Response:
        return Response(body, status, media_type=kind)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("command", choices=["serve"])
    parser.add_argument("--port", type=int)
    parser.add_argument("folder", type=Path)
    asked = parser.parse_args()
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None, telemetry=SILENT)  # type: ignore[arg-type]
    for file in sorted(asked.folder.glob("*.type")):
        status, _, kind = file.read_text().partition(" ")
        a_route(app, file.stem, file.with_suffix("").read_bytes(), int(status), kind or None)
    a_route(app, "health/ready", b"", 200, None)
    uvicorn.run(app, port=asked.port, access_log=False, log_config=None, server_header=False, proxy_headers=False)


if __name__ == "__main__":
    main()
