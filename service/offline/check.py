"""The check of definitions in files, without a server or a database."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path

import msgspec

from service.analysis.findings import ERROR, Finding, findings_of_faults
from service.errors import Fault, Invalid, plain
from service.formats.strict_json import parse_json, parse_yaml
from service.progress.actions.check import findings_on
from service.reference import actions as reference
from service.rules.yaml_text import Positions

# A member that is not known, or of the wrong shape: its name is where to look.
_SHAPE = "shape"


class FileFinding(msgspec.Struct, frozen=True):
    """One finding, and where in the file it is: line and column are counted from 1."""

    file: str
    line: int
    column: int
    severity: str
    code: str
    pointer: str
    message: str


def check_file(path: Path, day: date) -> list[FileFinding]:
    """Everything that the check finds in a definition: JSON where the name ends with `.json`, else YAML. A file that cannot be
    read is a finding of severity `error` too."""
    is_json = path.suffix.lower() == ".json"
    try:
        raw = path.read_bytes()
    except OSError as error:
        return [FileFinding(str(path), 1, 1, ERROR, "unreadable", "", f"cannot be read: {error.strerror}")]
    try:
        document = parse_json(raw) if is_json else parse_yaml(raw)
    except Invalid as refusal:
        return [
            FileFinding(
                str(path), fault.line or 1, fault.column or 1, ERROR, fault.code, fault.pointer, str(fault.message)
            )
            for fault in refusal.faults
        ]
    positions = Positions(raw.decode(), is_json=is_json)
    try:
        definition = reference.read_definition(document)
    except Invalid as refusal:
        pairs: Iterable[tuple[Finding, Fault | None]] = zip(
            findings_of_faults(refusal.faults), refusal.faults, strict=True
        )
    else:
        pairs = [(finding, None) for finding in findings_on(definition, day)]
    return [_placed(path, finding, fault, positions) for finding, fault in pairs]


def _placed(path: Path, finding: Finding, fault: Fault | None, positions: Positions) -> FileFinding:
    if fault is not None and fault.line is not None and fault.column is not None:
        line, column = positions.within(finding.pointer, fault.line, fault.column)
    else:
        line, column = positions.of(finding.pointer, key=finding.code == _SHAPE)
    return FileFinding(str(path), line, column, finding.severity, finding.code, finding.pointer, finding.message)


def has_errors(found: Iterable[FileFinding]) -> bool:
    return any(finding.severity == ERROR for finding in found)


# --- output --------------------------------------------------------------------------------------------------------------


def as_text(found: Sequence[FileFinding]) -> str:
    """One line for each finding, as compilers write them."""
    return "".join(f"{f.file}:{f.line}:{f.column}: {f.severity}: {f.message} [{f.code}]\n" for f in found)


def as_json(found: Sequence[FileFinding]) -> str:
    """A list of findings."""
    return msgspec.json.format(msgspec.json.encode(list(found), enc_hook=plain)).decode() + "\n"


def as_github(found: Sequence[FileFinding]) -> str:
    """Workflow commands, which GitHub shows beside the line."""
    return "".join(
        f"::{'notice' if f.severity == 'note' else f.severity} file={_property(f.file)},line={f.line},col={f.column},"
        f"title={_property(f.code)}::{_data(f.message)}\n"
        for f in found
    )


def _data(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _data(text).replace(":", "%3A").replace(",", "%2C")
