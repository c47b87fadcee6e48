"""Small CQL2 trees, and the faults of a refused rule."""

from __future__ import annotations

import pytest

from service.errors import Fault, Invalid
from service.rules.cql2.expression import parse
from service.rules.cql2.json import Json


def prop(name: str) -> Json:
    return {"property": name}


def op(name: str, *args: Json) -> Json:
    return {"op": name, "args": list(args)}


def faults(value: object) -> tuple[Fault, ...]:
    with pytest.raises(Invalid) as refusal:
        parse(value)
    return refusal.value.faults


def fault(value: object) -> Fault:
    (only,) = faults(value)
    return only


A, B, C = prop("a"), prop("b"), prop("c")
YES = op("=", A, 1)
