# SPDX-License-Identifier: GPL-3.0-or-later
"""Good and bad use, one row a case: words, exit code, what standard output or error must say."""
import re
import subprocess
import unittest
from pathlib import Path

import os
from program import Bench

# (words, exit code, pattern on standard output, pattern on standard error)
BEFORE_A_BOOK = [
    ([], 2, None, r"Usage: rollbook .*.*No command was given"),
    (["--version"], 0, r"^rollbook \d+\.\d+\.\d+ \(", None),
    (["--help"], 0, r"(?s)Commands.*amp .*lineup .*help", None),
    (["help"], 0, r"(?s)Commands.*amp .*help", None),
    (["help", "amp", "add"], 0, r"--socket NAME=ROLE,CHANNEL,TYPE", None),
    (["amp", "add", "--help"], 0, r"(?s)Usage: rollbook amp add NAME .*Default: 25\.", None),
    (["amp", "--help"], 0, r"(?s)Usage: rollbook amp COMMAND.*add .*show .*list", None),
    (["help", "nothing"], 2, None, r"no command 'nothing'"),
    (["ampp"], 2, None, r"Did you mean `rollbook amp`\?"),
    (["hlep"], 2, None, r"Did you mean `rollbook help`\?"),
    (["quite-another-word"], 2, None, r"There are: .*\bamp\b"),
    (["amp"], 2, None, r"needs one of: add, show, list"),
    (["amp", "lsit"], 2, None, r"Did you mean `rollbook amp list`\?"),
    (["--bokk", "x", "amp", "list"], 2, None, r"no option '--bokk'. Did you mean --book\?"),
    (["amp", "list", "--jsno"], 2, None, r"Did you mean --json\?"),
    (["amp", "list", "-z"], 2, None, r"no option '-z'"),
    (["amp", "list", "--book"], 2, None, r"'--book' of rollbook amp list needs a value"),
    (["amp", "list", "surplus"], 2, None, r"does not know what to do with 'surplus'"),
    (["amp", "add"], 2, None, r"needs NAME"),
    (["amp", "add", "X"], 2, None, r"either --socket for each one, or --simulated"),
    (["amp", "add", "--socket", "V1=phase inverter"], 2, None, r"needs NAME"),
    (["amp", "add", "X", "--socket", "V1"], 2, None, r"--socket needs NAME=VALUE, but got 'V1'"),
    (["amp", "add", "X", "--socket", "V1=mixer"], 2, None, r"'mixer' is no role.*phase\s+inverter"),
    (["amp", "add", "X", "--socket", "V1=rectifier,up"], 2, None, r"'up' of --socket V1 is no channel"),
    (["amp", "add", "X", "--socket", "V1=rectifier", "--power", "lots"], 2, None, r"--power needs a number"),
    (["amp", "add", "X", "--socket", "V1=rectifier", "--power", "nan"], 2, None, r"--power needs a number"),
    (["amp", "add", "X", "--socket", "V1=rectifier", "--power", "0"], 2, None, r"--power must be from 0.1 to"),
    (["amp", "add", "X", "--socket", "V1=rectifier", "--power", "1", "--power", "2"], 2, None, r"given twice"),
    (["amp", "add", "X", "--socket", "V1=rectifier", "--socket", "V1=rectifier"], 2, None, r"V1 was given twice"),
    (["tube", "add", "X"], 2, None, r"needs --type"),
    (["tube", "list"], 4, None, r"There is no book at .*`rollbook\s+amp\s+add`"),
    (["book", "check"], 4, None, r"There is no book"),
    (["lineup", "new", "X", "--socket", "V1=a"], 4, None, r"There is no book"),
    (["amp", "add", "", "--socket", "V1=rectifier"], 2, None, r"not empty"),
    (["tube", "add", "two\nlines", "--type", "EL34"], 2, None, r"without line breaks"),
    (["tube", "add", "long" * 40, "--type", "EL34"], 2, None, r"too long: at most 95 bytes"),
]

