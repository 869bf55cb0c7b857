# SPDX-License-Identifier: GPL-3.0-or-later
"""The additive model against least squares by NumPy's pseudo-inverse and SciPy's Student quantiles.

Random designs, some of which cannot separate all levels: there both must agree on which.
"""
import os
import subprocess
import sys

import numpy as np
from scipy import stats

TOOL = os.path.join(os.environ["RB_BUILD"], "tests", "stats_tool_factors")


def ours(levels, n_levels, y):
    text = f"{len(y)} {len(n_levels)}\n{' '.join(map(str, n_levels))}\n"
    text += "\n".join(" ".join(map(str, row)) + f" {value:.17g}" for row, value in zip(levels, y))
    done = subprocess.run([TOOL], input=text, capture_output=True, text=True, check=True)
    return [[float(x) for x in line.split()] for line in done.stdout.splitlines()]


def design(levels, n_levels):
    columns = [np.ones(len(levels))]
    columns += [(levels[:, f] == k).astype(float) for f, n in enumerate(n_levels) for k in range(n)]
    return np.column_stack(columns)


def witness(levels, n_levels, y):
    x = design(levels, n_levels)
    pinv = np.linalg.pinv(x)
    beta, rank = pinv @ y, np.linalg.matrix_rank(x)
    df = len(y) - rank
    variance = np.sum((y - x @ beta) ** 2) / df
    covariance = pinv @ pinv.T
    rows, column = [], 1
    for f, n in enumerate(n_levels):
        for k in range(n):
            c = np.zeros(x.shape[1])
            c[column + k] += 1
            c[column] -= 1
            separable = np.allclose(c @ pinv @ x, c, atol=1e-7)
            error = np.sqrt(variance * c @ covariance @ c)
            reach = stats.t.ppf(0.975, df) * error
            rows.append([f, k, separable, c @ beta, error, c @ beta - reach, c @ beta + reach])
        column += n
    return rows


def main():
    random = np.random.default_rng(5)
    compared, mixed = 0, 0
    for _ in range(60):
        n_levels = list(random.integers(1, 5, size=random.integers(1, 5)))
        n = int(sum(n_levels) + random.integers(2, 9))
        levels = np.column_stack([random.integers(0, k, size=n) for k in n_levels])
        if random.random() < 0.4 and len(n_levels) > 1:
            n_levels[1], levels[:, 1] = n_levels[0], levels[:, 0]
        y = random.normal(size=n)
        for mine, theirs in zip(ours(levels, n_levels, y), witness(levels, n_levels, y), strict=True):
            assert mine[:2] == theirs[:2]
            assert bool(mine[2]) == theirs[2], (mine, theirs)
            mixed += not theirs[2]
            if theirs[2] and theirs[1] > 0:
                assert np.allclose(mine[3:], theirs[3:], rtol=1e-7, atol=1e-9), (mine, theirs)
                compared += 1
    assert compared > 100 and mixed > 20
    print(f"{compared} effects agree with NumPy, {mixed} are not separable in both")


if __name__ == "__main__":
    sys.exit(main())
