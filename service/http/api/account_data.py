"""The account as a whole: a new password when the old one is lost, everything in one file, and its end."""

from __future__ import annotations

from typing import IO, Annotated

from fastapi import Request
from pydantic import Field, StringConstraints
from starlette.datastructures import Headers
from starlette.responses import Response

from service.account_data import deletion
from service.account_data.export import cost_of_export, write_export
from service.accounts import recovery
from service.accounts.confirmation import confirm
from service.http.api.account import NewPassword
from service.http.dependencies import AccountCaller, ClientAddress, Context, Json
from service.http.elsewhere import FileAnswer, Work, answer_file
from service.http.openapi import problems, router
from service.http.responses import NO_STORE, Sends
from service.http.wire import In, Secret, Text

account_data = router("/v1/account", "Account")

ZIP = "application/zip"
_EXPORT_HEADERS = {"Content-Disposition": "A name for the file."}
AnyAccountName = Annotated[Text, StringConstraints(min_length=1, max_length=100)]


class PasswordResetIn(In):
    """A one-time text from the operator of the server, and a new password."""

    name: AnyAccountName = Field(description="The account's.")
    reset: Secret = Field(description="What `setwright reset-password NAME` printed; good once, for a day.")
    password: NewPassword


class AccountDeletionIn(In):
    """That it is meant."""

    name: AnyAccountName = Field(description="The account's own name, typed.")
    password: Secret | None = Field(None, description="Needed when the account has one.")


@account_data.get("/export", responses=problems("busy", "not-ready", "storage-full"))
async def export_account(
    request: Request, context: Context, caller: AccountCaller, work: Work
) -> Annotated[Response, Sends(headers=_EXPORT_HEADERS, media=(ZIP,))]:
    """Everything that the account keeps, as one ZIP file, readable without this program: coins, definitions, photos, all else.

    `README.txt` in it says what is where, `manifest.json` the SHA-256 of each file and what was left out."""

    await work.weigh(await context.read(lambda connection: cost_of_export(connection, caller.owner)))

    def write() -> IO[bytes]:
        file = answer_file(request)
        try:
            write_export(context.database, context.blobs, caller.owner, file, context.now())
        except BaseException:
            file.close()
            raise
        return file

    file = await context.export_limiter.run(write)
    headers = {
        **NO_STORE,
        "Content-Disposition": f'attachment; filename="setwright-account-{context.today()}.zip"',
        "Content-Length": str(file.tell()),
    }
    return FileAnswer(200, tuple(Headers({**headers, "Content-Type": ZIP}).raw), file)


@account_data.post(
    "/password-resets", responses=problems("wrong-credentials", "too-many-attempts", "not-ready", "busy")
)
async def reset_password(context: Context, address: ClientAddress, body: Json[PasswordResetIn]) -> None:
    """Set a new password with a one-time text from the operator; every token of an account that had another one ends."""
    reset, password = body.reset.get_secret_value(), body.password.get_secret_value()
    await recovery.reset_password(context, body.name, reset, password, address)


@account_data.delete("", responses=problems("wrong-credentials", "too-many-attempts", "clash"))
async def delete_account(context: Context, caller: AccountCaller, body: Json[AccountDeletionIn]) -> None:
    """Delete the account and everything in it, now and for good.

    Nothing is deleted (409) while a club would be left without a steward, or other accounts without an administrator."""
    password = None if body.password is None else body.password.get_secret_value()
    await confirm(context, caller, body.name, password)
    await context.run(
        lambda: deletion.delete_account(context.database, context.blobs, context.job_files, caller.owner, context.now())
    )
