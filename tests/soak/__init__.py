"""A long run of mixed load on a real server on PostgreSQL, with its workers killed: `python -m tests.soak --minutes 30`."""
