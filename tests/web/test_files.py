"""The web app's files: those of other authors as they came, imports in one direction, no text but in `words`, signs and letters
that can be seen. All without a browser."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
from babel import Locale

from service.http.api.app import APP_POLICY
from service.web.files import ALL, SOURCE, STATIC, VENDOR, WORKER, files
from service.web.stripped import stripped
from tests.conftest import Running
from tests.vendored import FOLDERS, Vendored, differing, vendored

SCRIPTS = sorted(path for path in STATIC.rglob("*.js") if path.name != WORKER)
LANGUAGES = sorted((STATIC / "words").glob("*.json"))
WORDS = json.loads((STATIC / "words" / "en.json").read_text(encoding="utf-8"))

# --- files of other authors ----------------------------------------------------------------------------------------------


def test_files_of_other_authors_are_as_they_came() -> None:
    entries = list(vendored())
    for entry in entries:
        assert hashlib.sha256(entry.path.read_bytes()).hexdigest() == entry.sha256, entry.path
        assert entry.licence and entry.about and re.fullmatch(r"\d+\.\d+\.\d+", entry.version), entry.path
    kept = {path for folder in FOLDERS for path in folder.rglob("*") if path.is_file()}
    assert kept == {entry.path for entry in entries} | {folder / "VENDOR.toml" for folder in FOLDERS}
    # Whoever gets a script gets its licence.
    for script in (entry for entry in entries if entry.path.suffix == ".js"):
        assert (script.path.parent / "LICENSE").exists(), script.path


def test_the_comparison_with_packages_sees_a_changed_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the step in CI, with an archive made here in npm's place."""
    package = tmp_path / "package"
    package.mkdir()
    (package / "index.js").write_text("export const one = 1;\n", encoding="utf-8")
    subprocess.run(["tar", "-czf", "one-1.0.0.tgz", "package"], cwd=tmp_path, check=True)
    monkeypatch.setattr("tests.vendored._fetched", lambda *_: tmp_path / "one-1.0.0.tgz")
    monkeypatch.setattr("tests.vendored.ROOT", tmp_path)
    mine = tmp_path / "mine.js"
    entry = Vendored(mine, "one", "1.0.0", "index.js", "MIT", "", "")
    mine.write_text("export const one = 1;\n", encoding="utf-8")
    assert differing([entry]) == []
    mine.write_text("export const one = 2;\n", encoding="utf-8")
    assert differing([entry]) == ["mine.js is not index.js of one@1.0.0"]


# --- what a browser is given ----------------------------------------------------------------------------------------------


