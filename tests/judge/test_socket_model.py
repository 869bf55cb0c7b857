# SPDX-License-Identifier: GPL-3.0-or-later
"""Which socket matters, on the simulated amplifier: three drivers, three inverters and two output pairs in ten
line-ups, each reseated, against what each tube truly does (found by exchanging it alone, all else equal).

By hand with more books: ROLLBOOK_SOCKET_BOOKS=10.
"""
import os
import unittest

from program import SANITIZED
from sim_shop import SimShop

BOOKS = int(os.environ.get("ROLLBOOK_SOCKET_BOOKS", "1"))
DRIVERS = {"D-0": "gm=1", "D-1": "a.gm=0.85;b.gm=0.9", "D-2": "mu=1.06"}
INVERTERS = {"I-0": "gm=1", "I-1": "a.gm=0.8;b.gm=1.1", "I-2": "mu=0.93"}
PAIRS = {("O-1", "O-2"): ("gm=1", "gm=1"), ("O-3", "O-4"): ("gm=0.8", "gm=0.85")}
# Ten of the eighteen combinations, every two of a driver and an inverter together at least once.
CHOSEN = [(0, 0, 0), (1, 0, 1), (2, 0, 0), (0, 1, 1), (1, 1, 0), (2, 1, 1), (0, 2, 0), (1, 2, 1), (2, 2, 1), (2, 2, 0)]


def sockets_of(driver, inverter, pair):
    push, pull = list(PAIRS)[pair]
    return {"V1": list(DRIVERS)[driver], "V2": list(INVERTERS)[inverter], "V3": push, "V4": pull}


def stock(shop):
    for label, truth in DRIVERS.items():
        shop.tube(label, "6SL7", truth)
    for label, truth in INVERTERS.items():
        shop.tube(label, "6SN7", truth)
    for labels, truths in PAIRS.items():
        for label, truth in zip(labels, truths):
            shop.tube(label, "EL34", truth)


def true_gains(seed):
    """Gain of the left channel in dB that each tube brings against the first one of its socket. What a tube's truth
    leaves open is drawn from the rig's seed, so it has to be the same; reseating and mains voltage are held."""
    shop = SimShop(f"sim:seed={seed};mains_ratio=1")
    singles = {"D-1": (1, 0, 0), "D-2": (2, 0, 0), "I-1": (0, 1, 0), "I-2": (0, 2, 0), "O-3 + O-4": (0, 0, 1)}
    try:
        stock(shop)
        shop.lineup("first", sockets_of(0, 0, 0))
        first = shop.readings("first", 500)["gain", "left"]
        for label, combination in singles.items():
            shop.lineup(label, sockets_of(*combination))
        return {label: shop.readings(label, 500)["gain", "left"] - first for label in singles}
    finally:
        shop.close()


@unittest.skipIf(SANITIZED, "too slow; the same code runs sanitized in smaller tests")
class SocketModel(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.truths, cls.fits = [], []
        for book in range(BOOKS):
            cls.truths.append(true_gains(book + 1))
            shop = SimShop(f"sim:seed={book + 1}")
            try:
                stock(shop)
                for i, combination in enumerate(CHOSEN):
                    shop.lineup(f"line-up {i}", sockets_of(*combination))
                    shop.sit(f"line-up {i}", 100 * (book + 1) + i)
                answer = shop.must("study", "--sockets", "gain", "--json").json
                cls.fits.append(next(fit for fit in answer["fits"] if fit["channel"] == "left"))
            finally:
                shop.close()

    def effects(self):
        for fit, truth in zip(self.fits, self.truths):
            for tube in fit["tubes"]:
                if not tube["reference"]:
                    yield tube, truth[tube["tube"]]

    def test_every_tube_can_be_told_apart(self):
        for fit in self.fits:
            self.assertEqual([p["socket"] for p in fit["shares"]], ["V1", "V2", "V3 + V4"])
            self.assertTrue(all(tube["separable"] for tube in fit["tubes"]))
            self.assertEqual(fit["rows"], 10)

    def test_true_effects_lie_in_their_intervals_at_the_stated_rate(self):
        rows = [(tube["interval"][0] <= true <= tube["interval"][1], tube["tube"], tube["effect"], tube["interval"], true)
                for tube, true in self.effects()]
        inside = sum(row[0] for row in rows)
        print(f"{inside} of {len(rows)} true effects lie in their 95 % intervals")
        for row in rows[:5]:
            print("  %s %s: fitted %.4f dB (%.4f to %.4f), true %.4f" % (row[0], row[1], row[2], *row[3], row[4]))
        # 95 % less two and a half standard deviations; of five, one may miss.
        n = len(rows)
        self.assertGreaterEqual(inside, min(n - 1, 0.95 * n - 2.5 * (n * 0.95 * 0.05) ** 0.5))

    def test_large_effects_are_found_with_their_sign_and_size(self):
        for tube, true in self.effects():
            with self.subTest(tube=tube["tube"]):
                self.assertAlmostEqual(tube["effect"], true, delta=0.06)
                if abs(true) > 0.15:
                    self.assertLess(tube["p"], 0.05)

    def test_what_to_measure_next_is_new(self):
        seen = {tuple(sorted(sockets_of(*c).items())) for c in CHOSEN}
        for lineup in self.fits[0]["next"]:
            self.assertNotIn(tuple(sorted(lineup.items())), seen)
        self.assertEqual(len(self.fits[0]["next"]), 3)


if __name__ == "__main__":
    unittest.main()
