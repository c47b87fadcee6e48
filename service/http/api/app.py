"""The web app: its files, as they are. They are no part of the JSON interface, and have no data but what that gives everybody."""

from __future__ import annotations

from fastapi import Request
from starlette.responses import RedirectResponse, Response

from service.http.conditional import is_known
from service.http.openapi import router
from service.http.responses import NO_STORE
from service.web.files import INDEX, files

app_files = router("", "Service")

# Scripts and styles of the app's own alone; blob: is for photos, which are fetched with the token. With Trusted Types no text
# becomes markup or a script by mistake.
APP_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; manifest-src 'self'; "
    "worker-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'"
)
_PAGE = {"Content-Security-Policy": APP_POLICY, "Referrer-Policy": "no-referrer"}


@app_files.get("/app", include_in_schema=False)
async def get_app_folder() -> Response:
    """The way to the app for those who leave the slash out."""
    return RedirectResponse("/app/", 308)


@app_files.get("/app/{path:path}", include_in_schema=False)
async def get_app_file(request: Request, path: str) -> Response:
    """A file of the web app. Every address that is no file's is one of its views: the page reads it itself."""
    file = files().get(path) or files()[INDEX]
    # The page itself has the policy, and so has the worker, which runs without it.
    headers = {**_PAGE, "ETag": f'"{file.digest[:32]}"', "Cache-Control": "no-cache"}
    if is_known(request, headers["ETag"]):
        return Response(b"", 304, headers)
    return Response(file.content, 200, headers, file.media_type)


def app_page() -> Response:
    """The page of the app at an address outside its folder that may have a secret in it, so that it is not to be stored."""
    return Response(files()[INDEX].content, 200, {**_PAGE, **NO_STORE}, files()[INDEX].media_type)
