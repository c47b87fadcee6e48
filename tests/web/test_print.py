"""Pages to print: opened from the app, printed to PDF by Chromium, read back by poppler's pdfinfo and pdftotext."""

from __future__ import annotations

import base64
import re
import shutil
import subprocess
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest

from service.formats.label_sheets import label_sheets
from tests.web.a_set import HOSTILE, Collector
from tests.web.browser import Page, ensure_tool

pytestmark = [pytest.mark.browser, pytest.mark.process]
# ISO 216 gives A4 and A6 in millimetres; a point is 1/72 inch.
MILLIMETRE = 72 / 25.4
A4, A6 = (210, 297), (105, 148)

Box = tuple[float, float, float, float]


class Pdf:
    """A page as it goes to the printer."""

    def __init__(self, page: Page, path: Path) -> None:
        ensure_tool("pdfinfo", "poppler-utils")
        told = page.driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})
        path.write_bytes(base64.b64decode(told["data"]))
        self._path = path

    def _run(self, *command: str) -> str:
        program = shutil.which(command[0])
        assert program is not None
        return subprocess.run([program, *command[1:]], check=True, capture_output=True, text=True).stdout

    def sizes(self) -> list[tuple[int, int]]:
        """Width and height of each page, in whole millimetres."""
        found = re.findall(
            r"Page +\d+ size: +([\d.]+) x ([\d.]+) pts", self._run("pdfinfo", "-l", "99", str(self._path))
        )
        return [(round(float(width) / MILLIMETRE), round(float(height) / MILLIMETRE)) for width, height in found]

    def words(self) -> list[tuple[str, Box]]:
        """The words of the first page, each with its box in millimetres."""
        xml = self._run("pdftotext", "-bbox", "-l", "1", str(self._path), "-")
        found = []
        for word in ElementTree.fromstring(xml.encode()).iter("{http://www.w3.org/1999/xhtml}word"):
            left, top, right, bottom = (
                float(word.attrib[name]) / MILLIMETRE for name in ("xMin", "yMin", "xMax", "yMax")
            )
            found.append((word.text or "", (left, top, right, bottom)))
        return found

    def text(self) -> str:
        return " ".join(self._run("pdftotext", str(self._path), "-").split())


def opened(page: Page, what: str, tmp_path: Path) -> Pdf:
    """Chooses it on the view, opens the page, prints it, and goes back to the app."""
    page.click(f"input[name=what][value={what}]")
    page.press("Open the page")
    page.until("body:not(:has(#app))")
    pdf = Pdf(page, tmp_path / f"{what}.pdf")
    assert page.run("return document.scripts.length") == 0
    page.driver.back()
    page.until("main h1", says="Print")
    return pdf


def test_pages_are_printed_at_their_sizes(page: Page, collector: Collector, tmp_path: Path) -> None:
    collector.photograph("s1")
    page.sign_in(collector.token, "/app/")
    page.run_until("return navigator.serviceWorker.controller !== null")
    page.press("Print")

    # --- the want list, on a sheet and on a card
    sheet = opened(page, "want", tmp_path)
    assert sheet.sizes() == [A4]
    said = sheet.text()
    for wanted in ("Larger ones", "A crown", "Any sixpence (2)", "A guinea: a guinea; optional"):
        assert wanted in said, said
    assert "A sound shilling: No. s1 (1935 shilling), grade 50" in said and HOSTILE in said
    columns = {round(box[0] / 105) for text, box in sheet.words() if text in ("Other", "Larger", "better", "One")}
    assert columns <= {0, 1}
    page.run("document.querySelector('[name=paper]').value = 'a6'")
    card = opened(page, "want", tmp_path)
    assert set(card.sizes()) == {A6}
    assert all(box[0] >= 0 and box[2] <= 105 for _, box in card.words())

    # --- labels, from the third on
    page.click("input[name=what][value=labels]")
    page.run("document.querySelector('[name=sheet]').value = 'a4-38x21'")
    page.type_into("First label", "3")
    labels = opened(page, "labels", tmp_path)
    assert labels.sizes() == [A4]
    ensure_within_cells(labels, "a4-38x21", 3, 9)

    # --- an exhibition of today
    page.click("input[name=what][value=exhibition]")
    page.type_into("Title of the exhibition", "Small change in the hall")
    shown = opened(page, "exhibition", tmp_path)
    assert shown.sizes()[0] == A4
    assert "Small change in the hall" in shown.text() and "1935 shilling" in shown.text()
    assert "images" not in shown.text()
    # Whoever comes back has it chosen, and makes no second one.
    again = opened(page, "exhibition", tmp_path)
    assert "Small change in the hall" in again.text()
    assert len(collector.ask("GET", f"/v1/definitions/{collector.set}/exhibitions").json()["items"]) == 1

    # --- the inventory
    inventory = opened(page, "inventory", tmp_path)
    assert inventory.sizes()[0] == A4
    assert "9 pieces" in inventory.text() and "no valuation" in inventory.text()
    # Nothing of it is kept in the browser.
    left = "const done = arguments[0]; caches.open('paper').then((pages) => pages.keys()).then((kept) => done(kept.length))"
    assert page.driver.execute_async_script(left) == 0


def ensure_within_cells(pdf: Pdf, name: str, first: int, count: int) -> None:
    """Every word is within one label of the grid; the labels before the first have none, and so many have some."""
    sheet = label_sheets()[name]
    (left, top), (width, height), (across, down) = sheet.margin, sheet.label, sheet.gap
    used: list[int] = []
    for text, box in pdf.words():
        column, row = int((box[0] - left) // (width + across)), int((box[1] - top) // (height + down))
        cell = (left + column * (width + across), top + row * (height + down))
        # A hundredth of a millimetre for rounding.
        assert cell[0] - 0.01 <= box[0] and box[2] <= cell[0] + width + 0.01, text
        assert cell[1] - 0.01 <= box[1] and box[3] <= cell[1] + height + 0.01, text
        used.append(row * sheet.columns + column + 1)
    places = sorted(set(used))
    assert places[0] == first and len(places) == count
    assert all(later - earlier == 1 for earlier, later in pairwise(places))


def test_the_control_sees_a_label_that_is_shifted(page: Page, collector: Collector, tmp_path: Path) -> None:
    page.sign_in(collector.token, "/app/")
    page.run_until("return navigator.serviceWorker.controller !== null")
    page.open("/app/print?what=labels")
    page.until("[name=sheet]")
    page.run("document.querySelector('[name=sheet]').value = 'a4-38x21'")
    page.press("Open the page")
    page.until("body:not(:has(#app))")
    ensure_within_cells(Pdf(page, tmp_path / "straight.pdf"), "a4-38x21", 1, 9)
    # What a driver does is exempt from the page's policy.
    page.run("document.querySelector('.sheet').style.paddingLeft = '25mm'")
    with pytest.raises(AssertionError):
        ensure_within_cells(Pdf(page, tmp_path / "shifted.pdf"), "a4-38x21", 1, 9)
