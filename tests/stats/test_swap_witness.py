# SPDX-License-Identifier: GPL-3.0-or-later
"""Differences, drift and ranks against SciPy, NumPy least squares and plain enumeration."""
import itertools
import os
import subprocess
import sys

import numpy as np
from scipy import stats

TOOL = os.path.join(os.environ["RB_BUILD"], "tests", "stats_tool_swap")


def ask(lines):
    done = subprocess.run([TOOL], input="\n".join(lines), capture_output=True, text=True, check=True)
    return [[float(x) for x in line.split()] for line in done.stdout.splitlines()]


def words(name, *parts):
    return name + " " + " ".join(f"{x:.17g}" for part in parts for x in np.atleast_1d(part))


def check_welch(random):
    cases = [(random.normal(size=random.integers(2, 12)), random.normal(0.5, 3, random.integers(2, 12)))
             for _ in range(50)]
    answers = ask([words("welch", len(a), len(b), a, b) for a, b in cases])
    for (a, b), mine in zip(cases, answers, strict=True):
        t, p = stats.ttest_ind(a, b, equal_var=False)
        va, vb = np.var(a, ddof=1) / len(a), np.var(b, ddof=1) / len(b)
        df = (va + vb) ** 2 / (va ** 2 / (len(a) - 1) + vb ** 2 / (len(b) - 1))
        half = stats.t.ppf(0.975, df) * np.sqrt(va + vb)
        expected = [a.mean() - b.mean(), np.sqrt(va + vb), df, p,
                    a.mean() - b.mean() - half, a.mean() - b.mean() + half]
        assert np.allclose(mine[:4], expected[:4], rtol=1e-9, atol=1e-13), (mine, expected)
        # GSL's inverse of Student's distribution is good to some 1e-8.
        assert np.allclose(mine[4:], expected[4:], rtol=1e-7, atol=1e-7), (mine, expected)
        assert np.isclose(mine[0] / mine[1], t, rtol=1e-9)
    return len(cases)


def check_spearman(random):
    cases = [(random.integers(0, 6, n), random.integers(0, 6, n)) for n in (3, 4, 5, 6, 7, 7)
             for _ in range(5)]
    cases = [(x, y) for x, y in cases if len(set(x)) > 1 and len(set(y)) > 1]
    answers = ask([words("spearman", len(x), x, y) for x, y in cases])
    for (x, y), mine in zip(cases, answers, strict=True):
        rx, ry = stats.rankdata(x), stats.rankdata(y)
        seen = np.corrcoef(rx, ry)[0, 1]
        all_rho = np.array([np.corrcoef(rx, q)[0, 1] for q in itertools.permutations(ry)])
        expected = [stats.spearmanr(x, y)[0], np.mean(all_rho >= seen - 1e-9),
                    np.mean(np.abs(all_rho) >= abs(seen) - 1e-9)]
        assert np.allclose(mine, expected, atol=1e-12), (x, y, mine, expected)
    return len(cases)


def check_swap(random):
    """One run of sittings: least squares with the line-ups, a level and a drift."""
    cases = []
    for order in ("ABA", "ABBA", "ABABA", "ABAABA", "ABBABAAB", "ABCABC", "ACBCABBA"):
        for _ in range(5):
            lineups = np.array(["ABC".index(c) for c in order])
            times = np.cumsum(random.uniform(0.8, 1.2, len(order))) * 3600
            means = random.normal(size=len(order)) + lineups + 1e-4 * times
            cases.append((lineups, times, means))
    answers = ask([words("swap", len(t), np.column_stack([g, t, m]).ravel()) for g, t, m in cases])
    for (lineups, times, means), mine in zip(cases, answers, strict=True):
        swap = lineups < 2
        x = np.column_stack([np.ones(swap.sum()), lineups[swap] == 1, times[swap]]).astype(float)
        assert mine[2] == 1
        assert np.isclose(mine[0], np.linalg.lstsq(x, means[swap], rcond=None)[0][1], rtol=1e-7)
        dummies = np.column_stack([lineups == k for k in set(lineups)]).astype(float)
        for design, at in ((np.column_stack([dummies, times]), 3), (dummies, 5)):
            fitted = design @ np.linalg.lstsq(design, means, rcond=None)[0]
            df = len(means) - design.shape[1]
            assert mine[at + 1] == df
            if df:
                assert np.isclose(mine[at], np.sum((means - fitted) ** 2) / df, rtol=1e-7)
    return len(cases)


def check_mains(random):
    """Least squares with line-ups, a drift and the mains voltage."""
    cases = []
    for order in ("ABABA", "ABABAB", "ABBABAAB"):
        for _ in range(5):
            lineups = np.array(["AB".index(c) for c in order])
            times = np.cumsum(random.uniform(0.8, 1.2, len(order))) * 3600
            volts = random.normal(230, 2, len(order))
            means = random.normal(size=len(order)) + lineups + 1e-4 * times + 0.2 * (volts - 230)
            cases.append((lineups, times, means, volts))
    answers = ask([words("mains", len(t), np.column_stack([g, t, m, v]).ravel()) for g, t, m, v in cases])
    for (lineups, times, means, volts), mine in zip(cases, answers, strict=True):
        x = np.column_stack([np.ones(len(times)), lineups, times - times.mean(), volts - 230])
        beta = np.linalg.lstsq(x, means, rcond=None)[0]
        df = len(means) - 4
        variance = np.sum((means - x @ beta) ** 2) / df * np.linalg.inv(x.T @ x)[1, 1]
        assert np.allclose(mine, [beta[1], np.sqrt(variance), df, beta[3]], rtol=1e-6), (mine, beta)
    return len(cases)


def check_holm(random):
    """Holm's step-down is the short cut of closed testing with (weighted) Bonferroni tests of every subset."""
    cases = [(random.uniform(0, 0.2, n), random.choice([0.1, 1, 3], n) if weighted else np.ones(n))
             for n in (1, 2, 4, 6) for weighted in (False, True) for _ in range(4)]
    answers = ask([words("holm", len(p), p, w) for p, w in cases])
    for (p, w), mine in zip(cases, answers, strict=True):
        for i in range(len(p)):
            subsets = [list(s) for k in range(1, len(p) + 1)
                       for s in itertools.combinations(range(len(p)), k) if i in s]
            closed = max(min(1, min(p[s] / w[s]) * sum(w[s])) for s in subsets)
            assert np.isclose(mine[i], closed, rtol=1e-12)
    return len(cases)


def main():
    random = np.random.default_rng(11)
    for check in (check_welch, check_spearman, check_swap, check_mains, check_holm):
        print(f"{check.__name__}: {check(random)} cases agree")


if __name__ == "__main__":
    sys.exit(main())
