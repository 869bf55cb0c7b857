# SPDX-License-Identifier: GPL-3.0-or-later
"""Pages of an invented swap, written by tool_pages, for the tests beside this file."""
import os
import re
import subprocess
import tempfile
from html.parser import HTMLParser
from pathlib import Path

NAMES = ("swap.html", "nothing.html", "one-sitting.html", "hostile.html", "lineup.html", "tube.html")
VOID = {"meta", "link", "br", "img", "hr", "input"}


def written():
    folder = tempfile.TemporaryDirectory(prefix="rollbook-pages-")
    tool = Path(os.environ["RB_BUILD"]) / "tests/report_tool_pages"
    subprocess.run([tool, folder.name], check=True)
    return folder


class Page(HTMLParser):
    """Elements, their text, and whether they nest."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.faults, self.tags, self.texts = [], [], [], []
        self.feed(text)
        self.close()
        self.faults += [f"<{tag}> is never closed" for tag, _ in self.open]

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append((tag, dict(attributes)))

    def handle_startendtag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        if not self.open or self.open[-1][0] != tag:
            self.faults.append(f"</{tag}> closes {self.open[-1][0] if self.open else 'nothing'}")
        if self.open:
            self.open.pop()

    def handle_data(self, data):
        self.texts.append((tuple(tag for tag, _ in self.open), self.open[-1][1] if self.open else {}, data))

    def text_inside(self, tag):
        return " ".join(data for path, _, data in self.texts if tag in path)


def svgs(html):
    return re.findall(r"<svg.*?</svg>", html, re.S)
