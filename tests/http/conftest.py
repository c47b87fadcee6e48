"""A crowded house for the tests that walk through all of it: furnished once, and moved into as it was by each of them."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from dataclasses import replace

import anyio
import pytest

from tests.conftest import own_database, running, settings_for
from tests.http.crowded_house import Deserted, a_crowded_house
from tests.http.house_writes import Neighbours


@pytest.fixture(scope="session")
def deserted(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Deserted]:
    """A crowded house and what it has; furnished once, since that takes some seconds."""
    folder = tmp_path_factory.mktemp("house")

    async def furnish(url: str) -> Deserted:
        async with running(settings_for(url, photos_dir=folder / "photos")) as service:
            house = await a_crowded_house(service)
            return Deserted(url, folder / "photos", house, house.rows(), house.blobs())

    with own_database(folder) as url:
        yield anyio.run(furnish, url)


@pytest.fixture
async def at(deserted: Deserted, anyio_backend: str) -> AsyncIterator[Neighbours]:
    async with running(settings_for(deserted.url, photos_dir=deserted.photos)) as service:
        service.app.state.clock = lambda: deserted.house.now
        house = replace(deserted.house, service=service)
        house.restore(deserted.rows, deserted.blobs)
        yield Neighbours(house)
