"""A document as YAML text that says the same: `load_yaml` reads it back to the very same value."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import yaml

_LINE = 110
# What some reader of YAML might take for something else than a text (a number, a date, yes or no, an end of line) is put in
# quotes. Written so are texts that begin with a letter and go on as words.
_WORDS = re.compile(r"[A-Za-z][A-Za-z0-9 _./(),;'<>=+-]*")
_NO_WORD = frozenset(("true", "false", "yes", "no", "on", "off", "null", "y", "n"))


class _Dumper(yaml.SafeDumper):
    """Texts in quotes unless they are plain words; decimals with every digit; no anchors."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


def _text(dumper: yaml.SafeDumper, text: str) -> yaml.Node:
    plain = _WORDS.fullmatch(text) and text.lower() not in _NO_WORD and not text.endswith(" ")
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style=None if plain else '"')


def _decimal(dumper: yaml.SafeDumper, number: Decimal) -> yaml.Node:
    return dumper.represent_scalar("tag:yaml.org,2002:float", str(number))


_Dumper.add_representer(str, _text)
_Dumper.add_representer(Decimal, _decimal)


def as_yaml(document: Any) -> str:
    """The document as YAML, members in their order."""
    written: str = yaml.dump(document, Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=_LINE)
    return written
