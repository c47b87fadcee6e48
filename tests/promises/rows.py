"""The promises, and on which engines each has to be shown."""

from __future__ import annotations

from dataclasses import dataclass

SQLITE, POSTGRESQL, NO_DATABASE = "SQLite", "PostgreSQL", "no database"
BOTH = frozenset({SQLITE, POSTGRESQL})
# Where the engine makes no difference, one is enough, whichever.
EITHER: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Row:
    """A promise, how it is tested, and the engines that need a figure and a control; with none, one figure is enough."""

    number: int
    promise: str
    test: str
    engines: frozenset[str] = EITHER


ROWS = {
    row.number: row
    for row in (
        Row(
            1,
            "An acknowledged write survives the server being killed",
            "kill -9 under 8 writers at random moments; the ids that were acknowledged are compared with those that are there",
            BOTH,
        ),
        Row(
            2,
            "An acknowledged write survives a power cut",
            "writes and syncs of SQLite are recorded, and crash points replayed with unsynced writes kept, dropped and torn; "
            "PostgreSQL has its own tests of this",
            frozenset({SQLITE}),
        ),
        Row(
            3,
            "No update is lost, and nobody is told that the database is locked",
            "concurrent read-modify-write of one row through the API: the final number is that of the writes acknowledged",
            BOTH,
        ),
        Row(
            4,
            "A create that is sent again happens once",
            "a transport that loses and doubles requests and loses answers; a failure inside the transaction",
            BOTH,
        ),
        Row(
            5,
            "Sync misses no change",
            "writers that commit after a random delay, and a poller with a cursor: both have the same set",
            BOTH,
        ),
        Row(
            6,
            "No input is answered by a 5xx, and both engines answer alike",
            "hostile bodies for every operation; any story of requests against a dict; the statuses of both engines are compared",
            BOTH,
        ),
        Row(
            7,
            "The memory that a body takes is bounded",
            "a body of 300 MB with and without its length, and a compressed answer that unfolds to as much",
        ),
        Row(8, "Others are served while one computes", "a small request every 5 ms while another is being computed"),
        Row(9, "Overload is answered", "8, 64 and 256 connections: 503 with Retry-After past the queue, no time-outs"),
        Row(
            10,
            "A hostile definition ends within its budget",
            "deep rules, many alternatives, hard assignments: each ends, and the limit is named",
        ),
        Row(
            11,
            "Same input, same bytes",
            "answers idle, under load, with shuffled input, under two hash seeds and on both engines",
            BOTH,
        ),
        Row(
            12,
            "Nobody reaches what is not theirs",
            "every operation of the OpenAPI document with every kind of caller",
            BOTH,
        ),
        Row(
            13,
            "A revocation counts from the next request",
            "a device, a link and a membership are revoked while requests go on",
            BOTH,
        ),
        Row(
            14,
            "No secret is in a log, an error, a metric or the database",
            "known texts sent in addresses, headers and bodies, and everything searched for them",
            BOTH,
        ),
        Row(
            15, "Only public addresses are fetched", "a table of tricks against a network that records what was dialled"
        ),
        Row(
            16,
            "Migrations keep every row and can be repeated",
            "each step on filled tables; a failure in the middle, and again",
            BOTH,
        ),
        Row(
            17,
            "A backup taken under writes is whole",
            "backups while writers write, restored, and compared with what was acknowledged before",
            BOTH,
        ),
        Row(
            18,
            "The server stops cleanly, and a full disk is no disaster",
            "SIGTERM with writes on their way; a small file system that fills up",
            BOTH,
        ),
        Row(19, "Memory is bounded by class", "a table of hostile bodies; the peak memory of all processes"),
        Row(
            20,
            "Every request ends",
            "hostile requests end by their deadline, and free what they held when the client leaves",
        ),
        Row(
            21,
            "Strangers do not slow members down",
            "hostile anonymous callers beside an account's small requests, at the 99th percentile",
        ),
        Row(
            22,
            "Nobody locks another out",
            "wrong log-ins by strangers, from one address and under one name, beside the right password on a known device",
            BOTH,
        ),
    )
}
