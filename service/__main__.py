"""The command `setwright`."""

from __future__ import annotations

import json
import os
import socket
import sqlite3
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from datetime import date
from enum import StrEnum
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, NoReturn

import msgspec
import structlog
import typer
import uvicorn

from service.accounts.actions import FIRST_NAME, open_first_account
from service.accounts.first_token import NotWritten, write_first_token
from service.accounts.recovery import make_reset, page_address
from service.database.engine import SOUND_SQLITE
from service.errors import Invalid, SetwrightError
from service.holdings.sync.verify import all_differences
from service.http.responses import encode
from service.observability.log import begin_log
from service.observability.metrics import shared_folder
from service.offline.check import as_github, as_json, as_text, check_file, has_errors
from service.progress import on_paper
from service.progress.evaluate import EvaluationRequest, evaluate
from service.progress.explain import explain, explanation_text
from service.progress.result import Evaluation
from service.rules.document import document_schema
from service.runtime import opened, opened_database, utc_now
from service.settings import PREFIX, InvalidSettings, Settings, read_settings, setting_lines
from service.worker import maintain

GRACE_SECONDS = 20
# Open files of a process besides its connections.
_OTHER_FILES = 200
# So long a worker process may take to start, or to answer the one that watches it: after 5 s, as uvicorn has it, a busy machine
# kills workers before they have started, again and again.
WORKER_PATIENCE_SECONDS = 60