def test_one_answer_has_every_file_and_its_version_changes_with_each(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    told = files()[WORKER].content.decode().partition("\n")[0]
    (about,) = re.findall(r"^const APP = (.*);$", told)
    everything = json.loads(files()[ALL].content)
    assert json.loads(about) == {"version": everything["version"], "all": "/app/all.json"}
    listed = [path for path, _, _ in everything["files"]]
    on_disk = {path.relative_to(STATIC).as_posix() for path in STATIC.rglob("*") if path.is_file()}
    vendor = {f"vendor/{path.relative_to(VENDOR).as_posix()}" for path in VENDOR.rglob("*.js")}
    # The page stands at the folder's own address.
    assert set(listed) == (on_disk | vendor | {""}) - {WORKER, "index.html"}
    assert len(listed) == len(set(listed))
    for path, media_type, text in everything["files"]:
        file = files()[path or "index.html"]
        assert (media_type, text.encode()) == (file.media_type, file.content), path
    changed = [_version_with(monkeypatch, path) for path in ("app.css", "words/fr.json", "views/home.js")]
    assert len({everything["version"], *changed}) == 4


def _version_with(monkeypatch: pytest.MonkeyPatch, changed: str) -> str:
    """The version of the app where one of its files has one byte more."""
    read = Path.read_bytes
    files.cache_clear()
    with monkeypatch.context() as here:
        here.setattr(Path, "read_bytes", lambda self: read(self) + b";" * (self == STATIC / changed))
        version: str = json.loads(files()[ALL].content)["version"]
    files.cache_clear()
    return version


def test_modules_are_sent_without_comments_and_can_be_read_as_they_were_written() -> None:
    for path in (*SCRIPTS, STATIC / WORKER):
        name = path.relative_to(STATIC).as_posix()
        source = files()[SOURCE + name].content
        assert source == path.read_bytes()
        comments = [line.strip() for line in source.splitlines() if line.strip().startswith((b"//", b"/**", b"*"))]
        assert [line for line in comments if line in files()[name].content.splitlines()] == []
        assert not files()[name].content.startswith(b"//")


@pytest.mark.parametrize(
    ("source", "sent"),
    [
        (
            "/** Adds. @param {number} a */\nexport const add = (a, b) => a + b; // sum\n",
            "export const add=(a,b)=>a + b;\n",
        ),
        # No sign is made of two: those beside + and - stay apart.
        ("let x = a + +b - -c;\nx = y / /b  c/.exec(d);\n", "let x=a + +b - -c;x=y / /b  c/.exec(d);\n"),
        # Texts and templates stay as they are, and what is put into a template is code again.
        (
            'say( "a  // b" ,\n  `c  /* d */\n  ${ e /* f */ ? `g  ${ h }` : i }` );',
            'say("a  // b",`c  /* d */\n  ${e?`g  ${h}`:i}`);\n',
        ),
        # Where a semicolon would be put in, the end of the line stays.
        ("return a\n  /* b\n */ [c]\n}", None),
        ("const a = b\nconst c = d // e\n  f()\n", "const a=b\nconst c=d\nf()\n"),
    ],
)
def test_nothing_but_comments_and_white_space_is_left_out(source: str, sent: str | None) -> None:
    """ECMAScript 2025: 12.4 (comments), 12.10 (where semicolons are put in)."""
    if sent is None:
        with pytest.raises(ValueError, match="no JavaScript"):
            stripped(source.encode())
    else:
        assert stripped(source.encode()).decode() == sent


@pytest.mark.anyio
async def test_every_file_is_served_as_what_it_is(service: Running) -> None:
    for path, file in files().items():
        answer = await service.client.get(f"/app/{path}")
        assert (answer.status_code, answer.content) == (200, file.content), path
        assert answer.headers["content-type"] == file.media_type
        assert answer.headers["content-security-policy"] == APP_POLICY
        known = await service.client.get(f"/app/{path}", headers={"If-None-Match": answer.headers["etag"]})
        assert (known.status_code, known.content) == (304, b"")
    assert (await service.client.get("/app")).headers["location"] == "/app/"


@pytest.mark.anyio
@pytest.mark.parametrize("path", ["", "sets/x", "nothing.js", "sign-in", "..%2f..%2ffiles.py", "vendor/VENDOR.toml"])
async def test_an_address_that_is_no_files_is_a_view(service: Running, path: str) -> None:
    answer = await service.client.get(f"/app/{path}")
    assert (answer.status_code, answer.content) == (200, files()["index.html"].content)
    assert answer.headers["content-type"] == "text/html; charset=utf-8"


# Content Security Policy level 3 and Trusted Types (W3C): the directives, by their names there.
POLICY = {
    "default-src": "'none'",
    "script-src": "'self'",
    "style-src": "'self'",
    "img-src": "'self' blob:",
    "connect-src": "'self'",
    "manifest-src": "'self'",
    "worker-src": "'self'",
    "base-uri": "'none'",
    "form-action": "'none'",
    "frame-ancestors": "'none'",
    "require-trusted-types-for": "'script'",
}


def test_the_policy_allows_the_apps_own_files_and_nothing_else() -> None:
    assert dict(part.strip().split(" ", 1) for part in APP_POLICY.split(";")) == POLICY


# --- the house --------------------------------------------------------------------------------------------------------------

# Each folder may import itself and those to its right. What is pure knows no page.
ALLOWED = {
    ".": {"views", "parts", "kept", "sheet"},
    "views": {"parts", "kept", "sheet"},
    "parts": {"parts", "kept", "sheet", "vendor"},
    "kept": {"kept", "vendor"},
    "sheet": {"sheet"},
}
IMPORT = re.compile(
    r"""^\s*(?:import|export)\b[^;"']*?\bfrom\s+["']([^"']+)["']|\bimport\(\s*["']([^"']+)["']""", re.MULTILINE
)
OF_A_PAGE = re.compile(r"\b(?:document|window|navigator|location|fetch|localStorage|history|indexedDB)\b(?!:)")


def folder_of(path: Path) -> str:
    return path.relative_to(STATIC).parent.as_posix()


def imported(path: Path, text: str) -> Iterator[str]:
    """The addresses of what a module imports, below /app/."""
    for found in IMPORT.findall(text):
        address = found[0] or found[1]
        if address == "setwright-api":
            # Types alone, in a comment: tests/generated_clients/web_app.json.
            continue
        if address.startswith("/app/"):
            yield address.removeprefix("/app/")
        else:
            yield (path.parent / address).resolve().relative_to(STATIC).as_posix()


def breaches(path: Path, text: str) -> list[str]:
    """What of a module's imports is not as it should be."""
    folder = folder_of(path)
    found = []
    for address in imported(path, text):
        if address not in files():
            found.append(f"there is no {address}")
        elif address.split("/")[0] not in ALLOWED[folder]:
            found.append(f"{folder} imports {address}")
    if folder == "sheet" and OF_A_PAGE.search(re.sub(r"/\*.*?\*/|//.*", "", text, flags=re.DOTALL)):
        found.append("it knows of a page")
    return found


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.relative_to(STATIC).as_posix())
def test_imports_run_in_one_direction(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert breaches(path, text) == []
    assert list(imported(path, text)) or folder_of(path) in ("sheet", "kept", "parts")


@pytest.mark.parametrize(
    ("folder", "line", "said"),
    [
        ("parts", 'import { Home } from "../views/home.js";', "parts imports views/home.js"),
        ("kept", 'import { html } from "../parts/html.js";', "kept imports parts/html.js"),
        (
            "views",
            'import { html } from "/app/vendor/htm/standalone.module.js";',
            "views imports vendor/htm/standalone.module.js",
        ),
        ("sheet", 'export { get } from "../kept/api.js";', "sheet imports kept/api.js"),
        ("views", 'import { x } from "./nothing.js";', "there is no views/nothing.js"),
        ("sheet", "export const here = () => document.title;", "it knows of a page"),
    ],
)
def test_the_control_sees_a_planted_import(folder: str, line: str, said: str) -> None:
    assert breaches(STATIC / folder / "planted.js", f"{line}\n") == [said]


# --- words ------------------------------------------------------------------------------------------------------------------

READ_BY_PEOPLE = {"aria-label", "alt", "title", "placeholder", "label"}


class _Texts(HTMLParser):
    """Texts of a template that a person would read; what is put in is a sign without letters by now."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_data(self, data: str) -> None:
        if any(letter.isalpha() for letter in data):
            self.found.append(data.strip())

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.found += [v for n, v in attributes if n in READ_BY_PEOPLE and v and any(c.isalpha() for c in v)]


def templates(text: str) -> Iterator[str]:
    """The literal text of every html`...`; a sign without letters stands for what is put in, a tag for a part."""
    for found in re.finditer("html`", text):
        at, parts = found.end(), ""
        while text[at] != "`":
            if text.startswith("${", at):
                at = _after_value(text, at + 2)
                parts += "x-part" if parts.endswith(("<", "</")) else "\u25cb"
            else:
                parts += text[at]
                at += 1
        yield parts


def _after_value(text: str, at: int) -> int:
    """The place after the brace that ends what is put in."""
    depth = 1
    while depth:
        if text[at] == "`":
            at = _after_template(text, at + 1)
            continue
        depth += {"{": 1, "}": -1}.get(text[at], 0)
        at += 1
    return at


def _after_template(text: str, at: int) -> int:
    while text[at] != "`":
        at = _after_value(text, at + 2) if text.startswith("${", at) else at + 1
    return at + 1


def texts(text: str) -> list[str]:
    """What of a module people would read, were it not in `words`: in templates, and literals that look like sentences."""
    found = []
    for template in templates(text):
        seen = _Texts()
        seen.feed(template)
        found += seen.found
    code = re.sub(r"(?m)(?<!:)//.*$", "", text)
    return found + re.findall(r"""["'`]([A-Z][a-z]+,? [a-z][^"'`]*)["'`]""", code)


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.relative_to(STATIC).as_posix())
def test_no_text_stands_in_a_script(path: Path) -> None:
    assert texts(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("planted", "text"),
    [
        ("html`<p>Your coins</p>`", "Your coins"),
        ("html`<p>${a ? html`<b>or ${b}</b>` : null}</p>`", "or \u25cb"),
        ("html`<${Bar} id=${id}/> left`", "left"),
        ('html`<button aria-label="Close">${sign}</button>`', "Close"),
        ('setError("Something is wrong")', "Something is wrong"),
    ],
)
def test_the_control_sees_planted_text(planted: str, text: str) -> None:
    assert texts(planted) == [text]


def keys_used() -> tuple[set[str], set[str]]:
    """The keys that scripts name, and the beginnings of those that they put together."""
    spaces = "|".join({key.partition(".")[0] for key in WORDS})
    code = "\n".join(path.read_text(encoding="utf-8") for path in SCRIPTS)
    whole = set(re.findall(rf"""["`]((?:{spaces})\.\w+)["`]""", code))
    return whole, set(re.findall(rf"`((?:{spaces})\.\w*)\$\{{", code))


