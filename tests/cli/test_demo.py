# SPDX-License-Identifier: GPL-3.0-or-later
"""`rollbook demo` from an empty folder, as a new user runs it."""
import json
import signal
import subprocess
import time
import unittest

from program import Bench, PROGRAM, SANITIZED


@unittest.skipIf(SANITIZED, "too slow; the same code runs sanitized in smaller tests")
class Demo(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.bench = Bench()
        start = time.monotonic()
        cls.done = cls.bench.run("demo", timeout=550)
        print(f"demo took {time.monotonic() - start:.1f} s")

    @classmethod
    def tearDownClass(cls):
        cls.bench.close()

    def demo_book(self, *words):
        return self.bench.must("--book", self.bench.work / "rollbook-demo", *words)

    def test_1_it_ends_well_and_says_where_the_report_is_and_what_to_try(self):
        self.assertEqual(self.done.code, 0, self.done)
        self.assertRegex(self.done.out, r"rollbook-demo/demo-swap\.html")
        self.assertRegex(self.done.out, r"rollbook --book rollbook-demo compare")
        self.assertRegex(self.done.err, r"invented")
        self.assertRegex(" ".join(self.done.out.split()), r"Inverter I-2.*In short: .*changed")
        page = (self.bench.work / "rollbook-demo/demo-swap.html").read_text()
        self.assertTrue(page.startswith("<!DOCTYPE html>"))
        self.assertIn("Inverter I-2", page)
        self.assertFalse(self.bench.book.exists(), "the user's own book is not the demo's business")

    def test_2_its_book_is_sound_and_its_line_ups_are_the_first_entries(self):
        self.assertTrue(self.demo_book("book", "check", "--json").json["sound"])
        lineups = self.demo_book("lineup", "list", "--json").json["lineups"]
        self.assertEqual(len(lineups), 2)
        differing = {s for s in lineups[0]["sockets"] if lineups[0]["sockets"][s] != lineups[1]["sockets"][s]}
        self.assertEqual(differing, {"V2"})
        passes = self.demo_book("book", "show", "--json").json["passes"]
        a, b = lineups[0]["name"], lineups[1]["name"]
        self.assertEqual(list(dict.fromkeys((p["sitting"], p["lineup"]) for p in sorted(passes, key=lambda p: p["id"]))),
                         [(1, a), (2, b), (3, a), (4, b), (5, a), (6, b)])
        self.assertTrue(all(p["settled"] for p in passes))

    def test_3_the_swapped_inverter_is_found_on_its_channel_and_not_on_the_other(self):
        lineups = self.demo_book("lineup", "list", "--json").json["lineups"]
        answer = self.demo_book("compare", lineups[0]["name"], lineups[1]["name"], "--json").json
        changed = {(e["key"], e["channel"]) for e in answer["effects"] if e["word"] == "changed"}
        self.assertTrue(any(channel == "left" for _, channel in changed), answer["notes"])
        self.assertFalse(any(channel == "right" for _, channel in changed), changed)

    def test_4_another_folder_with_something_in_it_is_left_alone(self):
        foreign = self.bench.folder / "foreign"
        foreign.mkdir()
        (foreign / "letter.txt").write_text("mine")
        for place in (foreign, foreign / "letter.txt"):
            done = self.bench.run("demo", "--book", place)
            self.assertEqual(done.code, 2, done)
            self.assertIn("left as it is", " ".join(done.err.split()))
        self.assertEqual([p.name for p in foreign.iterdir()], ["letter.txt"])
        self.assertEqual((foreign / "letter.txt").read_text(), "mine")

    def test_5_a_former_demo_is_made_anew_also_after_ctrl_c_and_a_stranger_s_file_in_it_stays(self):
        place = self.bench.work / "rollbook-demo"
        (place / "letter.txt").write_text("mine")
        process = subprocess.Popen([PROGRAM, "demo", "--json"], cwd=self.bench.work, env=self.bench.environment(),
                                   stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        try:
            seen = ""
            while "pass 2" not in seen:
                line = process.stderr.readline()
                self.assertTrue(line, seen)
                seen += line
            process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=60)
        finally:
            process.kill()
            process.communicate()
        self.assertEqual(process.returncode, 130, err)
        self.assertEqual(json.loads(out)["command"], "demo")
        self.assertFalse((place / "demo-swap.html").exists())
        self.assertEqual({p["sitting"] for p in self.demo_book("book", "show", "--json").json["passes"]}, {1})
        self.assertTrue(self.demo_book("book", "check", "--json").json["sound"])
        self.assertEqual((place / "letter.txt").read_text(), "mine")


if __name__ == "__main__":
    unittest.main()
