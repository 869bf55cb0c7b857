# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs the program as a user would, away from the user's own data."""
import json
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

PROGRAM = os.environ["ROLLBOOK"]
# A plan that takes little time; the program looks into $ROLLBOOK_SIGNALS first and then where its own are.
SHORT_PLAN = "[plan]\ntitle = Short\n\n[steps]\ntone-short = 1 W both\n"
SHORT_TONE = ("[signal]\ntitle = Short 1 kHz tone\nprocedure = tone\nfrequency_hz = 1000\nduration_s = 2\n"
              "settle_s = 0.2\n")
SANITIZED = os.environ.get("RB_CHECK") in ("sanitize", "tsan")


class Done:
    """How a run ended."""

    def __init__(self, words, code, out, err):
        self.words, self.code, self.out, self.err = words, code, out, err

    @property
    def json(self):
        answer = json.loads(self.out, parse_constant=lambda word: 1 / 0)  # no NaN, no Infinity
        assert answer["rollbook"] and answer["command"], self
        return answer

    def __repr__(self):
        return f"{self.words} -> {self.code}\n--- out\n{self.out}\n--- err\n{self.err}"


class Bench:
    """A folder of its own with a home, a place to work in, and a book that may come to be."""

    def __init__(self):
        self.folder = Path(tempfile.mkdtemp(prefix="rollbook-test-"))
        self.book = self.folder / "book"
        self.work = self.folder / "work"
        self.work.mkdir()
        self.signals = self.folder / "signals"
        self.signals.mkdir()
        (self.signals / "short.ini").write_text(SHORT_PLAN)
        (self.signals / "tone-short.ini").write_text(SHORT_TONE)

    def close(self):
        shutil.rmtree(self.folder, ignore_errors=True)

    def environment(self, **more):
        kept = {k: v for k, v in os.environ.items() if not k.startswith("XDG_") and k != "ROLLBOOK_BOOK"}
        kept.update(HOME=str(self.folder / "home"), ROLLBOOK_BOOK=str(self.book), LC_ALL="C.UTF-8",
                    ROLLBOOK_SIGNALS=str(self.signals))
        kept.update(more)
        return {k: v for k, v in kept.items() if v is not None}

    def run(self, *words, stdin="", cwd=None, timeout=300, **environment):
        words = [str(word) for word in words]
        done = subprocess.run([PROGRAM, *words], input=stdin, capture_output=True, text=True, timeout=timeout,
                              cwd=cwd or self.work, env=self.environment(**environment), errors="replace")
        return Done(words, done.returncode, done.stdout, done.stderr)

    def must(self, *words, **how):
        done = self.run(*words, **how)
        assert done.code == 0, done
        return done

    def stock(self):
        """A small amplifier with two line-ups that differ in one tube."""
        self.must("amp", "add", "Bench amp", "--socket", "V1=voltage amplifier,left,6SL7", "--socket",
                  "V2=phase inverter,left,6SN7")
        for label, kind in (("D1", "6SL7"), ("P1", "6SN7"), ("P2", "6SN7")):
            self.must("tube", "add", label, "--type", kind)
        self.must("lineup", "new", "first", "--socket", "V1=D1", "--socket", "V2=P1")
        self.must("lineup", "swap", "first", "second", "--socket", "V2=P2")