app = typer.Typer(
    name="setwright",
    help="Set definitions for coin collectors.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class CheckFormat(StrEnum):
    """How findings are written."""

    TEXT = "text"
    JSON = "json"
    GITHUB = "github"


class EvaluationFormat(StrEnum):
    """How an evaluation is written."""

    TEXT = "text"
    JSON = "json"
    HTML = "html"
    CSV = "csv"


class ExplanationFormat(StrEnum):
    """How an explanation is written."""

    TEXT = "text"
    JSON = "json"


SetFile = Annotated[Path, typer.Argument(metavar="SET", help="A definition in YAML or JSON.")]
CoinsFile = Annotated[Path, typer.Argument(metavar="COINS", help="Coins as CSV, XLSX, ODS or JSON.")]
AccountNamed = Annotated[str, typer.Argument(metavar="NAME", help="The account's name.")]
Today = Annotated[str | None, typer.Option("--today", help="The day to evaluate for, YYYY-MM-DD.")]


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command; the answer is the exit status."""
    try:
        app(args=None if arguments is None else list(arguments), prog_name="setwright")
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(end.code is not None)
    return 0


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"setwright {version('setwright')}")
        raise typer.Exit


@app.callback()
def _every_command(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and end.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """Set definitions for coin collectors."""


@app.command("serve")
def _serve_command(
    host: Annotated[str | None, typer.Option(help="The address to listen on.")] = None,
    port: Annotated[int | None, typer.Option(help="The port to listen on.")] = None,
    workers: Annotated[int | None, typer.Option(help="Processes; more than one needs PostgreSQL.")] = None,
    tls_cert: Annotated[
        Path | None, typer.Option(help="Serve HTTPS with this certificate (PEM, with its chain).")
    ] = None,
    tls_key: Annotated[Path | None, typer.Option(help="The certificate's private key (PEM).")] = None,
) -> None:
    """Start the server."""
    asked = {"host": host, "port": port, "workers": workers, "tls_cert": tls_cert, "tls_key": tls_key}
    raise typer.Exit(_serve(asked))


@app.command("worker")
def _worker_command() -> None:
    """Do jobs and what is done from time to time, beside servers of the same PostgreSQL database."""
    raise typer.Exit(_worker())


@app.command("demo")
def _demo_command(
    once: Annotated[bool, typer.Option("--once", help="End after printing.")] = False,
    port: Annotated[int | None, typer.Option(help="The port to listen on; left out: a free one.")] = None,
) -> None:
    """Show what the service does, on a temporary database."""
    raise typer.Exit(_demo(once=once, port=port))


@app.command("settings")
def _settings_command() -> None:
    """List every setting, its meaning, default and current value."""
    raise typer.Exit(_settings())


@app.command("verify")
def _verify_command() -> None:
    """Rebuild every holding from the log of mutations and compare."""
    raise typer.Exit(_verify())


@app.command("backup")
def _backup_command(
    target: Annotated[Path, typer.Argument(metavar="FILE-OR-FOLDER", help="A new folder; or a new file FILE.tar.")],
) -> None:
    """Back up the database, and photos kept in a folder, also while a server runs."""
    raise typer.Exit(_backup(target))


@app.command("restore")
def _restore_command(
    source: Annotated[Path, typer.Argument(metavar="FILE-OR-FOLDER", help="What `setwright backup` made.")],
    force: Annotated[
        str | None,
        typer.Option("--force", metavar="NAME", help="Replace the database of this name, though it is not empty."),
    ] = None,
) -> None:
    """Restore a backup into an empty database, migrate it and verify it. Stop the server first."""
    raise typer.Exit(_restore(source, force))


@app.command("doctor")
def _doctor_command() -> None:
    """Look for what is wrong with this installation. Exits with 1 when something must be done."""
    raise typer.Exit(_doctor())


@app.command("partition")
def _partition_command(
    partitions: Annotated[int, typer.Argument(metavar="N", help="How many; they are never fewer or more later.")],
) -> None:
    """Put the tables of an existing PostgreSQL database into N partitions by owner. Stop the server first."""
    raise typer.Exit(_partition(partitions))


@app.command("export-account")
def _export_account_command(
    name: AccountNamed,
    target: Annotated[Path, typer.Argument(metavar="FILE.zip", help="A new file.")],
) -> None:
    """Write everything that an account keeps into one ZIP file, readable without this program."""
    raise typer.Exit(_export_account(name, target))


@app.command("reset-password")
def _reset_password_command(name: AccountNamed) -> None:
    """Print a one-time text with which an account's owner sets a new password."""
    raise typer.Exit(_reset_password(name))


@app.command("delete-account")
def _delete_account_command(
    name: AccountNamed,
    administrator: Annotated[
        str | None,
        typer.Option("--administrator", metavar="OTHER", help="The account that may invite others in its place."),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask for the name again.")] = False,
) -> None:
    """Delete an account and everything in it, for good."""
    raise typer.Exit(_delete_account(name, administrator, yes=yes))


@app.command("tidy")
def _tidy_command() -> None:
    """Remove what is no longer needed, as a server does daily."""
    raise typer.Exit(_tidy())


@app.command("check")
def _check_command(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Definitions in YAML or JSON.")],
    form: Annotated[CheckFormat, typer.Option("--format", help="How findings are written.")] = CheckFormat.TEXT,
) -> None:
    """Check definitions in files, without a server. Exits with 1 when there is an error."""
    day = utc_now().date()
    found = [finding for path in files for finding in check_file(path, day)]
    writers = {CheckFormat.TEXT: as_text, CheckFormat.JSON: as_json, CheckFormat.GITHUB: as_github}
    typer.echo(writers[form](found), nl=False)
    raise typer.Exit(1 if has_errors(found) else 0)


@app.command("schema")
def _schema_command() -> None:
    """Print the JSON Schema of a set definition, for editors."""
    typer.echo(json.dumps(document_schema(), indent=2, ensure_ascii=False))


@app.command("evaluate")
def _evaluate_command(
    definition: SetFile,
    coins: CoinsFile,
    form: Annotated[EvaluationFormat, typer.Option("--format", help="How it is written.")] = EvaluationFormat.TEXT,
    today: Today = None,
) -> None:
    """Evaluate the coins of a file against a set, without a server. Exits with 1 when a file has an error."""
    with _request(definition, coins, today) as request, _at_work("Evaluating"):
        result = evaluate(request)
    title = request.definition.title
    if form is EvaluationFormat.JSON:
        typer.echo(msgspec.json.format(encode(result)))
    elif form is EvaluationFormat.CSV:
        typer.echo(on_paper.evaluation_csv(result), nl=False)
    elif form is EvaluationFormat.HTML:
        typer.echo(
            on_paper.evaluation_html(title, result, str(request.definition.document.get("language", "en"))), nl=False
        )
    else:
        _print_evaluation(title, result)


@app.command("explain")
def _explain_command(
    definition: SetFile,
    coins: CoinsFile,
    coin: Annotated[str, typer.Option("--coin", help="The coin's number, or its id.")],
    place: Annotated[str | None, typer.Option("--place", help="The address of a place; left out: all.")] = None,
    form: Annotated[ExplanationFormat, typer.Option("--format", help="How it is written.")] = ExplanationFormat.TEXT,
    today: Today = None,
) -> None:
    """Say why a coin of a file fits the closest places of a set, or not. Exits with 1 when there is an error."""
    from service.offline import evaluate as offline

    with _request(definition, coins, today) as request, _at_work("Explaining"):
        answer = explain(request, offline.find_coin(coins, request.holdings, coin), place)
    if form is ExplanationFormat.JSON:
        typer.echo(msgspec.json.format(encode(answer)))
    else:
        typer.echo(explanation_text(answer), nl=False)


def _day(text: str | None) -> date:
    if text is None:
        return utc_now().date()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"'{text[:40]}' is no day; write YYYY-MM-DD", param_hint="--today") from None


@contextmanager
def _request(definition: Path, coins: Path, today: str | None) -> Iterator[EvaluationRequest]:
    """The set and the coins of two files. What is wrong with these, or found wrong with them in use, is told, and the command
    ends with 1."""
    # It reads sheets, which takes a fifth of a second to import: other commands do without.
    from service.offline import evaluate as offline

    day = _day(today)
    try:
        read = offline.read_set(definition)
        held = offline.read_coins(coins, read)
        _tell(held.notes)
        yield offline.request_of(read, held, day)
    except offline.BadFile as bad:
        _end(bad.lines)
    except Invalid as refusal:
        # What the files say together: holdings are of the coins, all else is about the set.
        _end(
            [
                offline.fault_line(coins if fault.pointer.startswith("/holdings") else definition, fault)
                for fault in refusal.faults
            ]
        )
    except SetwrightError as error:
        _end([f"error: {error}"])


def _tell(lines: Sequence[str]) -> None:
    for line in lines:
        typer.echo(line, err=True)


def _end(lines: Sequence[str]) -> NoReturn:
    _tell(lines)
    raise typer.Exit(1)


@contextmanager
def _at_work(doing: str) -> Iterator[None]:
    """A bar on a terminal while something takes its time; how far it is cannot be known."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        progress.add_task(doing, total=None)
        yield


def _print_evaluation(title: str, result: Evaluation) -> None:
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    console = Console(highlight=False)
    if not console.is_terminal:
        # In a pipe there is no width to keep to: a row is a line.
        console = Console(highlight=False, width=400)
    console.print(title, style="bold", markup=False)
    console.print(on_paper.headline(result), markup=False)
    table = Table(show_edge=False, pad_edge=False, header_style="bold")
    for heading in ("Place", "Status", "Coin", "", "Certainty", "Next best"):
        table.add_column(heading)
    names = ("label", "status", "coin", "title", "certainty", "next_best")
    for row in on_paper.place_rows(result):
        table.add_row(*(escape(row[name]) for name in names))
    console.print(table)
    for line in on_paper.remarks(result):
        console.print(line, markup=False, soft_wrap=True)


def _verify() -> int:
    settings = _read_settings()
    if settings is None:
        return 2
    with _looking_after("Verifying", settings), opened_database(settings) as database:
        accounts, found = all_differences(database)
    return _tell_verified(accounts, found)


def _tell_verified(accounts: int, found: Sequence[str]) -> int:
    print("".join(f"{line}\n" for line in found), end="")
    print(f"{accounts} accounts looked at, {len(found)} differences.")
    return 1 if found else 0


@contextmanager
def _failing(doing: str, settings: Settings) -> Iterator[None]:
    """What goes wrong is told, and the command ends with 1."""
    from sqlalchemy.exc import DBAPIError

    from service.backup.manifest import BackupFailed

    try:
        yield
    except (typer.Exit, typer.Abort):
        # They are RuntimeErrors, and what they mean was told.
        raise
    except (BackupFailed, SetwrightError, RuntimeError) as error:
        _end([f"{doing} failed: {error}"])
    except OSError as error:
        told = ": ".join(str(part) for part in (error.strerror or error, error.filename) if part is not None)
        _end([f"{doing} failed: {told}"])
    except DBAPIError as error:
        # Without the driver's own words, which may repeat what is in a row.
        shown, kind = settings.database.render_as_string(hide_password=True), type(error.orig).__name__
        _end([f"{doing} failed: the database {shown} cannot be used ({kind}); try `setwright doctor`"])


@contextmanager
def _looking_after(doing: str, settings: Settings) -> Iterator[None]:
    """The same for commands that need a database that is there: none is made under a mistaken address."""
    from service.database.migrate import must_be_there

    with _failing(doing, settings):
        must_be_there(settings.database)
        yield


def _backup(target: Path) -> int:
    from service.backup.take import take

    settings = _read_settings()
    if settings is None:
        return 2
    with _failing("Backup", settings):
        made = take(settings, target, utc_now())
    images = len(made.parts) - 1
    print(
        f"Backed up to {target}: {sum(made.counts.values())} rows of {len(made.counts)} tables, {images} images of photos."
    )
    if made.photos == "bucket":
        print(
            "Photos are in an S3 bucket and not in this backup: back the bucket up by its own means (versions, replication)."
        )
    if made.missing:
        print(
            f"{len(made.missing)} images were not there: removed meanwhile, or lost. manifest.json lists them.",
            file=sys.stderr,
        )
    return 0


def _restore(source: Path, force: str | None) -> int:
    from service.backup.restore import restore

    settings = _read_settings()
    if settings is None:
        return 2
    with _failing("Restore", settings):
        done = restore(settings, source, utc_now(), force)
    told = done.manifest
    print(
        f"Restored the backup of {told.taken_at:%Y-%m-%d %H:%M} UTC: {sum(told.counts.values())} rows, {done.images} images."
    )
    if done.aside is not None:
        print(f"What was there before is kept as {done.aside}. Delete it when you no longer need it.")
    if told.photos == "bucket":
        print("The photos of this backup were in an S3 bucket; restore the bucket by its own means.")
    status = _tell_verified(done.accounts, done.differences)
    if done.missing:
        print(f"{done.missing} images of photos are missing.", file=sys.stderr)
    return status


def _export_account(name: str, target: Path) -> int:
    from service.account_data import deletion
    from service.account_data.export import write_new_file

    settings = _read_settings()
    if settings is None:
        return 2
    with _looking_after("The export", settings), opened(settings) as context:
        found = deletion.named(context.database, name)
        if found is None:
            _end([f"There is no account named '{name}'."])
        written = write_new_file(context.database, context.blobs, found.owner, target, utc_now())
    print(f"Exported the account '{found.name}' to {target}: {written} bytes.")
    return 0


def _reset_password(name: str) -> int:
    from service.accounts.recovery import LIFETIME

    settings = _read_settings()
    if settings is None:
        return 2
    with _looking_after("The reset", settings), opened_database(settings) as database:
        text = database.write(lambda connection: make_reset(connection, name, utc_now()))
    hours = int(LIFETIME.total_seconds()) // 3600
    print(
        f"A one-time text for the account '{name}', good for {hours} hours. It is shown this once; hand it to the owner "
        f"alone:\n\n    {text}\n\nThe owner opens {page_address(settings.public_url, name, text)} "
        "and sets a new password there, or sends the text with the name and a new password to "
        f"POST {settings.public_url}/v1/account/password-resets. If the account had a password before, its tokens and devices "
        "end then, and not before."
    )
    return 0


def _delete_account(name: str, administrator: str | None, *, yes: bool) -> int:
    from service.account_data import deletion

    settings = _read_settings()
    if settings is None:
        return 2
    with _looking_after("The deletion", settings), opened(settings) as context:
        found = deletion.named(context.database, name)
        if found is None:
            _end([f"There is no account named '{name}'."])
        if not yes and typer.prompt(f"Everything in '{found.name}' is deleted for good. Type its name") != found.name:
            _end(["That is another name; nothing was deleted."])
        deletion.delete_account(
            context.database,
            context.blobs,
            context.job_files,
            found.owner,
            utc_now(),
            administrator=administrator,
        )
    print(f"Deleted the account '{found.name}'. Backups that were made before still have it.")
    return 0


def _doctor() -> int:
    from service.doctor import Kind, examine

    settings = _read_settings()
    if settings is None:
        return 1
    lines = []
    for line in examine(settings, utc_now()):
        print(line)
        lines.append(line)
    return 1 if any(line.kind is Kind.FIX for line in lines) else 0


def _partition(partitions: int) -> int:
    from service.database.engine import Database
    from service.database.migrate import partition

    settings = _read_settings()
    if settings is None:
        return 2
    database = Database(settings.database)
    try:
        with _failing("Partitioning", settings):
            rows = partition(database, partitions)
    finally:
        database.close()
    for name, number in rows.items():
        print(f"{name}: {number} rows")
    print(f"{sum(rows.values())} rows of {len(rows)} tables are in {partitions} partitions each.")
    return 0


def _tidy() -> int:
    settings = _read_settings()
    if settings is None:
        return 2
    with _looking_after("Tidying", settings), opened(settings) as context:
        removed = maintain(context)
    print(
        f"Removed: {removed.photos} photos that nothing named, {removed.answers} remembered answers, {removed.mutations} entries "
        f"of logs of sync, what was recorded of {removed.holdings} deleted holdings, {removed.jobs} jobs that are over, "
        f"{removed.job_files} files of answers."
    )
    return 0


def _worker() -> int:
    settings = _read_settings()
    if settings is None:
        return 2
    if settings.is_sqlite:
        print("A worker needs PostgreSQL. On SQLite the server does its jobs itself.", file=sys.stderr)
        return 2
    # It brings much along that other commands do without.
    from service.job_worker import metrics_listener, work_until_told
    from service.memory import settle_memory

    settle_memory()
    begin_log(settings.log_level, settings.log_format, settings.secrets)
    try:
        listener = metrics_listener(settings)
    except OSError as error:
        where = f"SETWRIGHT_HOST {settings.host}, SETWRIGHT_WORKER_METRICS_PORT {settings.worker_metrics_port}"
        print(
            f"The metrics cannot be told at {where}: {error.strerror}. Each worker of a machine needs a port of its own.",
            file=sys.stderr,
        )
        return 2
    with ExitStack() as stack:
        stack.enter_context(shared_folder(1))
        # What goes wrong later, at work, is a fault of the program, or is in its log.
        with _failing("The start", settings):
            context = stack.enter_context(opened(settings))
        work_until_told(context, listener)
    return 0


def _serve(asked: Mapping[str, str | int | Path | None]) -> int:
    # Worker processes read the environment, so what the command line says is put there.
    for name, value in asked.items():
        if value is not None:
            os.environ[PREFIX + name.upper()] = str(value)
    settings = _read_settings()
    if settings is None:
        return 2
    if settings.is_sqlite and settings.workers > 1:
        print("SQLite is served by one process: use --workers 1, or PostgreSQL for more.", file=sys.stderr)
        return 2
    if settings.is_sqlite and settings.partitions:
        print("SQLite has no partitions: leave SETWRIGHT_PARTITIONS out, or use PostgreSQL.", file=sys.stderr)
        return 2
    if settings.sends_traces and not _can_send_traces():
        print(
            "Traces need more packages: pip install 'setwright[telemetry]', or unset SETWRIGHT_TRACES_ENDPOINT and "
            "OTEL_EXPORTER_OTLP_ENDPOINT.",
            file=sys.stderr,
        )
        return 2
    if settings.tls_cert is not None and (trouble := _trouble_with_tls(settings)) is not None:
        print(trouble, file=sys.stderr)
        return 2
    if (trouble := _trouble_with_address(settings)) is not None:
        print(trouble, file=sys.stderr)
        return 2
    begin_log(settings.log_level, settings.log_format, settings.secrets)
    try:
        with _failing("The start", settings):
            _make_first_account(settings)
    except NotWritten as error:
        print(
            f"The first account's token cannot be written: {error}. Set SETWRIGHT_FIRST_TOKEN_FILE, or start the server in a "
            "terminal once. No account was made.",
            file=sys.stderr,
        )
        return 2
    # It brings the framework along, which other commands need not wait for.
    from service.http.connections import serving_options

    _allow_files(settings.connections_at_once + _OTHER_FILES)
    print(f"Setwright listens on {settings.public_url}", flush=True)
    with shared_folder(settings.workers):
        uvicorn.run(
            "service.app:from_environment",
            factory=True,
            host=settings.host,
            port=settings.port,
            workers=settings.workers,
            timeout_graceful_shutdown=GRACE_SECONDS,
            timeout_worker_healthcheck=WORKER_PATIENCE_SECONDS,
            ssl_certfile=settings.tls_cert,
            ssl_keyfile=settings.tls_key,
            **serving_options(settings),
        )
    return 0


def _trouble_with_tls(settings: Settings) -> str | None:
    """What keeps the certificate and the key from being used; None if nothing does."""
    import ssl

    assert settings.tls_cert is not None
    try:
        # A key with a passphrase would have the server wait at a terminal.
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(settings.tls_cert, settings.tls_key, password="")
    except (OSError, ValueError) as error:
        return (
            f"HTTPS cannot be served with {settings.tls_cert} and {settings.tls_key}: {error}. Both are PEM files, the key is of "
            "that certificate and has no passphrase."
        )
    return None


def _trouble_with_address(settings: Settings) -> str | None:
    """What keeps the address from being listened on; None if nothing does. It is looked at before an account is made and before
    anything is said to listen."""
    try:
        found = socket.getaddrinfo(settings.host, settings.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        for family, _, _, _, address in found:
            # A machine without IPv6 still has a name for its own address of that kind.
            if family is socket.AF_INET6 and len(found) > 1 and not socket.has_dualstack_ipv6():
                continue
            with socket.socket(family, socket.SOCK_STREAM) as listener:
                if os.name == "posix":
                    # As the server's own: connections of one that has just ended are in nobody's way.
                    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                if family is socket.AF_INET6:
                    listener.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
                listener.bind(address)
    except OSError as error:
        return (
            f"The server cannot listen at {settings.host}, port {settings.port}: {error.strerror}. Choose others with --host and "
            "--port, or SETWRIGHT_HOST and SETWRIGHT_PORT."
        )
    return None


def _can_send_traces() -> bool:
    try:
        import service.observability.tracing  # noqa: F401
    except ImportError:
        return False
    return True


def _allow_files(count: int) -> None:
    """Lets this process, and those that it starts, have so many open files, as far as the system allows it to say so."""
    try:
        import resource
    except ImportError:
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    unlimited = resource.RLIM_INFINITY
    if soft == unlimited or soft >= count:
        return
    allowed = count if hard == unlimited else min(count, hard)
    resource.setrlimit(resource.RLIMIT_NOFILE, (allowed, hard))
    if allowed < count:
        structlog.get_logger(part="start").warning(
            "too few open files are allowed for CONNECTIONS_AT_ONCE; raise the limit (ulimit -n)", allowed=allowed
        )


def _make_first_account(settings: Settings) -> None:
    """Migrates the database, and makes an account if there is none. Its token is shown on a terminal; anywhere else, where what
    is printed is kept as a log, it goes into a file."""
    if settings.is_sqlite and sqlite3.sqlite_version_info < SOUND_SQLITE:
        structlog.get_logger(part="database").warning(
            "this SQLite has a fault in its log when several processes write; keep this database to one server",
            version=sqlite3.sqlite_version,
        )
    at_terminal, path = sys.stdout.isatty(), settings.first_token_path

    def keep(token: str) -> None:
        if not at_terminal:
            write_first_token(path, token)

    with opened_database(settings) as database:
        token = database.write(lambda connection: open_first_account(connection, utc_now(), keep))
        text = None
        if token is not None and at_terminal:
            text = database.write(lambda connection: make_reset(connection, FIRST_NAME, utc_now()))
    if token is not None and text is not None:
        print(f"A new account was made. Its token is shown this once, keep it:\n\n    {token}\n")
        print(
            "For the web app open this address, which is good once and for a day, and set a password:\n\n"
            f"    {page_address(settings.public_url, FIRST_NAME, text)}\n",
            flush=True,
        )
    elif token is not None:
        print(
            f"A new account was made. Its token is in {path}, which only this user can read: keep it, and delete the file.\n"
            f"For the web app set a password: `setwright reset-password {FIRST_NAME}` prints an address where you do.",
            flush=True,
        )


def _demo(*, once: bool, port: int | None) -> int:
    from rich.console import Console

    from service.demo import requests, server, story

    try:
        story.run(Console(), once=once, port=port)
    except (server.NotStarted, requests.RefusedRequest) as trouble:
        print(trouble, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    return 0


def _settings() -> int:
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
