"""Jobs: requests that are answered later, with what was answered. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

QUEUED, RUNNING, DONE, FAILED, CANCELLED = "queued", "running", "done", "failed", "cancelled"
# States that a job does not leave.
ENDED = (DONE, FAILED, CANCELLED)

Headers = Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Job:
    """A request of an owner's, kept until it is answered and for a while after. `method`, `path`, `query` and `headers` are its
    own; `token` is the one that it came with; whoever reads the answer has to have one of `scopes`. `status` is that of the
    answer; `detail` says why there is none."""

    id: str
    token: str
    state: str
    method: str
    path: str
    query: str
    headers: Headers
    doing: str
    created_at: datetime
    scopes: Sequence[str] = ()
    started_at: datetime | None = None
    ended_at: datetime | None = None
    attempts: int = 0
    status: int | None = None
    detail: str = ""

    @property
    def is_over(self) -> bool:
        return self.state in ENDED


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A file in the store of answers: its name there, and how many bytes it has."""

    name: str
    bytes: int


@dataclass(frozen=True, slots=True)
class Answer:
    """What was answered: the bytes, or the file that has them."""

    status: int
    headers: Headers
    body: bytes | KeptFile
