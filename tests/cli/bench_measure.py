# SPDX-License-Identifier: GPL-3.0-or-later
"""How long `measure` takes against the signal it plays: on virtual cards, which run in real time, and on the
simulated amplifier, which does not. Aim on a card: at most 1.10 times the signal plus 2 s."""
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import virtual_card
from test_card_measure import CardBench
from test_sim_measure import SimBench

PASSES = 4
QUICK = ["tone-1k", "sweep", "silence"]


def signal_s(bench, signals):
    return sum(bench.must("signal", name, "x.wav", "--json").json["stimulus_s"] for name in signals)


def timed(bench, words):
    start = time.monotonic()
    bench.must(*words)
    return time.monotonic() - start


def card(name, server):
    with server:
        bench = CardBench(server)
        try:
            bench.calibrate()
            played_s = PASSES * signal_s(bench, QUICK)
            wall_s = timed(bench, ["measure", "loop", "--yes", "--plan", "quick", "--warm-up", 0, "--most-warm-up", 0,
                                   "--passes", PASSES])
            print(f"measure on {name}: {wall_s:6.1f} s for {played_s:5.1f} s of signal: "
                  f"ratio {wall_s / played_s:.3f}, less 2 s {(wall_s - 2) / played_s:.3f} (aim 1.10)")
        finally:
            bench.close()


def simulated():
    bench = SimBench()
    try:
        bench.must("bench", "calibrate", "--yes")
        for plan, signals in (("demo", ["tone-1k"]), ("quick", QUICK)):
            played_s = PASSES * signal_s(bench, signals)
            wall_s = timed(bench, ["measure", "first", "--yes", "--plan", plan, "--warm-up", 20, "--most-warm-up", 20,
                                   "--passes", PASSES])
            print(f"measure on the simulated amplifier, plan {plan}: {wall_s:6.1f} s for {played_s:5.1f} s of signal: "
                  f"{played_s / wall_s:.2f} times real time")
    finally:
        bench.close()


if __name__ == "__main__":
    simulated()
    card("PulseAudio", virtual_card.Pulse())
    card("JACK", virtual_card.Jack())
