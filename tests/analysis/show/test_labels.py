"""The label sheet: every label whole, inside its page, in a real browser where one is installed."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from html import unescape
from pathlib import Path

import pytest

from analysis.show.labels import A_PAGE, Label, label_sheet

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
BROWSER = os.environ.get("BLANKBENCH_BROWSER") or next(filter(None, map(shutil.which, NAMES)), None)
in_browser = pytest.mark.skipif(BROWSER is None, reason="no Chromium on the path")
MEASURE = """<script>
addEventListener('load', () => {
  const found = {cut: [], outside: [], overlaps: [], sizes: []};
  for (const label of document.querySelectorAll('.label')) {
    const box = label.getBoundingClientRect();
    found.sizes.push([box.width * 25.4 / 96, box.height * 25.4 / 96]);
    const page = label.parentElement.getBoundingClientRect();
    if (box.right > page.right || box.bottom > page.bottom || box.left < page.left) {
      found.outside.push(label.textContent);
    }
    const parts = [...label.children].map(part => part.getBoundingClientRect());
    parts.forEach((one, i) => {
      if (one.bottom > box.bottom + 0.5) found.outside.push(label.children[i].textContent);
      parts.slice(i + 1).forEach(other => {
        if (other.top < one.bottom - 1) found.overlaps.push(label.textContent);
      });
    });
    const name = label.firstElementChild;
    if (name.scrollWidth > name.clientWidth + 1 || name.scrollHeight > name.clientHeight + 1) {
      found.cut.push(name.textContent);
    }
    for (const fact of label.querySelectorAll('.fact')) {
      if (fact.scrollWidth > fact.clientWidth + 1) found.cut.push(fact.textContent);
    }
  }
  document.title = JSON.stringify(found);
});
</script>"""


def browse(file: Path, folder: Path, *options: str) -> str:
    assert BROWSER is not None
    words = [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}"]
    done = subprocess.run(
        [*words, *options, file.as_uri()], capture_output=True, text=True, timeout=120, check=True
    )
    return done.stdout


def labels() -> list[Label]:
    """The fullest labels there can be, and some that are nearly empty."""
    names = ["A-01", "W" * 8, "W" * 11, "W" * 20, "\u05e9\u05dc\u05d5\u05dd-3", "m_" * 10]
    full = [
        Label(
            name, "A model with a rather long name 7'6\" boat", "123.8° ± 11.4°", "extra-heavy",
            "moderate-fast", "A1", "shipment P, 2026-05-08",
        )
        for name in names
    ]  # fmt: skip
    return full + [Label(f"B-{number:02d}") for number in range(30)]


def test_a_label_has_what_is_known_and_a_line_to_write_on_where_nothing_is() -> None:
    measured = label_sheet([Label("A-01", "Petrel", "124° ± 1°", "medium", "fast", "first", "shipment A")])
    for words in ("A-01", "Petrel", "124° ± 1°", "medium", "fast", "first", "shipment A"):
        assert f">{words}<" in measured
    assert "<u></u>" not in measured
    assert "<u></u>" in label_sheet([Label("A-01")])


def test_whatever_a_name_holds_stays_text() -> None:
    evil = "<script>alert(1)</script>\u202e\x1b[31m"
    page = label_sheet([Label(evil, evil, evil, evil, evil, evil, evil)])
    assert "<script" not in page
    assert "\u202e" not in page
    assert "\x1b" not in page


def test_used_places_stay_empty_and_more_than_a_page_is_refused() -> None:
    page = label_sheet([Label("A-01")], skip=A_PAGE - 1)
    assert page.count("<li") == A_PAGE
    assert page.count('<ol class="page"') == 1
    assert label_sheet([Label("A"), Label("B")], skip=A_PAGE - 1).count('<ol class="page"') == 2
    with pytest.raises(ValueError, match="places"):
        label_sheet([], skip=A_PAGE)


@pytest.mark.slow
@in_browser
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_label_is_whole_and_true_to_size(paper: str, tmp_path: Path) -> None:
    file = tmp_path / "labels.html"
    page = re.sub(r"<meta http-equiv[^>]*>", "", label_sheet(labels(), paper))  # type: ignore[arg-type]
    file.write_text(page.replace("</body>", f"{MEASURE}</body>"), encoding="utf-8")
    dumped = browse(file, tmp_path, "--window-size=1200,2000", "--dump-dom")
    found = json.loads(unescape(re.search(r"<title>(\{.*?\})</title>", dumped, re.DOTALL)[1]))
    assert len(found["sizes"]) == 36
    assert all(size == pytest.approx([60.0, 28.0], abs=0.05) for size in found["sizes"])
    assert found["cut"] == found["outside"] == found["overlaps"] == []


@pytest.mark.slow
@in_browser
@pytest.mark.parametrize(("paper", "width", "height"), [("a4", 595.3, 841.9), ("letter", 612.0, 792.0)])
def test_it_prints_on_its_paper_page_by_page(paper: str, width: float, height: float, tmp_path: Path) -> None:
    """A4 is 210 × 297 mm (ISO 216), Letter 8.5 × 11 in (ASME Y14.1); in points of 1/72 in."""
    file, pdf = tmp_path / "labels.html", tmp_path / "labels.pdf"
    file.write_text(label_sheet(labels(), paper), encoding="utf-8")  # type: ignore[arg-type]
    browse(file, tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={pdf}")
    data = pdf.read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", data)) == 2
    box = re.search(rb"/MediaBox\s*\[\s*0 0 ([0-9.]+) ([0-9.]+)", data)
    assert (float(box[1]), float(box[2])) == pytest.approx((width, height), abs=0.6)
