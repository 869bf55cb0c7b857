# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole job on the simulated amplifier by single commands: measuring, stopping, being killed, comparing."""
import os
import pty
import re
import select
import signal
import subprocess
import time
import unittest

from program import Bench, PROGRAM

# Without probing whether the gain has settled: that is the runner's own test.
SHORT = ["--plan", "short", "--warm-up", "20", "--most-warm-up", "0"]


class SimBench(Bench):
    def __init__(self):
        super().__init__()
        self.started = []
        self.must("amp", "add", "Practice", "--simulated")
        for label, kind, truth in (("I-1", "6SN7", "gm=1"), ("I-2", "6SN7", "a.gm=0.8;b.gm=1.1")):
            self.must("tube", "add", label, "--type", kind, "--simulated", truth)
        self.must("lineup", "new", "first", "--socket", "V2=I-1")
        self.must("lineup", "swap", "first", "second", "--socket", "V2=I-2")

    def passes(self):
        return self.must("book", "show", "--json").json["passes"]

    def start(self, *words, **streams):
        how = dict(stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL)
        how.update(streams)
        process = subprocess.Popen([PROGRAM, *map(str, words)], cwd=self.work, env=self.environment(), **how)
        self.started.append(process)
        return process

    def close(self):
        for process in self.started:
            if process.poll() is None:
                process.kill()
            process.communicate()
        super().close()

    def await_passes(self, n, patience_s=120):
        end = time.monotonic() + patience_s
        while time.monotonic() < end:
            seen = self.run("book", "show", "--json")
            if seen.code == 0 and len(seen.json["passes"]) >= n:
                return
            time.sleep(0.2)
        raise AssertionError(f"no {n} passes in {patience_s} s")


