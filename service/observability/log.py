"""The log: one line for each thing, as key=value or as JSON, on standard error, with secrets removed whatever is logged.

The service's own lines are rendered to bytes and written at once (structlog); lines of libraries come through `logging` and are
rendered alike. What a request binds (`bound_contextvars` of structlog: its id) stands in every line that is written for it, in
threads too.
"""

from __future__ import annotations

import logging
import re
import sys
from collections.abc import Iterable, Mapping, MutableMapping
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any
from urllib.parse import quote

import msgspec
import structlog
from structlog.contextvars import merge_contextvars
from structlog.typing import Processor, WrappedLogger

from service.accounts.model import masked

TEXT, JSON = "text", "json"
_ORDER = ("time", "level", "part", "event", "request", "trace")
# Where a request's scope has the trace that a layer outside of the log made it a part of.
TRACE = "setwright.trace"
# Of one value. A traceback of sixty places is shorter.
_LONGEST = 16_000
_DEEPEST = 5
# A secret of the settings that is shorter would be found in words that are none.
_SHORTEST_SECRET = 4
_MOST_HARMLESS, _MOST_LENGTH = 2_000, 100
_LEVELS = logging.getLevelNamesMapping()

_SECRET_KEY = re.compile(
    "password|passphrase|secret|token|authorization|cookie|credential|api_?key|private_?key|invitation|(device|user)_code"
)
# Credentials of a header, of an address, and the query of an address, in which a secret may stand under any name.
_CREDENTIALS = re.compile(r"(?i)\b(bearer|basic)\s+[^\s\"',;]+")
_IN_ADDRESS = re.compile(r"://[^/\s@]*@")
_QUERY = re.compile(r"\?[^\s\"'=?]+=[^\s\"']*")
# Signs that move the cursor, turn the direction of writing, or cannot be written. A line's end is left to the renderer.
_UNPRINTABLE = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
# What needs no quotes.
_BARE = re.compile(r"[^\s\"=\\]+")
# Whether any of these may be there at all, which is rare.
_SUSPICIOUS = re.compile(r"(?i)sw[a-z]_|bearer|basic|@|\?")


