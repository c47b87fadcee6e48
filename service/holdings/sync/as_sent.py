"""Whether a device that sent mutations of a record already has the record that resulted. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from service.holdings.sync.apply import MutationAnswer
from service.holdings.sync.merge import APPLIED, DESTROY, Mutation
from service.holdings.sync.record import Record


def writer_as_sent(record: Record, done: Sequence[tuple[Mutation, MutationAnswer]]) -> str | None:
    """The last of these mutations, in the order in which they were sent, if the record has the values that they say and nothing
    else resulted; None if the device needs the record. A copy may have filled a part only, and the author of a revival may not
    have the values that it brings back."""
    expected: dict[str, str] = {}
    for sent, answer in done:
        if answer.status != APPLIED or sent.writers is not None or sent.revive:
            return None
        expected |= dict.fromkeys(sent.patch, sent.id)
    if record.conflicts or not done:
        return None
    last = done[-1][0]
    if last.op == DESTROY:
        return last.id if record.destroyed_by == last.id else None
    if record.is_destroyed or any(sent.op == DESTROY for sent, _ in done):
        return None
    stand = all(name in record.written and record.written[name].by == by for name, by in expected.items())
    return last.id if stand else None
