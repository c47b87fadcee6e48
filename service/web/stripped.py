"""The app's own modules without comments and without the white space that a program does not need: what a browser is sent.

Comments, texts, templates and regular expressions are told apart by a grammar (tree-sitter's of JavaScript). No name is changed,
so that what a browser shows of an error can be found in the source; the tokens are those of the source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tree_sitter import Parser, Query

_PARTS = "[(comment) (string) (template_string) (template_substitution) (regex)] @part"
_CODE, _AS_IT_IS, _COMMENT = "code", "as it is", "comment"
_KINDS = {"comment": _COMMENT, "template_substitution": _CODE}
# Ends of lines are kept but where no semicolon could be put in: after an opening sign or a separator, before a closing one.
_INDENTATION = re.compile(rb"\s*\n\s*")
_SPACES = re.compile(rb"[ \t]+")
_AFTER, _BEFORE = re.compile(rb"(?<=[{(\[,;])\s+"), re.compile(rb"\s+(?=[})\],;])")
# Of + and - two in a row would be another sign.
_BESIDE = re.compile(rb" ?([=?:&|<>]) ?")


def stripped(source: bytes) -> bytes:
    """A module as it is sent. Raises ValueError for what is no JavaScript."""
    return b"".join(_squeezed(text) if kind == _CODE else text for kind, text in _joined(source)).strip() + b"\n"


def _squeezed(code: bytes) -> bytes:
    code = _SPACES.sub(b" ", _INDENTATION.sub(b"\n", code))
    return _BESIDE.sub(rb"\1", _BEFORE.sub(b"", _AFTER.sub(b"", code)))


def _joined(source: bytes) -> Iterator[tuple[str, bytes]]:
    """The pieces in order; code with the white space that comments leave is one piece."""
    code = b""
    for kind, text in _pieces(source):
        if kind == _AS_IT_IS:
            yield _CODE, code
            yield kind, text
            code = b""
        elif kind == _CODE:
            code += text
        else:
            # What a comment means to the grammar of the language: an end of a line where it has one.
            code += b"\n" if b"\n" in text else b" "
    yield _CODE, code


def _pieces(source: bytes) -> Iterator[tuple[str, bytes]]:
    """What the source is made of; of parts that lie in each other the innermost counts."""
    parser, query = _grammar()
    root = parser.parse(source).root_node
    if root.has_error:
        raise ValueError("this is no JavaScript")
    from tree_sitter import QueryCursor

    found = QueryCursor(query).captures(root).get("part", ())
    around, at = [(len(source), _CODE)], 0
    for node in sorted(found, key=lambda node: (node.start_byte, -node.end_byte)):
        while around[-1][0] <= node.start_byte:
            end, kind = around.pop()
            yield kind, source[at:end]
            at = end
        yield around[-1][1], source[at : node.start_byte]
        at = node.start_byte
        around.append((node.end_byte, _KINDS.get(node.type, _AS_IT_IS)))
    while around:
        end, kind = around.pop()
        yield kind, source[at:end]
        at = end


@cache
def _grammar() -> tuple[Parser, Query]:
    import tree_sitter_javascript
    from tree_sitter import Language, Parser, Query

    javascript = Language(tree_sitter_javascript.language())
    return Parser(javascript), Query(javascript, _PARTS)