class Redaction:
    """Removes secrets from whatever is logged: the service's own texts by their prefixes, credentials in headers and addresses,
    queries of addresses, values under a name that says that they are secret, and the secrets of the settings, which it is
    told. It cannot know others: what a caller sends is not to be logged at all."""

    def __init__(self, secrets: Iterable[str] = ()) -> None:
        told = {
            form for secret in secrets if len(secret) >= _SHORTEST_SECRET for form in (secret, quote(secret, safe=""))
        }
        longest_first = sorted(told, key=len, reverse=True)
        # What was looked at and stands as it is, such as the templates of routes.
        self._harmless: set[tuple[str, str]] = set()
        self._told = re.compile("|".join(map(re.escape, longest_first))) if told else None

    def __call__(self, _: WrappedLogger, __: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        harmless = self._harmless
        for name, value in event.items():
            kind = type(value)
            if kind is int or kind is float or kind is bool or value is None:
                continue
            if kind is str and (name, value) in harmless:
                continue
            if _is_secret(name):
                event[name] = "***"
            elif kind is str:
                event[name] = shown = self.text(value)
                if shown == value and len(value) <= _MOST_LENGTH:
                    if len(harmless) >= _MOST_HARMLESS:
                        harmless.clear()
                    harmless.add((name, value))
            else:
                event[name] = self._value(value, _DEEPEST)
        return event

    def text(self, text: str) -> str:
        """The text without secrets and unprintable signs, cut where it is very long."""
        if len(text) > _LONGEST:
            text = f"{text[:_LONGEST]}... ({len(text) - _LONGEST} more)"
        if self._told is not None:
            text = self._told.sub("***", text)
        if _SUSPICIOUS.search(text):
            text = _CREDENTIALS.sub(r"\1 ***", _QUERY.sub("?***", _IN_ADDRESS.sub("://***@", masked(text))))
        return text if text.isprintable() else _UNPRINTABLE.sub(_escaped, text)

    def _value(self, value: Any, deeper: int) -> Any:
        if value is None or isinstance(value, bool | int | float):
            return value
        if isinstance(value, Mapping) and deeper:
            return {
                self.text(str(name)): "***" if _is_secret(str(name)) else self._value(inner, deeper - 1)
                for name, inner in value.items()
            }
        if isinstance(value, list | tuple | set | frozenset) and deeper:
            return [self._value(inner, deeper - 1) for inner in value]
        if isinstance(value, bytes | bytearray):
            value = value.decode("utf-8", "replace")
        return self.text(str(value))


@lru_cache(1_000)
def _is_secret(name: str) -> bool:
    return _SECRET_KEY.search(name.lower()) is not None


def _escaped(found: re.Match[str]) -> str:
    return found[0].encode("unicode_escape", "surrogatepass").decode("ascii")


# Loggers keep this list, so that they follow when the log begins, or a test listens.
_PROCESSORS: list[Processor] = []
# What writes the lines of requests; none: a logger does, as while a test listens.
_REQUEST_LINES: list[RequestLines] = []
_OUT = structlog.BytesLogger(open(2, "wb", buffering=0, closefd=False))  # noqa: SIM115
_requests = structlog.get_logger(part="requests")


def log_request(
    request: str, trace: str | None, method: str, route: str, status: int, ms: float, caller: str, sent: int
) -> None:
    """One line for a request that has ended; see `RequestLines.write`."""
    if _REQUEST_LINES:
        _REQUEST_LINES[0].write(request, trace, method, route, status, ms, caller, sent)
    else:
        names = {"request": request} if trace is None else {"request": request, "trace": trace}
        _requests.info("request", **names, method=method, route=route, status=status, ms=ms, caller=caller, bytes=sent)


def begin_log(level: str, form: str = TEXT, secrets: Iterable[str] = ()) -> None:
    """Sends the process's log to standard error, as `text` (key=value) or `json`. `secrets`: what must not stand in it,
    such as the password of the database. Every process calls it."""
    redaction = Redaction(secrets)
    _begin(level, form, redaction)
    # What no line of it shows is not looked for (Python's documentation, "Logging HOWTO", Optimization).
    logging._srcfile = None
    logging.logThreads = logging.logProcesses = logging.logMultiprocessing = False
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_of_libraries(form, redaction))
    logging.basicConfig(level=level.upper(), handlers=[handler])
    # It tells of every look at the database's version, which the readiness check takes often, and what it is made of.
    for name in ("alembic.runtime.migration", "alembic.runtime.plugins"):
        logging.getLogger(name).setLevel(logging.WARNING)
    # In detail they would tell the headers of what is fetched or sent, which may repeat a link's secret.
    for name in ("httpcore", "urllib3"):
        logging.getLogger(name).setLevel(logging.WARNING)


def _begin(level: str, form: str, redaction: Redaction) -> None:
    _PROCESSORS[:] = [_from(level), merge_contextvars, *_dated(), redaction, _renderer(form), _as_bytes]
    _REQUEST_LINES[:] = [RequestLines(level, form, redaction)]


