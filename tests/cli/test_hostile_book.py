# SPDX-License-Identifier: GPL-3.0-or-later
"""Hostile names, missing and read-only folders, full disks, damaged books: a clear message, the right exit
code, nothing lost."""
import os
import subprocess
import sys
import unittest

from program import Bench, PROGRAM

NAMES = ["<script>alert(1)</script>", "Robert'); DROP TABLE tubes;--", '"quoted" \'twice\'', "100 % %s %n", "-5",
         "a/../../b", "Röhre № 7 ✓", "x" * 95, "$(touch oops)", "`id`", "&amp;", "\\", "C:\\x", "…"]
NO_NAMES = ["", "two\nlines", "bell\a", "escape\033[31m", "x" * 96, "\x7f", "\t"]


class Names(unittest.TestCase):
    def setUp(self):
        self.bench = Bench()

    def tearDown(self):
        self.bench.close()

    def test_any_printable_name_comes_back_as_it_went_in(self):
        self.bench.must("amp", "add", "A", "--socket", "V1=phase inverter")
        for name in NAMES:
            self.bench.must("tube", "add", "--type", "6SN7", "--note", name, "--", name)
            self.bench.must("lineup", "new", "--socket", "V1=" + name, "--", name)
        tubes = self.bench.must("tube", "list", "--json").json["tubes"]
        self.assertEqual([(t["label"], t["note"]) for t in tubes], [(n, n) for n in NAMES])
        lineups = self.bench.must("lineup", "list", "--json").json["lineups"]
        self.assertEqual([(x["name"], x["sockets"]["V1"]) for x in lineups], [(n, n) for n in NAMES])
        for name in NAMES:
            self.assertEqual(self.bench.must("--json", "lineup", "show", "--", name).json["lineup"]["name"], name)
            self.bench.must("lineup", "show", "--", name)
        self.assertEqual(list(self.bench.work.iterdir()), [])

    def test_what_is_no_name_is_refused_and_never_reaches_the_terminal(self):
        for name in NO_NAMES:
            with self.subTest(name=name):
                done = self.bench.run("tube", "add", "--type", "6SN7", "--", name)
                self.assertEqual(done.code, 2, done)
                self.assertRegex(done.err, r"rollbook: The tube's label")
                for control in ("\a", "\033", "\x7f", "\t"):
                    self.assertNotIn(control, done.err)
        done = self.bench.run("tube", "show", "escape\033[31m")
        self.assertNotIn("\033", done.err)

    def test_bytes_that_are_no_text_are_refused(self):
        done = subprocess.run([PROGRAM, "tube", "add", b"\xff\xfe", "--type", "6SN7"], capture_output=True,
                              env=self.bench.environment())
        self.assertEqual(done.returncode, 2, done)
        self.assertIn(b"UTF-8", done.stderr)


class Folders(unittest.TestCase):
    def setUp(self):
        self.bench = Bench()

    def tearDown(self):
        self.bench.close()

    def storage_fault(self, done, words):
        self.assertEqual(done.code, 4, done)
        self.assertRegex(" ".join(done.err.split()), words)

    def test_a_folder_that_is_not_there(self):
        for words in (["tube", "list"], ["book", "check"], ["book", "show"], ["lineup", "list"]):
            self.storage_fault(self.bench.run(*words, "--book", self.bench.folder / "no/such"), "There is no book at")
        self.storage_fault(self.bench.run("tube", "add", "X", "--type", "EL34", "--book", "/proc/no/such"), "/proc/no")

    def test_a_file_where_the_book_should_be(self):
        plain = self.bench.folder / "plain"
        plain.write_text("no book")
        self.storage_fault(self.bench.run("tube", "list", "--book", plain), "plain")
        self.storage_fault(self.bench.run("tube", "add", "X", "--type", "EL34", "--book", plain), "plain")
        self.assertEqual(plain.read_text(), "no book")

    def test_a_damaged_book_is_named_and_left_alone(self):
        for content in (b"", b"SQLite format 3\0" + b"\xff" * 4000, b"<html>" * 1000):
            with self.subTest(content=content[:20]):
                self.bench.book.mkdir(exist_ok=True)
                file = self.bench.book / "book.sqlite"
                file.write_bytes(content)
                self.storage_fault(self.bench.run("lineup", "list"), "book.sqlite")
                self.assertEqual(file.read_bytes(), content)

    def test_a_log_that_cannot_be_written_is_wrong_use(self):
        done = self.bench.run("--log", "/proc/no/log", "help")
        self.assertEqual(done.code, 2, done)
        self.assertIn("/proc/no/log", done.err)

    def test_a_full_device_on_standard_output_is_reported(self):
        self.bench.stock()
        with open("/dev/full", "w") as full:
            done = subprocess.run([PROGRAM, "lineup", "list"], stdout=full, stderr=subprocess.PIPE, text=True,
                                  env=self.bench.environment())
        self.assertEqual(done.returncode, 4)
        self.assertIn("could not be written", done.stderr)


# Run as root of a mount namespace of its own, with a small disk at argv[2].
INSIDE = "--inside-namespace"


def inside(bench_folder):
    """A full disk, then a read-only one."""
    bench = Bench()
    disk = bench.folder / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=600k", "none", disk], check=True)
    bench.book = disk / "book"
    try:
        bench.stock()
        kept, done = 3, None
        for number in range(4000):
            done = bench.run("tube", "add", f"filler {number}", "--type", "EL34", "--note", "x" * 500)
            if done.code:
                break
            kept += 1
        assert done.code == 4 and "book" in done.err, done
        (disk / "ballast").write_bytes(b"") if disk.exists() else None
        answer = bench.must("tube", "list", "--json").json
        assert len(answer["tubes"]) == kept, (len(answer["tubes"]), kept)
        assert bench.must("book", "check", "--json").json["sound"]
        subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
        done = bench.run("tube", "add", "late", "--type", "EL34")
        assert done.code == 4 and done.err, done
        done = bench.run("tube", "list", "--json")
        assert done.code == 0 and len(done.json["tubes"]) == kept, done
    finally:
        subprocess.run(["umount", disk])
        bench.close()
    print("held")


class Disks(unittest.TestCase):
    def test_a_full_and_a_read_only_disk_lose_nothing(self):
        own_user = [] if os.geteuid() == 0 else ["--user", "--map-root-user"]
        done = subprocess.run(["unshare", *own_user, "--mount", sys.executable, __file__, INSIDE],
                              capture_output=True, text=True)
        if "unshare failed" in done.stderr or "permission denied" in done.stderr.lower():
            self.skipTest("this machine lets nobody mount a small disk: " + done.stderr.strip())
        self.assertEqual((done.returncode, done.stdout.strip()), (0, "held"), done.stderr)


if __name__ == "__main__":
    if INSIDE in sys.argv:
        inside(None)
    else:
        unittest.main()
