# SPDX-License-Identifier: GPL-3.0-or-later
"""`measure` through PortAudio over virtual cards whose output is their input: the loop's own level and THD."""
import signal
import subprocess
import time
import unittest

import numpy as np
import virtual_card
from program import Bench, Done, PROGRAM, SANITIZED

SHORT = ["--plan", "short", "--yes", "--warm-up", "0", "--most-warm-up", "0"]
LOAD_OHM, METER_VRMS = 8.0, 2.0


def value(results, key, channel):
    found = [r for r in results["readings"] if r["key"] == key and r["channel"] == channel]
    assert len(found) == 1, (key, channel, found)
    return found[0]


class CardBench(Bench):
    """A book whose bench is a virtual card, calibrated with a meter that says what we tell it."""

    def __init__(self, card, rate=48000):
        super().__init__()
        self.card = card
        self.must("bench", "set", "--rig", card.device, "--rate", rate, "--load", LOAD_OHM, "--attenuator", 1)
        self.must("amp", "add", "Loop", "--socket", "V1=phase inverter")
        self.must("tube", "add", "P1", "--type", "6SN7")
        self.must("lineup", "new", "loop", "--socket", "V1=P1")

    def environment(self, **more):
        own = super().environment(**more)
        own.update({k: v for k, v in self.card.environment.items()
                    if k.startswith(("PULSE", "JACK", "ALSA", "XDG", "LADSPA")) or k == "HOME"})
        return own

    def calibrate(self):
        return self.must("bench", "calibrate", "--left-vrms", METER_VRMS, "--right-vrms", METER_VRMS, "--seconds", 2,
                         "--yes", "--json").json["bench"]

    def start(self, case, *words):
        process = subprocess.Popen([PROGRAM, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                                   stdin=subprocess.DEVNULL, cwd=self.work, env=self.environment())
        case.addCleanup(end, process)
        return process


def end(process):
    """Whatever a test came to, its process is gone."""
    if process.poll() is None:
        process.kill()
    process.wait()
    process.stdout.close()
    process.stderr.close()


def on(case, card):
    """A calibrated bench on a virtual card, both gone when the test case is."""
    card.__enter__()
    case.addCleanup(card.__exit__)
    bench = CardBench(card)
    case.addCleanup(bench.close)
    bench.calibrated = bench.calibrate()
    return bench


def until_pass(process, patience_s=60):
    """Reads the words until the second pass is told to begin: the first is in the book."""
    lines, end = [], time.monotonic() + patience_s
    while not (lines and lines[-1].startswith("pass 2 of")):
        assert time.monotonic() < end, "".join(lines)
        lines.append(process.stderr.readline())
        assert lines[-1], "".join(lines)


class Loop(unittest.TestCase):
    """The same measurement on every kind of card."""

    def measure_loop(self, card, residual_db):
        bench = on(self, card)
        self.assertEqual(bench.calibrated["polarity"], [1, 1])
        answer = bench.must("measure", "loop", *SHORT, "--passes", 2, "--json").json
        self.assertEqual(len(answer["passes"]), 2)
        self.assertEqual(len({p["id"] for p in answer["passes"]}), 2)
        for one in answer["passes"]:
            for channel in ("left", "right"):
                self.check_channel(one, channel, residual_db)
        self.assertEqual(len(bench.must("book", "show", "--json").json["passes"]), 2)
        self.assertTrue(bench.must("book", "check", "--json").json["sound"])

    def check_channel(self, one, channel, residual_db):
        level = value(one, "level", channel)
        self.assertEqual(level["unit"], "V")
        # 1 W into 8 ohm is 2.828 V; level finding promises 0.03 dB.
        self.assertLess(abs(20 * np.log10(level["value"] / np.sqrt(1.0 * LOAD_OHM))), 0.05)
        self.assertAlmostEqual(value(one, "freq", channel)["value"], 1000, 2)
        thd = value(one, "thd", channel)
        self.assertLess(20 * np.log10(thd["value"] / 100), residual_db)

    def test_pulseaudio_with_a_float_sink_adds_nothing(self):
        self.measure_loop(virtual_card.Pulse(sample_format="float32le"), -120)

    @unittest.skipIf(SANITIZED, "in real time; one kind of card is enough for the sanitizers")
    def test_pulseaudio_with_a_16_bit_sink_adds_its_rounding(self):
        self.measure_loop(virtual_card.Pulse(sample_format="s16le"), -85)

    @unittest.skipIf(SANITIZED, "in real time; one kind of card is enough for the sanitizers")
    def test_jack_adds_nothing(self):
        self.measure_loop(virtual_card.Jack(), -120)


class Trouble(unittest.TestCase):
    def setUp(self):
        self.card = virtual_card.Pulse()
        self.bench = on(self, self.card)

    def test_a_device_that_is_not_there_exits_3_and_the_ones_that_are_are_listed(self):
        devices = self.bench.must("bench", "devices", "--json").json["devices"]
        for scheme in ("card:", "sim:"):
            self.assertTrue(any(d["uri"].startswith(scheme) for d in devices), devices)
        self.bench.must("bench", "set", "--rig", "card:no such card")
        for words in (["measure", "loop", *SHORT], ["bench", "calibrate", "--yes"], ["bench", "floor", "--yes"]):
            done = self.bench.run(*words)
            self.assertEqual(done.code, 3, done)
            self.assertIn("no such card", done.err)
            self.assertIn("default", done.err)
        self.assertEqual(self.bench.must("book", "show", "--json").json["passes"], [])

    def test_ctrl_c_fades_keeps_finished_passes_and_exits_130(self):
        process = self.bench.start(self, "measure", "loop", *SHORT, "--passes", 50)
        until_pass(process)
        time.sleep(2)
        process.send_signal(signal.SIGINT)
        asked = time.monotonic()
        out, err = process.communicate(timeout=30)
        self.assertLess(time.monotonic() - asked, 5)
        self.assertEqual(process.returncode, 130, err)
        self.assertRegex(out, r"finished pass")
        self.assertGreaterEqual(len(self.bench.must("book", "show", "--json").json["passes"]), 1)
        self.assertTrue(self.bench.must("book", "check", "--json").json["sound"])

    def test_a_server_that_dies_in_the_middle_exits_3_and_leaves_no_half_pass(self):
        process = self.bench.start(self, "measure", "loop", *SHORT, "--passes", 50)
        until_pass(process)
        time.sleep(1)
        self.card.signal(signal.SIGKILL)
        killed = time.monotonic()
        out, err = process.communicate(timeout=60)
        done = Done(["measure"], process.returncode, out, err)
        self.assertLess(time.monotonic() - killed, 5, done)
        self.assertEqual(done.code, 3, done)
        self.assertTrue(self.bench.must("book", "check", "--json").json["sound"])


if __name__ == "__main__":
    unittest.main()
