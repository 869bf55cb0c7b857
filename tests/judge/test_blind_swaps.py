# SPDX-License-Identifier: GPL-3.0-or-later
"""Blind swaps on the simulated amplifier: the test knows what it changed, the program only what it measures.

Between two sittings of the first line-up something else was in: another tube in one socket, the same tubes put in
again, or nothing was touched at all (but power off and on). The true effect of a tube is found apart, in a book where
each line-up is measured with the same reseating and the same mains voltage, so that nothing but the tube differs. (What
a tube's truth leaves open is drawn from the rig's seed, so that is the same in both books.)

By hand with more swaps: ROLLBOOK_BLIND_SWAPS=40 (their number) and ROLLBOOK_BLIND_SEED.
"""
import math
import os
import random
import unittest

from program import SANITIZED
from sim_shop import SimShop

N = int(os.environ.get("ROLLBOOK_BLIND_SWAPS", "6"))
SEED = int(os.environ.get("ROLLBOOK_BLIND_SEED", "3"))
FIRST = {"V1": "D-0", "V2": "I-0", "V3": "O-1", "V4": "O-2"}
TYPES = {"V1": "6SL7", "V2": "6SN7", "V3": "EL34"}
RATIO_UNITS = {"V", "W", "Hz", "%", "ohm", "s"}


def truth_of(draw, kind):
    """A tube that differs by as much as used and new ones do."""
    gm = draw.choice([0.7, 0.8, 0.88, 1.15])
    if kind == "EL34":
        return f"gm={gm}"
    return f"a.gm={gm};b.gm={draw.uniform(0.9, 1.1):.3f}"


class Swap:
    def __init__(self, draw, number):
        self.name = f"swap {number}"
        self.kind = ("tube", "reseated", "nothing")[number % 3]
        self.sockets = dict(FIRST)
        self.tube = None
        if self.kind == "tube":
            self.socket = draw.choice(sorted(TYPES))
            self.tube = (f"T-{number}", TYPES[self.socket], truth_of(draw, TYPES[self.socket]))
            self.sockets[self.socket] = self.tube[0]


def stock(shop, swaps):
    for label, kind in (("D-0", "6SL7"), ("I-0", "6SN7"), ("O-1", "EL34"), ("O-2", "EL34")):
        shop.tube(label, kind, "gm=1")
    shop.lineup("first", FIRST)
    for swap in swaps:
        if swap.tube:
            shop.tube(*swap.tube)
        shop.lineup(swap.name, swap.sockets)


def change(effect, before, after):
    """In the effect's unit; angles the short way round."""
    if effect["unit"] == "deg":
        return math.remainder(after - before, 360)
    return after - before


def true_effects(swaps):
    """{name: [readings of first, readings of the swap]}, all else equal."""
    shop = SimShop(f"sim:seed={SEED};mains_ratio=1")
    try:
        changed = [swap for swap in swaps if swap.kind == "tube"]
        stock(shop, changed)
        first = shop.readings("first", 500)
        return {swap.name: (first, shop.readings(swap.name, 500)) for swap in changed}
    finally:
        shop.close()


@unittest.skipIf(SANITIZED, "too slow; the same code runs sanitized in smaller tests")
class BlindSwaps(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        draw = random.Random(SEED)
        cls.swaps = [Swap(draw, i) for i in range(N)]
        cls.truths = true_effects(cls.swaps)
        cls.shop = SimShop(f"sim:seed={SEED}")
        stock(cls.shop, cls.swaps)
        seed = 1000 * SEED
        cls.shop.sit("first", seed, passes=2)
        for swap in cls.swaps:
            seed += 1
            cls.shop.sit(swap.name, seed, passes=2)
            cls.shop.sit("first", seed if swap.kind == "nothing" else seed + 500, passes=2)
        cls.answers = {swap.name: cls.shop.compare("first", swap.name) for swap in cls.swaps}
        cls.report()

    @classmethod
    def tearDownClass(cls):
        cls.shop.close()

    @classmethod
    def resolvable(cls, swap):
        """Readings whose true effect is above the smallest the data could have shown."""
        before, after = cls.truths[swap.name]
        for effect in cls.answers[swap.name]["effects"]:
            key = (effect["key"], effect["channel"])
            if key not in before or key not in after or effect["smallest_resolvable"] <= 0:
                continue
            if effect["unit"] == "deg":  # shown, not judged
                continue
            true = change(effect, before[key], after[key])
            if abs(true) > effect["smallest_resolvable"]:
                yield effect, true

    @classmethod
    def report(cls):
        found = above = 0
        for swap in cls.swaps:
            if swap.kind == "tube":
                rows = list(cls.resolvable(swap))
                above += len(rows)
                found += sum(e["word"] == "changed" for e, _ in rows)
        called = [(s.name, s.kind, [(e["key"], e["channel"], round(e["p_holm"], 4)) for e in cls.changed(s)])
                  for s in cls.swaps if s.kind != "tube" and cls.changed(s)]
        others = sum(s.kind != "tube" for s in cls.swaps)
        print(f"{len(cls.swaps)} swaps: {found} of {above} readings with a resolvable true effect called changed; "
              f"{len(called)} of {others} without a changed tube called a change {called}")

    @classmethod
    def changed(cls, swap):
        return [e for e in cls.answers[swap.name]["effects"] if e["word"] == "changed"]

    def test_every_swap_with_a_resolvable_effect_is_found(self):
        seen = 0
        for swap in self.swaps:
            if swap.kind != "tube":
                continue
            rows = list(self.resolvable(swap))
            seen += bool(rows)
            with self.subTest(swap=swap.name, tube=swap.tube):
                self.assertTrue(not rows or self.changed(swap), (swap.tube, rows))
        self.assertGreaterEqual(seen, (N // 3) // 2, "too few effects can be resolved for this to say anything")

    def test_what_is_called_changed_moved_the_way_the_tube_made_it(self):
        for swap in self.swaps:
            for effect in self.changed(swap) if swap.kind == "tube" else []:
                before, after = self.truths[swap.name]
                key = (effect["key"], effect["channel"])
                if effect["channel"] != "left" or key not in before or key not in after:
                    continue
                true = change(effect, before[key], after[key])
                with self.subTest(swap=swap.tube, key=key):
                    self.assertGreater(true * effect["difference"], 0)

    def test_the_same_tubes_again_are_hardly_ever_called_a_change(self):
        others = [swap for swap in self.swaps if swap.kind != "tube"]
        called = sum(bool(self.changed(swap)) for swap in others)
        # At most 5 % on average: with few swaps one may be, with many 5 % and two standard deviations.
        n = len(others)
        self.assertLessEqual(called, max(1, math.ceil(0.05 * n + 2 * math.sqrt(0.05 * 0.95 * n))))


if __name__ == "__main__":
    unittest.main()