WITH_A_BOOK = [
    (["amp", "list"], 0, r"(?s)1 amplifier in the book.*Bench amp", None),
    (["amp", "show", "Bench amp"], 0, r"(?s)V1 +voltage amplifier +left +6SL7", None),
    (["amp", "show", "Bench anp"], 2, None, r"Did you mean\s+'Bench amp'\?"),
    (["amp", "add", "Bench amp", "--socket", "V1=rectifier"], 2, None, r"Bench amp"),
    (["tube", "list", "--type", "6SN7"], 0, r"(?s)2 tubes of type 6SN7", None),
    (["tube", "show", "P1"], 0, r"(?s)P1: 6SN7\..*'first', socket V2", None),
    (["tube", "show", "P9"], 2, None, r"There is no tube 'P9'"),
    (["tube", "add", "P1", "--type", "6SN7"], 2, None, r"P1"),
    (["lineup", "list"], 0, r"(?s)2 line-ups.*first.*second", None),
    (["lineup", "show", "second"], 0, r"(?s)0 passes measured.*V2 +phase inverter +left +P2", None),
    (["lineup", "show", "secnod"], 2, None, r"Did you mean 'second'\?"),
    (["lineup", "new", "third", "--socket", "V7=P1"], 2, None, r"no socket 'V7'. It has: V1, V2"),
    (["lineup", "new", "third", "--socket", "V2=P1", "--socket", "V1=P1"], 2, None, r"in both V2 and V1"),
    (["lineup", "new", "third", "--bias", "V2=30"], 2, None, r"no tube is in that socket"),
    (["lineup", "new", "third", "--socket", "V2=P1", "--bias", "V2=much"], 2, None, r"--bias V2 needs mA"),
    (["lineup", "new", "first", "--socket", "V2=P1"], 2, None, r"first"),
    (["lineup", "swap", "first", "third"], 2, None, r"Nothing would change"),
    (["book", "check"], 0, r"is sound", None),
    (["book", "show"], 0, r"1 amplifier, 3 tubes, 2 line-ups, 0\s+passes", None),
]

JSON_ANSWERS = [
    (["amp", "list"], lambda a: a["amps"][0]["sockets"][1]["role"] == "phase inverter"),
    (["amp", "show", "Bench amp"], lambda a: a["amp"]["rated_power_w"] == 25),
    (["tube", "list"], lambda a: [t["label"] for t in a["tubes"]] == ["D1", "P1", "P2"]),
    (["tube", "show", "P1"], lambda a: a["lineups"] == [{"name": "first", "socket": "V2"}]),
    (["lineup", "list"], lambda a: [(line["name"], line["amp"], line["sockets"]) for line in a["lineups"]] ==
     [("first", "Bench amp", {"V1": "D1", "V2": "P1"}), ("second", "Bench amp", {"V1": "D1", "V2": "P2"})]),
    (["lineup", "show", "first"], lambda a: a["lineup"]["name"] == "first" and a["passes"] == 0),
    (["book", "check"], lambda a: a["sound"] is True and a["findings"] == []),
    (["book", "show"], lambda a: a["tubes"] == 3 and a["passes"] == []),
    (["tube", "show", "nobody"], lambda a: "nobody" in a["error"]),
    (["tube", "show"], lambda a: "LABEL" in a["error"]),
]