def test_the_words_are_those_that_scripts_use() -> None:
    whole, begun = keys_used()
    assert whole - set(WORDS) == set()
    assert {key for key in WORDS if key not in whole and not key.startswith(tuple(begun))} == set()
    assert all(any(key.startswith(beginning) for key in WORDS) for beginning in begun)


def holes(entry: str | dict[str, str]) -> set[str]:
    forms = [entry] if isinstance(entry, str) else list(entry.values())
    found = [set(re.findall(r"\{(\w+)\}", form)) for form in forms]
    assert all(one == found[0] for one in found)
    return found[0]


@pytest.mark.parametrize("path", LANGUAGES, ids=lambda path: path.stem)
def test_every_language_has_the_same_keys_and_holes(path: Path) -> None:
    words = json.loads(path.read_text(encoding="utf-8"))
    categories = {"other", *Locale(path.stem).plural_form.tags}
    assert set(words) == set(WORDS)
    for key, entry in words.items():
        assert holes(entry) == holes(WORDS[key]), key
        # Unicode CLDR as Babel has it: every plural category of the language.
        assert isinstance(entry, str) or (set(entry) == categories and "n" in holes(entry)), key
        forms = [entry] if isinstance(entry, str) else list(entry.values())
        assert all(form.strip() == form != "" for form in forms), key
        # French sets a space that does not break before these signs (Lexique des règles typographiques); from memory.
        assert path.stem != "fr" or not any(re.search(r" [:;!?]", form) for form in forms), key


