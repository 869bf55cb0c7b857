# SPDX-License-Identifier: GPL-3.0-or-later
"""A book on the simulated amplifier, whose tubes' truth only the test knows."""
from program import Bench

# Without probing whether the gain has settled: that is the runner's own test.
SHORT = ["--plan", "short", "--warm-up", "20", "--most-warm-up", "0", "--yes", "--quiet"]


class SimShop(Bench):
    def __init__(self, rig="sim:seed=1"):
        super().__init__()
        self.must("amp", "add", "Practice", "--simulated")
        self.must("bench", "set", "--rig", rig)
        self.must("bench", "calibrate", "--yes", "--quiet")
        self.fitted = {}
        self.n = 0

    def tube(self, label, kind, truth):
        self.must("tube", "add", label, "--type", kind, "--simulated", truth)

    def lineup(self, name, sockets):
        """`sockets`: {"V2": "I-1"}; only what differs from stock matters to the simulated amplifier."""
        self.fitted[name] = dict(sockets)
        self.must("lineup", "new", name, *[w for s, t in sockets.items() for w in ("--socket", f"{s}={t}")])

    def sit(self, lineup, seed, passes=1):
        self.n += 1
        return self.must("measure", lineup, "--passes", passes, "--seed", seed, "--json", *SHORT).json

    def sit_unseen(self, lineup, seed, passes=1):
        """Nobody sees a number."""
        self.must("measure", lineup, "--passes", passes, "--seed", seed, "--keep-back", *SHORT)

    def readings(self, lineup, seed):
        """{(key, channel): value} of one sitting."""
        passes = self.sit(lineup, seed)["passes"]
        return {(r["key"], r["channel"]): r["value"] for r in passes[-1]["readings"] if r["resolved"]}

    def compare(self, a, b):
        return self.must("compare", a, b, "--json").json
