"""Files and folders that appear under their names only when they are whole, and never replace anything."""

from __future__ import annotations

import os
import shutil
import tarfile
import uuid
from pathlib import Path

from service.backup.manifest import FILE, BackupFailed, is_part_name
from service.blobs.folder import bring_to_disk

TAR = ".tar"


def beside(target: Path, what: str) -> Path:
    """A name that nothing has yet, in the same folder, so that it can be renamed."""
    return target.with_name(f"{target.name}.{what}-{uuid.uuid4().hex[:8]}")


def to_disk(path: Path) -> None:
    """Makes a file's bytes durable."""
    with path.open("rb") as file:
        os.fsync(file.fileno())


def place(made: Path, target: Path) -> None:
    """Gives a whole file or folder its name. Raises BackupFailed when something has that name by now."""
    try:
        if made.is_dir():
            if target.exists():
                raise FileExistsError
            # Onto a folder with something in it, or a file, this fails by itself.
            made.rename(target)
        else:
            _link(made, target)
    except (FileExistsError, NotADirectoryError):
        raise BackupFailed(f"{target} exists by now and is not overwritten; choose another name") from None
    bring_to_disk(target.parent)


def _link(made: Path, target: Path) -> None:
    # A rename would overwrite; a second name for the same file does not.
    try:
        target.hardlink_to(made)
    except FileExistsError:
        raise
    except OSError:
        # File systems without such names.
        if target.exists():
            raise FileExistsError from None
        made.rename(target)
    else:
        made.unlink()


def pack(folder: Path, file: Path) -> None:
    """Packs a folder into a tar that only its owner may read."""
    file.touch(0o600, exist_ok=False)
    with tarfile.open(file, "w") as tar:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                tar.add(path, path.relative_to(folder).as_posix(), recursive=False)
    to_disk(file)


def unpack(file: Path, folder: Path) -> None:
    """Unpacks what a backup may have in it, and nothing else. Raises BackupFailed."""
    try:
        with tarfile.open(file, "r:") as tar:
            for member in tar:
                content = tar.extractfile(member) if member.isreg() else None
                if content is None or not (member.name == FILE or is_part_name(member.name)):
                    raise BackupFailed(f"{file.name} has something in it that no backup has")
                path = folder / member.name
                path.parent.mkdir(parents=True, exist_ok=True)
                with path.open("xb") as written:
                    shutil.copyfileobj(content, written)
    except (tarfile.TarError, EOFError) as error:
        raise BackupFailed(f"{file.name} cannot be read as a tar ({error}); use another backup") from None
    except FileExistsError:
        raise BackupFailed(f"{file.name} has the same part twice; use another backup") from None