def test_the_languages_are_those_that_there_are_words_for() -> None:
    told = re.search(r"export const LANGUAGES = \{(.*?)\};", (STATIC / "kept" / "words.js").read_text(encoding="utf-8"))
    assert told is not None
    assert dict(re.findall(r'(\w+): "(\w+)"', told[1])) == {
        path.stem: str(Locale(path.stem).display_name).title() for path in LANGUAGES
    }


# --- colours ----------------------------------------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definitions)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, definitions)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def tokens(sheet: str) -> Iterator[tuple[str, dict[str, str]]]:
    """The colours of the style sheet by their names, light and dark."""
    found = re.findall(r"--(\w+): light-dark\((#[0-9a-f]{6}), (#[0-9a-f]{6})\);", sheet)
    yield "light", {name: light for name, light, _ in found}
    yield "dark", {name: dark for name, _, dark in found}


# WCAG 2.2: 1.4.3 for text, 1.4.11 for signs and borders.
TEXT, SHAPES = ("ink", "soft", "mark", "doubt"), ("line", "mark", "doubt")


def too_faint(sheet: str) -> list[str]:
    return [
        f"{scheme}: {name} on {ground}"
        for scheme, colours in tokens(sheet)
        for names, least in ((TEXT, 4.5), (SHAPES, 3.0))
        for name in names
        for ground in ("paper", "sheet")
        if contrast(colours[name], colours[ground]) < least
    ]


def test_letters_and_signs_stand_out_from_what_they_are_on() -> None:
    # What every table of contrasts has (no source: common knowledge of the trade): black on white 21, #767676 just passes.
    assert (contrast("#000000", "#ffffff"), round(contrast("#767676", "#ffffff"), 2)) == (21.0, 4.54)
    sheet = (STATIC / "app.css").read_text(encoding="utf-8")
    assert all(set(colours) == {*TEXT, *SHAPES, "paper", "sheet"} for _, colours in tokens(sheet))
    assert too_faint(sheet) == []
    # No colour but the tokens, which were looked at, and the ground of a QR code, which is white for scanners.
    assert set(re.findall(r"#[0-9a-f]{3,8}\b", sheet.partition("}")[2])) == {"#ffffff"}
    assert "light: soft on paper" in too_faint(sheet.replace("light-dark(#565c66", "light-dark(#a0a6b0"))


def depths(style: str) -> list[int]:
    """How many blocks are open where each part of a style sheet (behind a comment at the beginning of a line) begins, and at its
    end."""
    parts = re.split(r"^/\*.*?\*/", style, flags=re.MULTILINE | re.DOTALL)
    counts = [part.count("{") - part.count("}") for part in parts]
    return [sum(counts[:at]) for at in range(1, len(counts) + 1)]


def test_no_part_of_the_style_stands_inside_another() -> None:
    style = (STATIC / "app.css").read_text(encoding="utf-8")
    assert set(depths(style)) == {0}
    # The control: one brace is lost.
    assert set(depths(style.replace("}\n\n/* clubs", "\n\n/* clubs"))) == {0, 1}
