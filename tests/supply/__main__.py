"""`python -m tests.supply lock | notice | sbom [FILE] | audit`."""

from __future__ import annotations

import sys
from pathlib import Path

from tests.supply.audit import audit
from tests.supply.lock import build_lock, lock
from tests.supply.notice import NOTICE, notice
from tests.supply.parts import BUILD_LOCK, LOCK, ROOT, build_pins, shipped
from tests.supply.sbom import write_sbom


def main(arguments: list[str]) -> int:
    match arguments:
        case ["lock"]:
            LOCK.write_text(lock(shipped()), encoding="utf-8")
            BUILD_LOCK.write_text(build_lock(build_pins()), encoding="utf-8")
        case ["lock", "--check"]:
            pairs = ((LOCK, lock(shipped())), (BUILD_LOCK, build_lock(build_pins())))
            stale = [path.name for path, wanted in pairs if path.read_text(encoding="utf-8") != wanted]
            if stale:
                print(
                    f"{', '.join(stale)}: not what the package index has now; look why, then: python -m tests.supply lock"
                )
                return 1
            print("The locks have the hashes that the package index has.")
        case ["notice"]:
            NOTICE.write_text(notice(shipped()), encoding="utf-8")
        case ["sbom", *rest] if len(rest) < 2:
            target = Path(rest[0]) if rest else ROOT / "build" / "sbom.cdx.json"
            write_sbom(target)
            print(f"The bill of materials is in {target}.")
        case ["audit"]:
            found = audit()
            print("\n".join(found.lines))
            return found.status
        case _:
            print(__doc__)
            return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
