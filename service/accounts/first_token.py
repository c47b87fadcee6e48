"""The file that the token of the first account is written to when nobody sits at a terminal: logs are kept, sent on and read by
many, so that no secret is printed into one."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from service.accounts.model import TOKEN_PREFIX
from service.blobs.folder import bring_to_disk


class NotWritten(Exception):
    """The token cannot be written there; the message says why. No account was made."""


def write_first_token(path: Path, token: str) -> None:
    """Writes the token to a file that its owner alone can read, durably, in place of a token from an earlier try. Raises
    NotWritten, also where the file is something else."""
    try:
        if path.exists() and not path.read_bytes().startswith(TOKEN_PREFIX.encode()):
            raise NotWritten(f"{path} is there already and holds no token")
        path.parent.mkdir(parents=True, exist_ok=True)
        coming = path.with_name(f".{path.name}.{os.getpid()}")
        with suppress(FileNotFoundError):
            coming.unlink()
        # Readable by nobody else from the moment that it is there.
        opened = os.open(coming, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(opened, "w", encoding="ascii") as file:
                file.write(f"{token}\n")
                file.flush()
                os.fsync(file.fileno())
            coming.replace(path)
        except BaseException:
            coming.unlink(missing_ok=True)
            raise
        bring_to_disk(path.parent)
    except OSError as error:
        raise NotWritten(f"{path}: {error.strerror}") from None
