"""Bytes that are too large for the database: photos."""

from __future__ import annotations

from service.blobs.folder import FolderStore
from service.blobs.s3 import S3Store
from service.blobs.store import BlobStore
from service.settings import Settings


def blob_store_of(settings: Settings) -> BlobStore:
    """The store that the settings name. Nothing is opened or made before something is put there."""
    if settings.s3_endpoint:
        return S3Store(
            settings.s3_endpoint,
            settings.s3_bucket,
            settings.s3_key,
            settings.s3_secret.get_secret_value(),
            settings.s3_region,
        )
    return FolderStore(settings.photos_folder)
