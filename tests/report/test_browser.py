"""The report in a real browser: loads without an error, fits narrow and wide windows, is legible.

The page itself holds no script; the check's script goes into a copy of it.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess

import pytest
from invented_case_folder import invented_case_folder

from coreg.report import case_document
from coreg.report.html import to_html

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")

# Contrast ratio as in WCAG 2.2, success criterion 1.4.3 (formula of relative luminance).
PROBE = """
<script>
function channels(text) { return text.match(/[\\d.]+/g).map(Number); }
function luminance(rgb) {
  const [r, g, b] = rgb.slice(0, 3).map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}
function behind(element) {
  for (let e = element; e; e = e.parentElement) {
    const c = channels(getComputedStyle(e).backgroundColor);
    if (c.length === 3 || c[3] > 0) return c;
  }
  return [255, 255, 255];
}
addEventListener("load", () => {
  let contrast = 99, smallest = 99, wide = [];
  for (const e of document.querySelectorAll("h1,h2,p,li,a,th,td,caption,figcaption")) {
    const style = getComputedStyle(e);
    const a = luminance(channels(style.color)), b = luminance(behind(e));
    contrast = Math.min(contrast, (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05));
    smallest = Math.min(smallest, parseFloat(style.fontSize));
    const box = e.getBoundingClientRect();
    if (box.right > innerWidth + 1 && !e.closest(".scroll,.skip")) wide.push(e.textContent);
  }
  const found = {
    contrast, smallest, wide, width: innerWidth,
    page: document.documentElement.scrollWidth,
    images: [...document.images].map(i => i.naturalWidth),
    clipped: [...document.querySelectorAll(".scroll")].filter(
      s => s.scrollWidth > s.clientWidth + 1 && getComputedStyle(s).overflowX !== "auto").length,
    broken: [...document.querySelectorAll("a[href^='#']")].filter(
      a => !document.querySelector(a.getAttribute("href"))).length,
  };
  document.title = "found:" + JSON.stringify(found);
});
</script>
"""


def browse(page, width):
    """The page after loading, and what the browser complained of."""
    done = subprocess.run(
        [
            CHROMIUM,
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            f"--window-size={width},1200",
            f"--user-data-dir={page.parent / 'profile'}",
            "--enable-logging=stderr",
            "--dump-dom",
            page.as_uri(),
        ],
        capture_output=True,
        text=True,
        timeout=120,
    )
    return done.stdout, re.findall(r":CONSOLE.*", done.stderr)


@pytest.fixture(scope="module")
def html(tmp_path_factory):
    return to_html(case_document(invented_case_folder(tmp_path_factory.mktemp("case") / "a")))


def test_the_page_as_written_loads_without_a_complaint(html, tmp_path):
    page = tmp_path / "report.html"
    page.write_text(html, encoding="utf-8")
    dom, complaints = browse(page, 1280)
    assert complaints == []
    assert "Settings, versions and files" in dom


@pytest.mark.parametrize("width", [1600, 500])
def test_the_page_fits_and_is_legible(html, tmp_path, width):
    """500 px is the narrowest window that headless Chromium makes."""
    page = tmp_path / "probe.html"
    without_policy = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", html)
    page.write_text(without_policy.replace("</body>", f"{PROBE}</body>"), encoding="utf-8")
    dom, complaints = browse(page, width)
    found = re.search(r"<title>found:(.*?)</title>", dom, flags=re.S)
    assert found, complaints
    measured = json.loads(found.group(1).replace("&amp;", "&").replace("&lt;", "<"))
    assert measured["width"] == width
    assert measured["page"] <= width
    assert measured["wide"] == []
    assert measured["clipped"] == 0
    assert measured["broken"] == 0
    assert measured["images"] == [1]
    assert measured["contrast"] >= 4.5
    assert measured["smallest"] >= 12
