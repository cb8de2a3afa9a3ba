"""The page in a real browser, where one is installed: nothing overlaps, overflows or complains.

Looks for Chromium or Chrome on the path, or for the program that ``BLANKBENCH_BROWSER`` names.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from html import unescape
from pathlib import Path

import pytest
from show_examples import batch_result, flex_result, roll_result, unknown_roll

from analysis.decide.conformity import LabelTally, Limits, guarded
from analysis.decide.grade import Grade, grade_blanks
from analysis.estimate import Estimate
from analysis.show.page import BlankPage, PageInfo, report_page
from analysis.show.page_grade import Graded

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
BROWSER = os.environ.get("BLANKBENCH_BROWSER") or next(filter(None, map(shutil.which, NAMES)), None)
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        BROWSER is None, reason="no Chromium on the path (set BLANKBENCH_BROWSER to use another)"
    ),
]

# Measures after layout and leaves the findings as text. It stands in for the policy that forbids scripts.
MEASURE = """
<script>
addEventListener('load', () => {
  const meet = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1.5
                      && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 2.5;
  const overlaps = [];
  const pairs = (boxes, where) => boxes.forEach((one, i) => boxes.slice(i + 1).forEach(other => {
    if (meet(one.box, other.box)) overlaps.push(where + ': ' + one.text + ' | ' + other.text);
  }));
  for (const svg of document.querySelectorAll('svg')) {
    const texts = [...svg.querySelectorAll('text')].filter(t => t.textContent.trim());
    pairs(texts.map(t => ({box: t.getBoundingClientRect(), text: t.textContent})), svg.id);
    const frame = svg.getBoundingClientRect();
    for (const t of texts) {
      const box = t.getBoundingClientRect();
      const cut = box.left < frame.left - 1 || box.right > frame.right + 1;
      if (cut) overlaps.push(svg.id + ' cut: ' + t.textContent);
    }
  }
  for (const parent of document.querySelectorAll('section, .pair, .figures, table, tr, dl')) {
    const shown = [...parent.children].filter(c => getComputedStyle(c).display !== 'none');
    const boxes = shown.map(c => ({box: c.getBoundingClientRect(), text: c.tagName + c.className}));
    pairs(boxes, parent.className);
  }
  for (const frame of document.querySelectorAll('.scroll:has(.metrics, .findings)')) {
    const over = frame.scrollWidth - frame.clientWidth;
    if (over > 1) overlaps.push('table cut by ' + over + ': ' + frame.textContent.slice(0, 60));
  }
  const wide = document.documentElement.scrollWidth - innerWidth;
  const small = [...document.querySelectorAll('svg text')].map(t => t.getBoundingClientRect().height);
  const smallest = Math.min(...small);
  parent.postMessage({overlaps, wide, width: innerWidth, texts: small.length, smallest}, '*');
});
</script>
"""
# A browser's own window has a least width, wider than a phone; a frame has none.
FRAME = """<!doctype html><title>waiting</title>
<script>onmessage = message => { document.title = JSON.stringify(message.data); }</script>
<iframe src="page.html" style="width:WIDTHpx;height:9000px;border:0"></iframe>
"""


@pytest.fixture(scope="module")
def page():
    blanks = [
        BlankPage(
            "A-01",
            "example model",
            roll_result(),
            flex_result(),
            ("chip at the tip",),
            (
                ("Rod", "loan rod 3"),
                ("Customer's job", "2026-118"),
                ("Guide layout", "9 guides, cm from the tip: " + ", ".join(map(str, range(10, 190, 9)))),
                ("Static test", "no flat spot to 40 degrees; the second guide was moved by 1 cm. " * 2),
            ),
        ),
        BlankPage("A-04 شركة " + "long name " * 50, "example model", unknown_roll(), None),
        BlankPage("A-05", "example model", roll_result(hanging=True, barrier_corrected=False), None),
    ]
    info = PageInfo("Invented Rod Works", "4 May 2026", "R. Example", "load ±0.4 %, 2026-05-01")
    return report_page(info, blanks, batch_result(warnings=("A-02 was measured on another day",)))


@pytest.fixture(scope="module")
def shipment():
    """The same with the blanks graded, on the first sheet."""
    grades = [
        Grade("<b>best</b>", (Limits("reference_load", 4.9, 5.1), Limits("bow", None, 0.004))),
        Grade("keep", (Limits("reference_load", 4.5, 5.5), Limits("bow", None, 0.012))),
    ]
    loads = {f"A-0{n}": Estimate(4.4 + 0.2 * n, 0.02) for n in range(1, 6)}
    bows = {f"A-0{n}": Estimate(0.003 * n, 0.0008) for n in range(1, 6)}
    result = grade_blanks({"reference_load": loads, "bow": bows}, grades, guarded(0.95))
    labels = [LabelTally("power", dict.fromkeys(loads, "medium"), dict.fromkeys(loads, 0.99))]
    info = PageInfo("Invented Rod Works", "4 May 2026", "R. Example", "load ±0.4 %, 2026-05-01")
    blanks = [BlankPage("A-01", "example model", roll_result(), flex_result())]
    return report_page(info, blanks, batch_result(), Graded(result, labels))


def browse(file: Path, folder: Path, *options: str) -> tuple[str, str]:
    assert BROWSER is not None
    done = subprocess.run(
        [
            BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--enable-logging=stderr", "--v=0",
            f"--user-data-dir={folder / 'profile'}", *options, file.as_uri(),
        ],
        capture_output=True, text=True, timeout=120, check=True, encoding="utf-8",
    )  # fmt: skip
    return done.stdout, done.stderr


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [360, 768, 1440])
@pytest.mark.parametrize("which", ["page", "shipment"])
def test_nothing_overlaps_or_overflows(request, tmp_path, width, dark, which):
    page = request.getfixturevalue(which)
    measured = re.sub(r"<meta http-equiv[^>]*>", "", page).replace("</body>", f"{MEASURE}</body>")
    if dark:
        measured = measured.replace("@media screen and (prefers-color-scheme: dark)", "@media screen")
    (tmp_path / "page.html").write_text(measured, encoding="utf-8")
    file = tmp_path / "frame.html"
    file.write_text(FRAME.replace("WIDTH", str(width)), encoding="utf-8")
    dumped, errors = browse(
        file, tmp_path, "--window-size=1500,2000", "--virtual-time-budget=5000", "--dump-dom"
    )
    found = json.loads(unescape(re.search(r"<title>(\{.*?\})</title>", dumped, re.DOTALL).group(1)))
    assert found["width"] == width
    assert found["texts"] > 100
    assert found["overlaps"] == []
    assert found["wide"] <= 0
    assert found["smallest"] >= 8.0
    assert "CONSOLE" not in errors


ACCESSIBLE = """
<script>AXE</script>
<script>
addEventListener('load', async () => {
  const found = await axe.run(document, {resultTypes: ['violations']});
  const told = found.violations.map(v => v.id + ': ' + v.nodes.map(n => n.html.slice(0, 120)).join(' | '));
  document.title = JSON.stringify({told, passed: found.passes.length});
});
</script>
"""


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("which", ["page", "shipment"])
def test_an_automatic_accessibility_check_finds_nothing(request, tmp_path, dark, which):
    """axe-core, a general-purpose checker of WCAG rules, as axe-core-python carries it (dev extra)."""
    page = request.getfixturevalue(which)
    axe = pytest.importorskip("axe_core_python", reason="axe-core-python is in the dev extra")
    source = Path(axe.__file__).with_name("axe.min.js").read_text(encoding="utf-8")
    checked = re.sub(r"<meta http-equiv[^>]*>", "", page)
    checked = checked.replace("</body>", ACCESSIBLE.replace("AXE", source, 1) + "</body>")
    if dark:
        checked = checked.replace("@media screen and (prefers-color-scheme: dark)", "@media screen")
    file = tmp_path / "page.html"
    file.write_text(checked, encoding="utf-8")
    dumped, _ = browse(file, tmp_path, "--window-size=1200,2000", "--virtual-time-budget=20000", "--dump-dom")
    found = json.loads(unescape(re.search(r"<title>(\{.*?\})</title>", dumped, re.DOTALL).group(1)))
    assert found["told"] == []
    assert found["passed"] > 10


def test_the_page_asks_nothing_from_outside(page):
    asked = re.findall(r"""(?:src|href|srcset|action|data)\s*=\s*["']([^"']*)""", page)
    asked += re.findall(r"url\([\"']?([^)\"']*)", page)
    assert asked  # the figures refer to their own parts
    assert all(target.startswith(("#", "data:")) for target in asked)
    assert "@import" not in page
    assert "<script" not in page


def test_the_page_as_it_is_says_nothing_on_the_console(page, tmp_path):
    file = tmp_path / "page.html"
    file.write_text(page, encoding="utf-8")
    _, errors = browse(file, tmp_path, "--dump-dom")
    assert "CONSOLE" not in errors


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_every_sheet_prints_on_one_page(page, tmp_path, paper):
    file, pdf = tmp_path / "page.html", tmp_path / "page.pdf"
    file.write_text(page.replace("@page { margin", f"@page {{ size: {paper}; margin"), encoding="utf-8")
    browse(file, tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={pdf}")
    pages = re.findall(rb"/Type\s*/Page\b", pdf.read_bytes())
    assert len(pages) == 4