class Usage(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.bench = Bench()

    @classmethod
    def tearDownClass(cls):
        cls.bench.close()

    def check_rows(self, rows):
        for words, code, out, err in rows:
            with self.subTest(words=words):
                done = self.bench.run(*words)
                self.assertEqual(done.code, code, done)
                if out:
                    self.assertRegex(" ".join(done.out.split()), out)
                else:
                    self.assertEqual(done.out, "")
                if err:
                    self.assertRegex(" ".join(done.err.split()), err)
                for line in (done.out + done.err).splitlines():
                    self.assertLessEqual(len(line), 80, line)

    def test_1_before_there_is_a_book(self):
        self.check_rows(BEFORE_A_BOOK)
        self.assertFalse(self.bench.book.exists(), "wrong use must not begin a book")

    def test_2_with_a_book(self):
        self.bench.stock()
        self.check_rows(WITH_A_BOOK)

    def test_3_every_json_answer_parses_and_says_what_answered(self):
        for words, holds in JSON_ANSWERS:
            with self.subTest(words=words):
                answer = self.bench.run("--json", *words).json
                self.assertEqual(answer["command"], " ".join(words[: 2]))
                self.assertTrue(holds(answer), answer)

    def test_4_global_options_stand_before_between_and_behind(self):
        for words in (["--json", "lineup", "list"], ["lineup", "--json", "list"], ["lineup", "list", "--json"]):
            self.assertEqual(self.bench.must(*words).json["command"], "lineup list")
        done = self.bench.run("lineup", "list", "--book", self.bench.folder / "elsewhere")
        self.assertEqual(done.code, 4, done)

    def test_5_the_usual_place_is_made_with_its_parents(self):
        home = self.bench.folder / "home"
        self.bench.must("tube", "add", "T1", "--type", "EL34", ROLLBOOK_BOOK=None)
        self.assertTrue((home / ".local/share/rollbook/book/book.sqlite").exists())
        data = self.bench.folder / "data"
        self.bench.must("tube", "add", "T1", "--type", "EL34", ROLLBOOK_BOOK=None, XDG_DATA_HOME=str(data))
        self.assertTrue((data / "rollbook/book/book.sqlite").exists())

    def test_6_words_are_bold_only_on_a_terminal(self):
        self.assertNotIn("\033", self.bench.must("lineup", "list").out)


class Manual(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.bench = Bench()

    @classmethod
    def tearDownClass(cls):
        cls.bench.close()

    def test_the_manual_page_is_clean_roff_and_names_every_command_and_option(self):
        page = self.bench.must("help", "--man").out
        done = subprocess.run(["groff", "-man", "-ww", "-Kutf8", "-Tutf8"], input=page, text=True, capture_output=True)
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        text = re.sub(r".\x08|\033\[[0-9;]*m", "", done.stdout)
        for section in ("NAME", "SYNOPSIS", "DESCRIPTION", "COMMANDS", "FILES", "EXIT STATUS", "SAFETY"):
            self.assertRegex(text, rf"(?m)^{section}$")
        overview = self.bench.must("help").out.split("Commands", 1)[1]
        commands = re.findall(r"(?m)^  ([a-z]+)  ", overview)
        self.assertGreater(len(commands), 4)
        for command in commands:
            self.assertRegex(text, rf"(?m)^ +rollbook {command}\b")
            for below in [[], *([name] for name in self.subcommands(command))]:
                explained = self.bench.must("help", command, *below).out
                self.assertLessEqual(max(map(len, explained.splitlines())), 80, explained)
                for option in re.findall(r"(?m)^  (--[a-z-]+)", explained):
                    self.assertIn(option, text)

    def subcommands(self, command):
        explained = self.bench.must("help", command).out
        listed = re.search(r"(?ms)^Commands$(.*?)(^$|\Z)", explained)
        return re.findall(r"(?m)^  ([a-z]+)  ", listed.group(1)) if listed else []

    def test_the_safety_list_is_the_one_of_safety_md(self):
        page = self.bench.must("help", "--man").out.split(".SH SAFETY")[1].replace("\\-", "-").replace("\\e", "\\")
        shown = re.findall(r"\.IP (\d)\. 4\n(.*)", page)
        listed = (Path(os.environ["RB_SOURCE"]) / "SAFETY.md").read_text().split("<!-- safety list -->")[1]
        written = re.findall(r"(?m)^(\d)\. (.*)$", listed.split("<!-- end of safety list -->")[0])
        self.assertGreater(len(written), 3)
        self.assertEqual(shown, written)


if __name__ == "__main__":
    unittest.main()