class RequestLines:
    """The lines that tell of requests, of which there is one each: the same bytes that a logger of this part would write, at a
    quarter of its price. What is the same for many of them is put into words once."""

    def __init__(self, level: str, form: str, redaction: Redaction) -> None:
        self._is_told = _LEVELS[level.upper()] <= logging.INFO
        self._is_json, self._redaction = form == JSON, redaction
        # By method, route, status and caller.
        self._known: dict[tuple[str, str, int, str], tuple[str, str]] = {}

    def write(
        self, request: str, trace: str | None, method: str, route: str, status: int, ms: float, caller: str, sent: int
    ) -> None:
        """Tells of a request that has ended. `request`, `trace`: what it is found again by; `ms`: how many milliseconds it took;
        `sent`: the bytes of the answer's body."""
        if not self._is_told:
            return
        key = (method, route, status, caller)
        known = self._known.get(key)
        if known is None:
            known = self._fixed(*key)
            # A method may be anything.
            if len(self._known) < _MOST_HARMLESS and len(method) <= _MOST_LENGTH:
                self._known[key] = known
        time = datetime.now(UTC).isoformat().replace("+00:00", "Z")
        first, last = known
        request = self._redaction.text(request)
        trace = None if trace is None else self._redaction.text(trace)
        if self._is_json:
            names = f'"request":"{request}"' if trace is None else f'"request":"{request}","trace":"{trace}"'
            what = '"level":"info","part":"requests","event":"request"'
            line = f'{{"time":"{time}",{what},{names},{first},"ms":{ms},{last},"bytes":{sent}}}'
        else:
            names = f"request={request}" if trace is None else f"request={request} trace={trace}"
            what = "level=info part=requests event=request"
            line = f"time={time} {what} {names} {first} ms={ms} {last} bytes={sent}"
        _OUT.msg(line.encode("utf-8", "backslashreplace"))

    def _fixed(self, method: str, route: str, status: int, caller: str) -> tuple[str, str]:
        """What stands before and behind the milliseconds."""
        event = self._redaction(None, "info", {"method": method, "route": route, "status": status, "caller": caller})
        last = {"caller": event.pop("caller")}
        if self._is_json:
            first, second = (msgspec.json.encode(part).decode()[1:-1] for part in (event, last))
            return first, second
        first, second = (" ".join(f"{name}={_quoted(value)}" for name, value in part.items()) for part in (event, last))
        return first, second


def _dated() -> tuple[Processor, ...]:
    return (structlog.processors.add_log_level, structlog.processors.TimeStamper(fmt="iso", utc=True, key="time"))


def _from(level: str) -> Processor:
    least = _LEVELS[level.upper()]

    def drop_below(_: WrappedLogger, method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        if _LEVELS[method.upper()] < least:
            raise structlog.DropEvent
        return event

    return drop_below


def _renderer(form: str) -> Processor:
    if form == JSON:
        return structlog.processors.JSONRenderer(serializer=_json)
    return _text


def _text(_: WrappedLogger, __: str, event: MutableMapping[str, Any]) -> str:
    """key=value, what is always there first; structlog's own renderer takes three times as long."""
    parts = [f"{name}={_quoted(event.pop(name))}" for name in _ORDER if name in event]
    parts += [f"{name}={_quoted(value)}" for name, value in event.items()]
    return " ".join(parts)


def _quoted(value: object) -> str:
    text = str(value)
    if _BARE.fullmatch(text):
        return text
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'


def _json(event: dict[str, Any], **_: object) -> str:
    return msgspec.json.encode({name: event.pop(name) for name in _ORDER if name in event} | event).decode()


def _as_bytes(_: WrappedLogger, __: str, line: Any) -> bytes:
    return bytes(line, "utf-8", "backslashreplace")


def _of_libraries(form: str, redaction: Redaction) -> logging.Formatter:
    """Renders a record of `logging` as a line of the service's own."""
    before: list[Processor] = [merge_contextvars, *_dated(), _part, structlog.processors.format_exc_info]
    after: list[Processor] = [structlog.stdlib.ProcessorFormatter.remove_processors_meta, redaction, _renderer(form)]
    return structlog.stdlib.ProcessorFormatter(foreign_pre_chain=before, processors=after)


def _part(_: WrappedLogger, __: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    event["part"] = event["_record"].name
    return event


# Until the log begins warnings and errors are told, as `logging` does.
_begin("warning", TEXT, Redaction())
structlog.configure(
    processors=_PROCESSORS,
    wrapper_class=structlog.make_filtering_bound_logger(logging.DEBUG),
    logger_factory=lambda *_: _OUT,
    cache_logger_on_first_use=True,
)
