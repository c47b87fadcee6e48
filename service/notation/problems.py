"""Problems as written: "lightly cleaned, ex-mount?" to the words of the attribute `problems`, and to others where they belong.

Common practice of the trade (no source). A word that says less than a problem on the list (stained, hairlines) stays a
remark: it is never taken for a graver one that looks alike."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from service.facts.core_attributes import PROBLEMS
from service.notation.reading import Reading, tidy, without_doubt

_WORDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "holed": ("hole", "holes", "drilled", "pierced", "drill hole", "gelocht", "troué", "perforated"),
        "plugged": ("plug", "plugged hole", "hole plugged", "filled hole"),
        "cleaned": ("cleaning", "old cleaning", "overcleaned", "over cleaned", "dipped", "harshly cleaned", "gereinigt"),
        "polished": ("polish", "polishing", "poliert", "buffed", "whizzed", "whizzing", "burnished"),
        "scratched": ("scratch", "scratches", "scratched", "kratzer", "gouge", "gouged"),
        "bent": ("bend", "bends", "creased", "wavy", "verbogen"),
        "clipped": ("clip", "clipping", "beschnitten"),
        "mounted": ("mount", "loop", "looped", "with loop", "in mount", "gehenkelt"),
        "ex-jewellery": (
            "ex-jewelry", "ex jewelry", "ex jewellery", "jewellery", "jewelry", "ex-mount", "ex mount", "exmount",
            "mount removed", "mount mark", "mount marks", "removed from mount", "henkelspur", "ex-loop", "ex loop",
            "brooch mount removed", "solder marks", "solder",
        ),
        "gilded": ("gilt", "gold plated later", "later gilding", "vergoldet"),
        "plated later": ("plated", "later plated", "silvered", "replated"),
        "corroded": ("corrosion", "rust", "rusted", "rusty", "pitted", "pitting", "porous"),
        "verdigris": ("verdegris", "grünspan", "green spots", "pvc", "pvc residue", "pvc damage"),
        "rim damage": (
            "rim bump", "rim bumps", "rim nick", "rim nicks", "rim ding", "rim dings", "edge knock", "edge knocks",
            "edge bump", "edge bumps", "edge nick", "edge nicks", "edge damage", "rim knock", "rim knocks", "rim dent",
            "filed rim", "rim filed", "randfehler", "edge dent", "ek", "ekn",
        ),
        "graffiti": ("graffito", "engraved initials", "scratched initials", "initials"),
        "counter-stamped": ("counterstamped", "counterstamp", "counter stamped", "counter stamp", "counter-stamp"),
        "repaired": ("repair", "repairs"),
        "tooled": ("tooling",),
        "environmental": ("environmental damage", "env damage", "fire damage", "soil damage"),
        "artificially toned": ("artificial toning", "artificially toned", "questionable toning", "questionable color",
                               "questionable colour", "retoned", "re-toned", "at"),
        "cast copy suspected": ("cast copy", "cast", "cast copy suspected"),
    }
)  # fmt: skip
_NAMES = {word: problem for problem, words in _WORDS.items() for word in (problem, problem.replace("-", " "), *words)}
_ADVERBS = re.compile(
    r"(?:very |quite |some |minor |a |an |few |light |lightly |slight |slightly |heavily |heavy |old |small |tiny |large |"
    r"deep |deeply |faint |once |harshly |improperly |expertly |neatly |been )+"
)
_NO_PROBLEM = frozenset(
    [
        "none",
        "no",
        "nil",
        "no problems",
        "problem free",
        "problem-free",
        "no problem",
        "without problems",
        "no damage",
        "undamaged",
        "no defects",
        "keine",
    ]
)
_SPLIT = re.compile(r"\s*(?:[,;/+&\n]|\band\b|\bwith\b|\bund\b|\bet\b)\s*", re.IGNORECASE)
_TONED = re.compile(r"(?:[a-zü]+(?:ly)? )*(?:toned|toning|tone|patina|patinated)(?: .*)?")
_CHOPS = re.compile(r"(?:\d+ |several |a |many |few )?chop(?:s|ped|-?\s?mark(?:s|ed)?)(?: .*)?")
_DENIED = re.compile(r"(?:not |un|never |no )(?:sign of |signs of )?(?P<what>.+)")


def read_problems(written: str) -> Reading:
    """`problems` as a list, with `{"has", "perhaps"}` where some are doubted ("cleaned?"), an empty list where there are none in
    words; `toning` and `countermark` where the word is one of those. What else is said is `rest`."""
    text = tidy(written)
    if text.casefold().strip(" .!") in _NO_PROBLEM:
        return Reading({"problems": []})
    has: dict[str, None] = {}
    perhaps: dict[str, None] = {}
    facts: dict[str, Any] = {}
    rest: list[str] = []
    for part in _SPLIT.split(text):
        bare, is_doubted = without_doubt(part.strip(" ."))
        if not bare.strip("-?"):
            continue
        word = bare.casefold()
        problem = _problem(word)
        if problem is not None:
            (perhaps if is_doubted else has)[problem] = None
        elif _TONED.fullmatch(word) and not is_doubted and "toning" not in facts:
            facts["toning"] = bare
        elif _CHOPS.fullmatch(word) and not is_doubted and "countermark" not in facts:
            facts["countermark"] = bare
        else:
            rest.append(part.strip())
    unsure = [problem for problem in perhaps if problem not in has]
    if unsure:
        facts["problems"] = {"has": [*has], "perhaps": unsure}
    elif has:
        facts["problems"] = [*has]
    return Reading(facts, rest=", ".join(rest))


def _problem(word: str) -> str | None:
    """The problem on the list that the word names, or None: a word is never likened to one."""
    found = _NAMES.get(word)
    if found is not None or _DENIED.fullmatch(word):
        return found
    bare = _ADVERBS.sub("", word, count=1) if _ADVERBS.match(word) else word
    return _NAMES.get(bare.strip())


assert set(_WORDS) == set(PROBLEMS)
