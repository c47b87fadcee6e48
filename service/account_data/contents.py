"""Which tables have something of an account, and what of each an export has. A test compares this with the schema: a table with
an `owner_id` is exported, or left out for a reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from sqlalchemy import Column, Table

from service.schema import metadata

ACCOUNT = "account"
OWNER = "owner_id"


@dataclass(frozen=True, slots=True)
class Exported:
    """How the rows of a table are exported: what they are, and the columns that are left out. `masked` are columns in which
    secrets of links are replaced by dots."""

    meaning: str
    without: frozenset[str] = field(default_factory=frozenset)
    masked: frozenset[str] = field(default_factory=frozenset)


_DIGEST = frozenset({"digest"})
_ADDRESS = frozenset({"address"})

EXPORTED: Mapping[str, Exported] = {
    ACCOUNT: Exported("the account itself; `state` and `chain` are those of sync", frozenset({"password_hash"})),
    "token": Exported("tokens and devices, without the tokens themselves", _DIGEST),
    "invitation": Exported("invitations to open an account, without their texts", _DIGEST),
    "holding": Exported(
        "coins as sync knows them: values (data), who wrote each (writers), conflicts; deleted ones are marked"
    ),
    "mutation": Exported("the log of sync: every change of a coin, as it is kept"),
    "past_mutation": Exported("ids of changes whose entry in the log was purged"),
    "holding_import": Exported("imports of coins, with what undoes them"),
    "photo": Exported("photos: coin, side, and the SHA-256 that names the file"),
    "photo_file": Exported("files of photos: SHA-256, and the digest by which the image is named in photos/"),
    "issue": Exported("own issues"),
    "vocabulary": Exported("own vocabularies"),
    "catalogue": Exported("the version of own issues, vocabularies and presumptions"),
    "presumption": Exported("what the account presumes"),
    "definition": Exported("definitions, with their drafts"),
    "definition_revision": Exported("published revisions"),
    "definition_pins": Exported("decisions: which coin is kept in which place, or never put there"),
    "want_notes": Exported("notes to want lists"),
    "filling": Exported("history: which coin sat in which place, since when and until when"),
    "noted_day": Exported("what the notes of the history rested on"),
    "exhibition": Exported("sets as they were shown, with loans"),
    "share": Exported("links to revisions, without their secrets", _DIGEST),
    "definition_import": Exported("definitions that were imported", masked=_ADDRESS),
    "definition_origin": Exported("where definitions came from", masked=_ADDRESS),
    "origin_revision": Exported("newer revisions at the origins"),
    "origin_pull": Exported("which revision of an origin was merged into which own revision"),
    "club_member": Exported("memberships in clubs, under the name used there"),
    "club_consent": Exported("what is shown to the club of which definition"),
    "club_copy": Exported("which own definition was taken from which club"),
    "swap_answer": Exported(
        "swaps that the account takes part in, and its own answer; see clubs/swaps.json for what it gives"
    ),
}

LEFT_OUT: Mapping[str, str] = {
    "password_reset": "a secret: the hash of a one-time text that is good for a day",
    "device_pairing": "secrets of a pairing in progress, deleted within hours",
    "remembered_answer": "copies of answers for requests that are sent again, deleted after some weeks; all in them is exported",
    "job": "requests that are answered later, and their answers, deleted after some days; what they changed is exported",
    "club_standing": "worked out from coins and definitions, and made anew when it is asked for",
}


def owned_tables() -> list[Table]:
    """Every table that has something of one account, those first that others refer to."""
    return [table for table in metadata.sorted_tables if table.name == ACCOUNT or OWNER in table.c]


def owner_column(table: Table) -> Column[str]:
    """The column that says whose a row is."""
    return table.c.id if table.name == ACCOUNT else table.c[OWNER]
