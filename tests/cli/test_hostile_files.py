# SPDX-License-Identifier: GPL-3.0-or-later
"""`analyze` and `signal` on good files and on everything else: a clear message and the right exit code."""
import os
import unittest

import numpy as np
import tones
from program import Bench


def reading(answer, key, channel="left"):
    found = [r for r in answer["readings"] if r["key"] == key and r["channel"] == channel]
    assert len(found) == 1, (key, channel, found)
    return found[0]


def nan_filled():
    samples = tones.sine()
    samples[3000:3100] = np.nan
    return tones.wav_bytes(samples)


def infinite():
    samples = tones.sine()
    samples[77] = np.inf
    return tones.wav_bytes(samples)


GOOD = tones.wav_bytes(tones.sine())
# name, content, exit code, what the message must name
BROKEN = [
    ("empty.wav", b"", "empty"),
    ("header-only.wav", GOOD[:44], "header-only"),
    ("half-a-header.wav", GOOD[:20], "half-a-header"),
    ("truncated.wav", GOOD[:len(GOOD) // 3], "truncated"),
    ("huge-header.wav", tones.wav_bytes(tones.sine(duration_s=0.1), data_bytes=0x7F000000), "huge-header"),
    ("many-channels.wav", GOOD[:22] + b"\xff\xff" + GOOD[24:], "many-channels"),
    ("rate-zero.wav", GOOD[:24] + b"\0\0\0\0" + GOOD[28:], "rate-zero"),
    ("rate-huge.wav", GOOD[:24] + b"\xff\xff\xff\x7f" + GOOD[28:], "rate-huge"),
    ("nan.wav", nan_filled(), "nan"),
    ("infinite.wav", infinite(), "infinite"),
    ("text.wav", b"This is no sound at all.\n" * 4000, "text"),
    ("page.wav", b"<html><script>alert(1)</script></html>" * 100, "page"),
    ("random.wav", os.urandom(1), "random"),
    ("zeros.wav", bytes(100000), "zeros"),
]


class Analyze(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.bench = Bench()

    @classmethod
    def tearDownClass(cls):
        cls.bench.close()

    def keep(self, name, content):
        path = self.bench.work / name
        path.write_bytes(content)
        return path

    def test_a_good_file_gives_the_shape_that_is_promised(self):
        path = self.keep("good.wav", tones.wav_bytes(tones.sine(peak=0.5, harmonics=[(2, 0.01), (3, 0.001)],
                                                                channels=2)))
        answer = self.bench.must("analyze", path, "--tone", 1000, "--json").json
        self.assertEqual((answer["command"], answer["file"], answer["rate_hz"], answer["channels"]),
                         ("analyze", str(path), 48000, 2))
        self.assertEqual({k: answer["health"][k] for k in ("clipped_frames", "lost_frames", "discontinuities", "usable")},
                         {"clipped_frames": 0, "lost_frames": 0, "discontinuities": 0, "usable": True})
        for one in answer["readings"]:
            self.assertEqual(set(one), {"key", "channel", "condition", "value", "unit", "uncertainty", "floor", "resolved"})
        for channel in ("left", "right"):
            # A sine of peak 0.5 reads 20·log10(0.5) dBFS (AES17); harmonics by construction.
            self.assertAlmostEqual(reading(answer, "level", channel)["value"], 20 * np.log10(0.5 * np.hypot(1, 0)), 3)
            self.assertAlmostEqual(reading(answer, "freq", channel)["value"], 1000, 4)
            self.assertAlmostEqual(reading(answer, "h2", channel)["value"], -40, 2)
            self.assertAlmostEqual(reading(answer, "h3", channel)["value"], -60, 2)
            self.assertAlmostEqual(reading(answer, "thd", channel)["value"], 100 * np.hypot(0.01, 0.001), 4)
        words = self.bench.must("analyze", path, "--tone", 1000)
        self.assertRegex(words.out, r"(?s)Left: .*1.000 kHz|Left: .*1000")
        one = self.bench.must("analyze", path, "--tone", 1000, "--json", "--channel", "right").json
        self.assertEqual({r["channel"] for r in one["readings"]}, {"right"})

    def test_broken_files_exit_2_and_are_named(self):
        for name, content, named in BROKEN:
            with self.subTest(name=name):
                done = self.bench.run("analyze", self.keep(name, content), "--tone", 1000, "--json")
                self.assertEqual(done.code, 2, done)
                self.assertTrue(done.json["error"])
                self.assertNotIn("readings", done.json)
                self.assertIn(named, done.err)
                self.assertLess(len(done.err), 1000)

    def test_a_path_that_is_no_file_exits_2(self):
        for path in ("no/such.wav", self.bench.folder, "/dev/null", ""):
            with self.subTest(path=path):
                done = self.bench.run("analyze", path, "--tone", 1000)
                self.assertEqual(done.code, 2, done)
                self.assertTrue(done.err)

    def test_a_clipped_capture_yields_no_readings_and_says_why(self):
        clipped = np.clip(tones.sine(peak=1.3), -1, 1)
        done = self.bench.run("analyze", self.keep("clipped.wav", tones.wav_bytes(clipped)), "--tone", 1000, "--json")
        self.assertEqual(done.code, 2, done)
        answer = done.json
        self.assertFalse(answer["health"]["usable"])
        self.assertGreater(answer["health"]["clipped_frames"], 1000)
        self.assertIn("clip", answer["error"])
        self.assertEqual(answer.get("readings", []), [])

    def test_a_capture_with_missing_frames_yields_no_readings_and_says_why(self):
        whole = tones.sine(duration_s=3)
        gap = np.vstack([whole[:70000], whole[70013:]])
        done = self.bench.run("analyze", self.keep("gap.wav", tones.wav_bytes(gap)), "--tone", 1000, "--json")
        self.assertEqual(done.code, 2, done)
        self.assertFalse(done.json["health"]["usable"])
        self.assertGreaterEqual(done.json["health"]["discontinuities"], 1)
        self.assertTrue(done.json["error"])

    def test_silence_and_another_tone_are_no_signal(self):
        for name, samples in (("silent.wav", np.zeros((96000, 1))), ("other.wav", tones.sine(frequency_hz=3210))):
            done = self.bench.run("analyze", self.keep(name, tones.wav_bytes(samples)), "--tone", 1000)
            self.assertEqual(done.code, 2, done)
            self.assertIn("1000", done.err)

    def test_wrong_use_says_what_is_missing(self):
        path = self.keep("use.wav", GOOD)
        for words, message in ((["analyze", path], "either --signal NAME or --tone"),
                               (["analyze", path, "--tone", 1000, "--signal", "tone-1k"], "either --signal NAME or --tone"),
                               (["analyze", path, "--tone", 0], "--tone must be from 1"),
                               (["analyze", path, "--signal", "tone-1q"], "tone-1k"),
                               (["analyze", path, "--tone", 1000, "--channel", "rihgt"], "right"),
                               (["analyze", path, "--tone", 1000, "--channel", "right"], "one channel only")):
            with self.subTest(words=words):
                done = self.bench.run(*words)
                self.assertEqual(done.code, 2, done)
                self.assertIn(message, " ".join(done.err.split()))


class Signals(unittest.TestCase):
    def setUp(self):
        self.bench = Bench()

    def tearDown(self):
        self.bench.close()

    def test_a_signal_written_to_a_file_is_found_again_by_analyze(self):
        for rate in (44100, 96000):
            out = self.bench.work / f"tone {rate}.wav"
            answer = self.bench.must("--json", "signal", "tone-1k", out, "--rate", rate, "--level", -12).json
            self.assertEqual((answer["rate_hz"], answer["signal"]), (rate, "tone-1k"))
            found = self.bench.must("analyze", out, "--signal", "tone-1k", "--json").json
            for channel in ("left", "right"):
                self.assertAlmostEqual(reading(found, "level", channel)["value"], -12, 2)
                self.assertFalse(reading(found, "thd", channel)["value"] > 0.0002)

    def test_the_list_has_signals_and_plans(self):
        answer = self.bench.must("signal", "list", "--json").json
        kinds = {one["name"]: one["kind"] for one in answer["signals"]}
        self.assertEqual((kinds["tone-1k"], kinds["quick"], kinds["standard"]), ("signal", "plan", "plan"))
        self.assertRegex(self.bench.must("signal", "list").out, r"tone-1k +signal +")

    def test_wrong_use_and_places_that_cannot_be_written(self):
        out = self.bench.work / "x.wav"
        for words, code, message in ((["signal", "tone-1q", out], 2, "tone-1k"),
                                     (["signal", "tone-1k"], 2, "OUT.wav"),
                                     (["signal"], 2, "NAME"),
                                     (["signal", "quick", out], 2, "quick"),
                                     (["signal", "tone-1k", out, "--level", 3], 2, "--level"),
                                     (["signal", "tone-1k", out, "--rate", 1], 2, "--rate"),
                                     (["signal", "tone-1k", "/no/such/place.wav"], 4, "/no/such/place.wav"),
                                     (["signal", "tone-1k", self.bench.work], 4, "work")):
            with self.subTest(words=words):
                done = self.bench.run(*words)
                self.assertEqual(done.code, code, done)
                self.assertIn(message, done.err)
        self.assertFalse(out.exists())

    def test_a_broken_signal_file_is_named_with_its_line(self):
        (self.bench.work / "bad.ini").write_text("[signal]\ntitle = Bad\nprocedure = tone\nfrequency_hz = loud\n")
        done = self.bench.run("signal", "./bad.ini", "x.wav")
        self.assertEqual(done.code, 2, done)
        self.assertRegex(done.err, r"bad\.ini, line 4")


if __name__ == "__main__":
    unittest.main()
