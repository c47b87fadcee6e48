"""Settings that would do harm, or nothing, are refused with their name, and an empty path is one that is left out."""

from __future__ import annotations

import pytest

from service.settings import InvalidSettings, Settings, read_settings

PATHS = (
    "first_token_file",
    "photos_dir",
    "spool_dir",
    "tls_cert",
    "tls_key",
    "database_password_file",
    "s3_secret_file",
)


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        # Every address of the machine would be listened on.
        ("HOST", "", "at least 1 character"),
        ("BASE_URL", "coins.example", "no address such as https://coins.example"),
        ("BASE_URL", "ftp://coins.example", "no address such as"),
        ("BASE_URL", "https://", "no address such as"),
        ("BASE_URL", "https://coins.example/?a=1", "no address such as"),
        ("BASE_URL", " ", "no address such as"),
        # The daily tidying would fail: there is no such day.
        *(
            (f"{name}_KEPT_DAYS", "1000000", "less than or equal to 36500")
            for name in ("PHOTOS", "ANSWERS", "SYNC", "JOBS")
        ),
        ("KEEP_DELETED", "1000000", "less than or equal to 36500"),
        # No process for work would start: the system's limit cannot say it.
        ("WORK_BYTES", str(2**63), "less than or equal to 4611686018427387904"),
        ("ANONYMOUS_WORK_BYTES", str(2**63), "less than or equal to 4611686018427387904"),
    ],
)
def test_what_would_do_harm_is_refused(name: str, value: str, message: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(f"SETWRIGHT_{name}", value)
    with pytest.raises(InvalidSettings) as refusal:
        read_settings()
    (line,) = refusal.value.lines
    assert line.startswith(f"SETWRIGHT_{name}: ")
    assert message in line


def test_an_empty_path_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in PATHS:
        monkeypatch.setenv(f"SETWRIGHT_{name.upper()}", "")
    settings = read_settings()
    assert [getattr(settings, name) for name in PATHS] == [None] * len(PATHS)


@pytest.mark.parametrize(
    "address", ["", "http://localhost:8000", "https://coins.example", "https://[2001:db8::1]:8443/coins/"]
)
def test_an_address_is_taken(address: str) -> None:
    assert Settings(base_url=address).base_url == address
