# SPDX-License-Identifier: GPL-3.0-or-later
"""The pages in a browser: no console errors, no sideways scrolling on a phone, dark when asked, two printed pages."""
import re
import shutil
import struct
import subprocess
import sys
import tempfile
import zlib
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import pages  # noqa: E402

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
         "--disable-background-networking", "--disable-component-update", "--disable-sync", "--enable-logging=stderr",
         "--allow-file-access-from-files", "--virtual-time-budget=4000", "--disable-dev-shm-usage")
PHONE = """<!DOCTYPE html><meta charset="utf-8"><body style="margin:0">
<iframe id="p" src="{page}" style="border:0;width:390px;height:800px"></iframe>
<script>document.getElementById("p").onload = e => {{
  const d = e.target.contentDocument, r = d.documentElement;
  const out = [...d.querySelectorAll("body *")].filter(x => !x.closest(".scroll") && !x.closest("svg") &&
    x.getBoundingClientRect().right > 391).map(x => x.tagName + "." + x.className);
  document.body.dataset.width = r.scrollWidth;
  document.body.dataset.out = out.join(" ");
}}</script>"""


def browse(url, *extra):
    with tempfile.TemporaryDirectory(prefix="rollbook-browser-") as profile:
        return subprocess.run([BROWSER, *FLAGS, f"--user-data-dir={profile}", *extra, url], capture_output=True,
                              text=True, timeout=120)


def console_faults(stderr):
    return [line for line in stderr.splitlines() if ":CONSOLE" in line]


def png_pixels(path):
    """Width, height and the mean brightness of an 8-bit PNG (PNG specification, section 9: filters)."""
    data, at, packed = Path(path).read_bytes(), 8, b""
    while at < len(data):
        length, kind = struct.unpack(">I4s", data[at:at + 8])
        body = data[at + 8:at + 8 + length]
        if kind == b"IHDR":
            width, height, _, colour = struct.unpack(">IIBB", body[:10])
        elif kind == b"IDAT":
            packed += body
        at += 12 + length
    channels = {2: 3, 6: 4, 0: 1}[colour]
    raw, stride = zlib.decompress(packed), width * channels
    # The corner of the page is its paper: the first pixel of the first line, whatever the filter.
    assert raw[0] in (0, 1, 2, 3, 4)
    return width, height, tuple(raw[1:1 + 3]), stride


def pages_open_without_console_errors(folder):
    for name in pages.NAMES:
        shot = folder / "shot.png"
        done = browse(f"file://{folder}/{name}", f"--screenshot={shot}", "--window-size=1200,900")
        assert done.returncode == 0, done.stderr[-2000:]
        assert not console_faults(done.stderr), (name, console_faults(done.stderr))
        assert png_pixels(shot)[:2] == (1200, 900)


def an_error_on_a_console_is_seen(folder):
    (folder / "broken.html").write_text("<!DOCTYPE html><script>nowhere.at.all()</script>")
    assert console_faults(browse(f"file://{folder}/broken.html", "--dump-dom").stderr)


def dark_readers_get_dark_pages(folder):
    papers = {}
    for scheme, setting in (("light", "1"), ("dark", "0")):
        shot = folder / f"{scheme}.png"
        browse(f"file://{folder}/swap.html", f"--screenshot={shot}", "--window-size=1000,900",
               f"--blink-settings=preferredColorScheme={setting}")
        papers[scheme] = png_pixels(shot)[2]
    assert papers["light"] == (0xFD, 0xFC, 0xF9), papers
    assert papers["dark"] == (0x17, 0x18, 0x1A), papers


def nothing_scrolls_sideways_on_a_phone(folder):
    for name in ("swap.html", "hostile.html", "lineup.html", "tube.html"):
        frame = folder / "phone.html"
        frame.write_text(PHONE.format(page=name), encoding="utf-8")
        dom = browse(f"file://{frame}", "--dump-dom", "--window-size=800,900").stdout
        width = re.search(r'data-width="(\d+)"', dom)
        assert width, f"{name} was not measured: {dom[:300]}"
        assert int(width.group(1)) <= 390, (name, width.group(1), re.search(r'data-out="([^"]*)"', dom).group(1))


def a_swap_prints_on_two_pages(folder):
    pdf = folder / "print.pdf"
    browse(f"file://{folder}/swap.html", f"--print-to-pdf={pdf}", "--no-pdf-header-footer")
    info = subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout
    assert int(re.search(r"Pages:\s+(\d+)", info).group(1)) <= 2, info
    assert "A4" in info, info
    text = subprocess.run(["pdftotext", pdf, "-"], check=True, capture_output=True, text=True).stdout
    assert "In short" in text and "qualified" in text and "H10" in text


def our_own_pdf_has_text_and_a4_pages(folder):
    pdf = folder / "swap.html.pdf"
    info = subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout
    assert "A4" in info and "V3: 6SN7 no. 1 out, 6SN7 no. 2 in" in info, info
    text = subprocess.run(["pdftotext", pdf, "-"], check=True, capture_output=True, text=True).stdout
    assert "Second harmonic" in text and "Invented data" in text


TESTS = (an_error_on_a_console_is_seen, pages_open_without_console_errors, dark_readers_get_dark_pages,
         nothing_scrolls_sideways_on_a_phone, a_swap_prints_on_two_pages, our_own_pdf_has_text_and_a4_pages)


def main():
    if not BROWSER or not shutil.which("pdfinfo"):
        print("chromium or poppler-utils is not installed: tests/run-all.sh installs them")
        return 77
    with pages.written() as folder:
        for test in TESTS:
            test(Path(folder))
            print("ok", test.__name__)
    return 0


sys.exit(main())
