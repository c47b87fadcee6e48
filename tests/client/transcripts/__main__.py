"""`python -m tests.client.transcripts` makes all transcripts anew from a server in this process."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from pathlib import Path

from anyio.from_thread import start_blocking_portal

from tests.client.transcripts.recording import FOLDER, recorded, written
from tests.client.transcripts.scenarios import SCENARIOS
from tests.conftest import running, settings_for

with ExitStack() as stack:
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
    portal = stack.enter_context(start_blocking_portal())
    for name, scenario in SCENARIOS.items():
        settings = settings_for(f"sqlite:///{folder / name}.sqlite3", photos_dir=folder / f"{name} photos")
        with portal.wrap_async_context_manager(running(settings)) as service:
            told = recorded(service, portal, scenario, folder / f"{name}.device")
        (FOLDER / f"{name}.json").write_text(written(told), encoding="utf-8")
        print(FOLDER / f"{name}.json")
