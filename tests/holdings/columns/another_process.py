"""A process that keeps columns of its own: it writes or reads what each line of its input says, and prints what it sees then.

`python -m tests.holdings.columns.another_process URL OWNER`
"""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime

from service.accounts.model import Owner
from service.database.engine import Database
from service.facts.core_attributes import CORE
from service.holdings import actions
from service.holdings.columns.store import held_by


def do(database: Database, owner: Owner, line: str) -> dict[str, object]:
    """What is held after the step, and how the columns came about."""
    what, identity, grade = json.loads(line)
    now = datetime.now(UTC)
    facts = {"facts": {"grade": grade}}
    if what == "record":
        database.write(lambda c: actions.record(c, owner, identity, facts, CORE, now))
    elif what == "change":
        database.write(lambda c: actions.change(c, owner, identity, facts, CORE, now, expect=lambda _: None))
    elif what == "delete":
        database.write(lambda c: actions.destroy(c, owner, identity, now, expect=lambda _: None))
    held = database.read(lambda c: held_by(c, owner))
    counts = database.warm.counts
    return {
        "held": {one.id: one.data["facts"]["grade"] for one in held},
        "counts": [counts.hits, counts.patches, counts.misses],
    }


if __name__ == "__main__":
    opened, me = Database(sys.argv[1]), Owner(sys.argv[2])
    for step in sys.stdin:
        print(json.dumps(do(opened, me, step)), flush=True)
    opened.close()
