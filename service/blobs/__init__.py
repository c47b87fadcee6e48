"""Bytes that are too large for the database: photos, and long answers of jobs."""

from __future__ import annotations

from service.blobs.folder import FolderStore
from service.blobs.s3 import S3Store
from service.blobs.store import BlobStore
from service.settings import Settings

# Where they lie among the photos. No account is called so.
_JOB_FILES = ".answers"


def blob_store_of(settings: Settings) -> BlobStore:
    """The store of photos that the settings name. Nothing is opened or made before something is put there."""
    return _store(settings)


def job_files_of(settings: Settings) -> BlobStore:
    """The store of answers of jobs, beside the photos: one that whoever does jobs and whoever is asked for them share."""
    return _store(settings, _JOB_FILES)


def _store(settings: Settings, within: str = "") -> BlobStore:
    if settings.s3_endpoint:
        return S3Store(
            settings.s3_endpoint,
            settings.s3_bucket,
            settings.s3_key,
            settings.s3_secret.get_secret_value(),
            settings.s3_region,
            prefix=f"{within}/" if within else "",
        )
    return FolderStore(settings.photos_folder / within)
