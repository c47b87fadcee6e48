"""The reference client: a device that works offline, queues what its owner does, and syncs when there is a network.

It is what the author of a phone client reads, in this order: `model` (names, ids, exact numbers), `store` (what is kept in
the file), `transport` (one request), `device` (the protocol). It speaks to the service by HTTP alone and shares no code with it.
"""

from service.client.device import Device, Report
from service.client.store import LocalStore

__all__ = ["Device", "LocalStore", "Report"]
