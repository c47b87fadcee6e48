"""The service's OpenAPI document, for tests.

`python -m tests.openapi` renews the committed document after an intended change of the interface.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
from jsonschema_rs import Draft202012Validator
from pydantic import SecretStr

from service.app import create_app
from service.http import openapi
from service.settings import Settings

COMMITTED = Path(__file__).parent / "http" / "openapi.json"


@cache
def _encoded() -> bytes:
    app = create_app(
        Settings(database_url=SecretStr("sqlite:////nowhere/at-all.sqlite3"), base_url="http://setwright.test")
    )
    # The version of the program changes with every release; the interface does not.
    app.version = "0"
    return msgspec.json.encode(openapi.document(app))


def openapi_document() -> dict[str, Any]:
    """The document of the service as it is now; a copy of its own for each caller."""
    document: dict[str, Any] = msgspec.json.decode(_encoded())
    return document


def operations() -> Iterator[tuple[str, str, dict[str, Any]]]:
    """(method, path, what is declared) of every operation. Tests are made of them, so they are read from the committed document;
    one test compares it with the service's."""
    document = msgspec.json.decode(COMMITTED.read_bytes())
    for path, methods in document["paths"].items():
        for method, declared in methods.items():
            yield method, path, declared


def validator(document: dict[str, Any], schema: dict[str, Any]) -> Draft202012Validator:
    """A validator of one schema, whose references lead into the document."""
    return Draft202012Validator({**schema, "components": document["components"]})


def closed(document: dict[str, Any]) -> dict[str, Any]:
    """The document with every schema of an answer closed: objects have no members but those that are declared."""
    schemas = document["components"]["schemas"]
    # Those of requests are closed already; they and answers declared by hand come from pydantic, which gives each a title.
    shut = {name: schema if "title" in schema else _shut(schema) for name, schema in schemas.items()}
    return {**document, "components": {**document["components"], "schemas": shut}}


def _shut(schema: Any) -> Any:
    if isinstance(schema, list):
        return [_shut(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    found = {name: _shut(part) for name, part in schema.items()}
    if isinstance(schema.get("properties"), dict) and schema.get("type", "object") == "object":
        found.setdefault("additionalProperties", False)
    return found


def formatted() -> bytes:
    """The document as it is committed."""
    return msgspec.json.format(_encoded(), indent=1) + b"\n"


if __name__ == "__main__":
    COMMITTED.write_bytes(formatted())
    print(f"written: {COMMITTED}")
