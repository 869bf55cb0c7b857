# SPDX-License-Identifier: GPL-3.0-or-later
"""What was heard: by words, by form, from a table; and what the book makes of it once numbers were shown."""
import os
import pty
import subprocess
import unittest

from program import PROGRAM
from sim_shop import SHORT, SimShop


class Heard(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.shop = SimShop()
        for label, truth in (("I-1", "gm=1"), ("I-2", "a.gm=0.75;b.gm=1.1")):
            cls.shop.tube(label, "6SN7", truth)
        cls.shop.lineup("first", {"V2": "I-1"})
        cls.shop.must("lineup", "swap", "first", "<b>second</b>", "--socket", "V2=I-2")
        cls.session = cls.shop.must("measure", "first", "<b>second</b>", "--like", "A,B,A,B", "--passes", "2",
                                    "--seed", "40", "--json", *SHORT)

    @classmethod
    def tearDownClass(cls):
        cls.shop.close()

    def heard(self, *words):
        return self.shop.run("heard", "<b>second</b>", "--against", "first", *words)

    def impressions(self):
        return self.shop.must("heard", "list", "--json").json["impressions"]

    def test_1_a_session_measures_each_letter_and_keeps_the_numbers_back(self):
        answer = self.session.json
        self.assertEqual([s["letter"] for s in answer["sittings"]], list("ABAB"))
        self.assertEqual([s["lineup"] for s in answer["sittings"]], ["first", "<b>second</b>"] * 2)
        self.assertNotIn("readings", answer["sittings"][0]["passes"][0])
        self.shop.sit_unseen("first", 60)
        words = self.shop.must("measure", "first", "<b>second</b>", "--like", "A,B", "--from", "2", "--passes", "1",
                               "--seed", "49", *SHORT[:-1])
        self.assertRegex(words.err, r"(?s)Sitting 2 of 2: B.*V2 \(phase inverter\): I-1 out, I-2 in.*kept back")
        self.assertNotRegex(words.out, r"Gain|Second harmonic")

    def test_2_words_are_checked_before_any_is_kept(self):
        for words, pattern in ((("--attribute", "bas_level=+2"), r"Did you mean bass_level\?"),
                               (("--attribute", "bass_level=4"), r"no score"),
                               (("--attribute", "bass_level=1.5"), r"no score"),
                               (("--attribute", "noise=1", "--attribute", "bass_level=x"), r"no score"),
                               (("--attribute", "noise=1", "--attribute", "noise=2"), r"given twice"),
                               (("--attribute", "noise"), r"NAME=VALUE"),
                               (("--attribute", "noise=1", "--at", "yesterday"), r"no time"),
                               ((), r"no terminal")):
            with self.subTest(words=words):
                done = self.heard(*words)
                self.assertEqual(done.code, 2, done)
                self.assertRegex(" ".join(done.err.split()), pattern)
        self.assertEqual(self.shop.run("heard", "first").code, 2)
        self.assertEqual(self.impressions(), [])

    def test_3_before_the_numbers_nothing_is_marked(self):
        done = self.heard("--attribute", "noise=\u22122", "--attribute", "detail=+1", "--attribute", "stage-depth=0",
                          "--programme", "<script>alert(1)</script>", "--volume", "75 dB", "--blind", "--json")
        self.assertEqual(done.code, 0, done)
        found = {i["attribute"]: i for i in done.json["impressions"]}
        self.assertEqual({k: v["score"] for k, v in found.items()}, {"noise": -2, "detail": 1, "stage_depth": 0})
        self.assertEqual(found["noise"]["words"], "clearly noisier")
        self.assertFalse(any(i["after_numbers"] for i in found.values()))
        self.assertTrue(all(i["blind"] and i["volume"] == "75 dB" for i in found.values()))

    def form(self, answers):
        """Answers each question of the form on a terminal."""
        master, slave = pty.openpty()
        process = subprocess.Popen([PROGRAM, "heard", "<b>second</b>", "--against", "first"], stdin=slave,
                                   stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=self.shop.environment(),
                                   cwd=self.shop.work, text=True)
        os.close(slave)
        os.write(master, answers.encode())
        out, err = process.communicate(timeout=60)
        os.close(master)
        return process.returncode, out, err

    def test_4_the_form_asks_attribute_by_attribute_and_enter_skips(self):
        before = len(self.impressions())
        code, out, err = self.form("\n\n9\n+1\n" + "\n" * 6 + "a trio\n\ny\nwarm\n")
        self.assertEqual(code, 0, err)
        self.assertRegex(err, r"(?s)Bass level.*no score.*Overall.*Programme")
        self.assertEqual(len(self.impressions()), before + 1)
        last = self.impressions()[-1]
        self.assertEqual((last["attribute"], last["score"], last["programme"], last["blind"], last["note"]),
                         ("midrange_clarity", 1, "a trio", True, "warm"))

    def test_5_a_form_left_half_way_keeps_nothing(self):
        before = len(self.impressions())
        code, _, _ = self.form("1\n\x04")
        self.assertEqual(code, 130)
        self.assertEqual(len(self.impressions()), before)

    def test_6_compare_sets_heard_against_measured_and_marks_what_comes_after(self):
        answer = self.shop.compare("first", "<b>second</b>")
        found = {h["attribute"]: h for h in answer["heard"]}
        self.assertEqual(set(found), {"noise", "detail", "stage_depth", "midrange_clarity"})
        self.assertEqual(found["stage_depth"]["word"], "nothing measures it")
        self.assertEqual(found["stage_depth"]["because"], [])
        changed = {(e["key"], e["channel"]): e["difference"] for e in answer["effects"] if e["word"] == "changed"}
        for heard in answer["heard"]:
            self.assertIn(heard["word"], ("backed", "opposed", "not resolved", "nothing measures it"))
            for because in heard["because"]:
                self.assertEqual(because["word"] == "changed", (because["key"], because["channel"]) in changed)
                self.assertTrue(because["source"])
        words = self.shop.must("compare", "first", "<b>second</b>").out
        self.assertRegex(words, r"(?s)Heard against measured.*clearly noisier")
        late = self.heard("--attribute", "overall=+3", "--json").json["impressions"][0]
        self.assertTrue(late["after_numbers"])
        other_way = self.shop.must("heard", "first", "--against", "<b>second</b>", "--attribute", "detail=1", "--json")
        self.assertTrue(other_way.json["impressions"][0]["after_numbers"])

    def test_7_a_table_is_taken_whole_or_not_at_all(self):
        table = self.shop.work / "notes.csv"
        head = "lineup,against,attribute,score,programme,blind,heard_at\r\n"
        before = len(self.impressions())
        for bad, pattern in (("first,nobody,noise,1,,,\n", r"line 3.*nobody"),
                             ("first,<b>second</b>,noise,8,,,\n", r"line 3.*no score"),
                             ("first,<b>second</b>,noise,1,\"open,,\n", r"quote"),
                             ("first,first,noise,1,,,\n", r"against itself"),
                             ("first,<b>second</b>,noise,1,,perhaps,\n", r"neither yes nor no")):
            with self.subTest(bad=bad):
                table.write_text(head + "first,<b>second</b>,noise,1,,,\n" + bad)
                done = self.shop.run("heard", "import", table)
                self.assertEqual(done.code, 2, done)
                self.assertRegex(" ".join(done.err.split()), pattern)
        table.write_text("lineup,against\nfirst,second\n")
        self.assertRegex(self.shop.run("heard", "import", table).err, r"no column\s+'attribute'")
        self.assertEqual(self.shop.run("heard", "import", self.shop.work / "none.csv").code, 2)
        self.assertEqual(len(self.impressions()), before)
        table.write_text(head + 'first,<b>second</b>,treble-extension,-1,"quartet, slow",yes,2026-01-31T20:00:00Z\n')
        self.shop.must("heard", "import", table)
        last = self.impressions()[-1]
        self.assertEqual((last["attribute"], last["score"], last["programme"], last["blind"], last["heard_at"]),
                         ("treble_extension", -1, "quartet, slow", True, "2026-01-31T20:00:00Z"))
        self.assertTrue(last["after_numbers"], "what counts is when it was written down")
        self.assertRegex(self.shop.must("heard", "import", table).out, r"1 of 1 rows are in the book already")

    def test_7b_a_ranking_is_kept_as_steps_from_one_to_the_next(self):
        before = len(self.impressions())
        done = self.shop.must("heard", "rank", "stage-width", "<b>second</b>", "first", "--programme", "choir", "--json")
        self.assertEqual([(i["lineup"], i["against"], i["score"], i["programme"]) for i in done.json["impressions"]],
                         [("<b>second</b>", "first", 1, "choir")])
        self.assertEqual(len(self.impressions()), before + 1)
        for words in (("noise", "first"), ("nothing", "first", "<b>second</b>"), ("noise", "first", "first")):
            self.assertEqual(self.shop.run("heard", "rank", *words).code, 2, words)

    def test_8_study_shows_points_and_refuses_a_p(self):
        answer = self.shop.must("study", "--with-after", "--plots", "plots", "--json").json
        self.assertEqual(answer["tested"], 0)
        self.assertTrue(answer["pairs"])
        for pair in answer["pairs"]:
            self.assertNotIn("p", pair)
            self.assertEqual({p["lineup"] for p in pair["points"]}, {"first", "<b>second</b>"})
        self.assertEqual(len(answer["files"]), len(answer["pairs"]))
        for file in answer["files"]:
            svg = (self.shop.work / file).read_text()
            self.assertIn("&lt;b&gt;second&lt;/b&gt;", svg)
            self.assertNotIn("<b>second", svg)
        self.assertRegex(self.shop.must("study").out, r"left\s+out")
        plan = self.shop.must("study", "--plan-for", "gain", "--change", "0.1", "--json").json["plans"]
        self.assertEqual([p["channel"] for p in plan], ["left", "right"])
        self.assertTrue(all(p["spread_between"] > 0 and p["sittings"] >= 2 for p in plan))
        self.assertEqual(self.shop.run("study", "--plan-for", "gain").code, 2)
        self.assertEqual(self.shop.run("study", "--sockets", "nothing").code, 2)

    def test_9_a_session_that_does_not_fit_its_words_is_refused_before_any_sound(self):
        for words, pattern in ((("first", "--like", "A,B"), r"only 1 line-up"),
                               (("first", "<b>second</b>", "--like", "A,A"), r"no sitting of B"),
                               (("first", "<b>second</b>", "--like", "AB"), r"no order of sittings"),
                               (("first", "first", "--like", "A,B"), r"named twice"),
                               (("first", "<b>second</b>"), r"One sitting has one line-up"),
                               (("first", "<b>second</b>", "--like", "A,B", "--from", "3"), r"only 2 sittings")):
            with self.subTest(words=words):
                done = self.shop.run("measure", *words, *SHORT)
                self.assertEqual(done.code, 2, done)
                self.assertRegex(" ".join(done.err.split()), pattern)


if __name__ == "__main__":
    unittest.main()
