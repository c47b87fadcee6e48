"""What every answer follows from besides its input: the reference data, the engine, the program."""

from __future__ import annotations

from service.evaluation.engine import ENGINE
from service.reference import actions as reference
from service.settings import engine_version


def editions() -> dict[str, str]:
    """The members of an answer that name them."""
    return {"reference_edition": reference.edition(), "engine_version": ENGINE}


def stamps() -> tuple[str, str, str]:
    """What makes a remembered answer old when it changes: reference data, engine, and the program around it."""
    return reference.edition(), ENGINE, engine_version()
