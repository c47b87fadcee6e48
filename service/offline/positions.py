"""Where in a YAML or JSON file the part is that a JSON pointer names. Pure."""

from __future__ import annotations

import yaml

Position = tuple[int, int]


class Positions:
    """Lines and columns, both counted from 1, of the parts of one text. JSON is read as the YAML that it nearly is; a tab
    counts as one column."""

    def __init__(self, text: str, *, is_json: bool) -> None:
        try:
            self._root = yaml.compose(text.replace("\t", " ") if is_json else text, Loader=yaml.SafeLoader)
        except yaml.YAMLError:
            self._root = None

    def of(self, pointer: str, *, key: bool = False) -> Position:
        """Where the part begins; `key`: where its name is. Of a part that is not there, where the nearest around it begins."""
        node, at = self._root, (1, 1)
        if node is None:
            return at
        for step in pointer.split("/")[1:]:
            found = _step(node, step.replace("~1", "/").replace("~0", "~"))
            if found is None:
                break
            named, node = found
            # A block begins below its name, so the name says better where it is.
            at = _begin(named if key or not isinstance(node, yaml.ScalarNode) else node)
        return at

    def within(self, pointer: str, line: int, column: int) -> Position:
        """Where in the file a line and column of the text at the pointer are; where the text begins, if it is folded, escaped or
        of several lines."""
        node: yaml.Node | None = self._root
        for step in pointer.split("/")[1:]:
            found = None if node is None else _step(node, step.replace("~1", "/").replace("~0", "~"))
            if found is None:
                return self.of(pointer)
            node = found[1]
        if not isinstance(node, yaml.ScalarNode) or line != 1:
            return self.of(pointer)
        row, start = _begin(node)
        quotes = 1 if node.style in ("'", '"') else 0
        is_plain = node.end_mark.line == node.start_mark.line and (
            node.end_mark.column - node.start_mark.column == len(node.value) + 2 * quotes
        )
        return (row, start + quotes + column - 1) if is_plain and node.style not in ("|", ">") else (row, start)


def _step(node: yaml.Node, step: str) -> tuple[yaml.Node, yaml.Node] | None:
    """The name and the part of one step; an entry of a list is its own name."""
    if isinstance(node, yaml.MappingNode):
        return next((pair for pair in node.value if pair[0].value == step), None)
    if isinstance(node, yaml.SequenceNode) and step.isdecimal() and int(step) < len(node.value):
        return node.value[int(step)], node.value[int(step)]
    return None


def _begin(node: yaml.Node) -> Position:
    return node.start_mark.line + 1, node.start_mark.column + 1