class Job(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.bench = SimBench()

    @classmethod
    def tearDownClass(cls):
        cls.bench.close()

    def test_1_an_uncalibrated_bench_says_what_to_do(self):
        done = self.bench.run("measure", "first", *SHORT, "--yes")
        self.assertEqual(done.code, 2, done)
        self.assertIn("`rollbook bench calibrate`", " ".join(done.err.split()))
        self.assertEqual(self.bench.passes(), [])

    def test_2_calibrating_reads_the_simulated_meter(self):
        answer = self.bench.must("bench", "calibrate", "--yes", "--json").json
        self.assertTrue(answer["calibration"]["by_rig_meter"])
        self.assertTrue(answer["bench"]["calibrated"])
        self.assertRegex(self.bench.must("bench", "show").out, r"Calibrated \d{4}-")

    def test_3_without_a_terminal_and_without_yes_it_refuses(self):
        done = self.bench.run("measure", "first", *SHORT)
        self.assertEqual(done.code, 2, done)
        self.assertRegex(" ".join(done.err.split()), r"1\. A resistive load .* 6\. .*--yes")
        self.assertEqual(self.bench.passes(), [])

    def test_4_wrong_use_of_measure(self):
        for words, code, message in ((["measure", "frist", "--yes"], 2, "Did you mean 'first'"),
                                     (["measure", "first", "--yes", "--plan", "qiuck"], 2, "quick"),
                                     (["measure", "first", "--yes", "--passes", 0], 2, "--passes"),
                                     (["measure", "first", "--yes", "--power", 500], 2, "ceiling"),
                                     (["measure"], 2, "LINEUP"),
                                     (["compare", "first", "first"], 2, "first"),
                                     (["compare", "first", "second"], 2, "first"),
                                     (["report", "first", "second"], 2, "first")):
            with self.subTest(words=words):
                done = self.bench.run(*words)
                self.assertEqual(done.code, code, done)
                self.assertIn(message, " ".join(done.err.split()))

    def test_5_the_same_seed_gives_the_same_readings_and_another_does_not(self):
        one, same, other = (self.bench.must("measure", "first", *SHORT, "--yes", "--passes", 1, "--seed", seed,
                                            "--json").json for seed in (5, 5, 6))
        value = lambda answer: [r["value"] for r in answer["passes"][0]["readings"] if r["key"] == "h2"]
        self.assertEqual(one["lineup"], "first")
        self.assertEqual(value(one), value(same))
        self.assertNotEqual(value(one), value(other))

    def test_6_compare_gives_the_shape_that_is_promised(self):
        self.bench.must("measure", "second", *SHORT, "--yes", "--passes", 2, "--seed", 7)
        answer = self.bench.must("compare", "first", "second", "--json").json
        self.assertEqual((answer["a"], answer["b"]), ("first", "second"))
        self.assertEqual([(s["socket"], s["a"], s["b"]) for s in answer["sockets_changed"]], [("V2", "I-1", "I-2")])
        self.assertTrue(answer["order"] and answer["effects"])
        for effect in answer["effects"]:
            self.assertLessEqual({"key", "channel", "condition", "unit", "a", "b", "difference", "interval",
                                  "smallest_resolvable", "p", "p_holm", "word", "audible", "source"}, set(effect))
            self.assertIn(effect["word"], ("changed", "not resolved"))
            self.assertIn(effect["audible"], ("plausible", "unlikely", "no guide"))
        for name in ("curves", "heard", "notes"):
            self.assertIsInstance(answer[name], list)
        done = self.bench.must("compare", "first", "second")
        self.assertRegex(" ".join(done.out.split()), r"Changed in V2 \(phase inverter, left\): I-1 became I-2")
        self.assertLessEqual(max(map(len, done.out.splitlines())), 80, done.out)

    def test_7_reports_in_every_form(self):
        for name, starts in (("swap.html", b"<!DOCTYPE html>"), ("swap.pdf", b"%PDF-"), ("swap.csv", b"")):
            self.bench.must("report", "first", "second", "--out", name)
            self.assertTrue((self.bench.work / name).read_bytes().startswith(starts), name)
        self.bench.must("report", "lineup", "first", "--out", "lineup.html")
        self.bench.must("report", "tube", "I-2", "--out", "tube.html")
        for form, starts in (("svg", b"<"), ("png", b"\x89PNG")):
            answer = self.bench.must("report", "swap", "first", "second", "--format", form, "--out", form + "s",
                                     "--json").json
            self.assertGreater(len(answer["files"]), 1)
            for file in answer["files"]:
                self.assertTrue((self.bench.work / file).read_bytes().startswith(starts), file)
        done = self.bench.run("report", "first", "second", "--out", "one.svg")
        self.assertEqual(done.code, 2, done)
        plot = re.search(r"there are: ([a-z0-9-]+)", " ".join(done.err.split())).group(1)
        self.bench.must("report", "first", "second", "--out", "one.svg", "--plot", plot)
        self.assertEqual(self.bench.run("report", "first", "second", "--out", "/no/such/x.html").code, 4)

    def test_8_ctrl_c_keeps_finished_passes_and_exits_130(self):
        before = len(self.bench.passes())
        process = self.bench.start("measure", "first", *SHORT, "--yes", "--passes", 500, "--json")
        self.bench.await_passes(before + 1)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
        self.assertEqual(process.returncode, 130, err)
        self.assertIn(b'"passes"', out)
        self.assertGreater(len(self.bench.passes()), before)
        self.assertTrue(self.bench.must("book", "check", "--json").json["sound"])

    def test_9_a_killed_process_loses_at_most_the_pass_in_hand(self):
        for delay_s in (0.0, 0.2):
            before = len(self.bench.passes())
            process = self.bench.start("measure", "first", *SHORT, "--yes", "--passes", 500)
            self.bench.await_passes(before + 1)
            time.sleep(delay_s)
            process.kill()
            process.communicate(timeout=60)
            self.assertGreater(len(self.bench.passes()), before)
            self.assertTrue(self.bench.must("book", "check", "--json").json["sound"])
        self.bench.must("measure", "first", *SHORT, "--yes", "--passes", 1)


def converse(bench, words, answers, patience_s=120):
    """Runs the program on a terminal of its own; types each answer when its pattern shows up."""
    controller, terminal = pty.openpty()
    process = bench.start(*words, stdin=None, stdout=None, stderr=None, preexec_fn=lambda: os.login_tty(terminal))
    os.close(terminal)
    seen, end, answers = "", time.monotonic() + patience_s, list(answers)
    try:
        while True:
            assert time.monotonic() < end and select.select([controller], [], [], patience_s)[0], seen
            try:
                chunk = os.read(controller, 4096)
            except OSError: # the other side has closed
                break
            seen += chunk.decode(errors="replace")
            if answers and re.search(answers[0][0], seen):
                os.write(controller, answers.pop(0)[1])
        return process.wait(patience_s), seen
    finally:
        process.kill()
        process.wait()
        os.close(controller)


class Terminal(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.bench = SimBench()
        cls.bench.must("bench", "calibrate", "--yes")

    @classmethod
    def tearDownClass(cls):
        cls.bench.close()

    def test_the_safety_list_is_asked_once_and_no_means_no(self):
        before = self.bench.passes()
        code, seen = converse(self.bench, ["measure", "first", *SHORT], [(r"Type yes", b"no\n")])
        self.assertEqual(code, 130, seen)
        self.assertEqual(seen.count("Type yes"), 1)
        self.assertEqual(self.bench.passes(), before)

    def test_progress_is_one_line_with_what_how_far_and_time_left(self):
        code, seen = converse(self.bench, ["measure", "first", *SHORT, "--passes", "1"], [(r"Type yes", b"yes\n")])
        self.assertEqual(code, 0, seen)
        self.assertRegex(seen, r"\r[^\r\n]+: \d+ of \d+ s, \d+:\d\d left")
        self.assertRegex(seen, r"V at the load")

    def test_ctrl_c_at_the_question_ends_at_once(self):
        code, seen = converse(self.bench, ["measure", "first", *SHORT], [(r"Type yes", b"\x03")])
        self.assertEqual(code, 130, seen)


if __name__ == "__main__":
    unittest.main()
