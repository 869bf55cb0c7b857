# SPDX-License-Identifier: GPL-3.0-or-later
"""The sweep analysis beside the same in SciPy, one channel, 5 s sweep and 1 s tail, at 48 and 192 kHz.

Both: division by the sweep's spectrum for the linear response, closed-form inverse for the harmonics, windows at the
harmonics' lags, five responses on a grid of 1/24 octave. SciPy reads the responses off a zero-padded transform. Ours
also takes the linear response out of the harmonics and measures the noise. Times are the best of five.
"""
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy import fft, signal

PROGRAM = Path(os.environ["RB_BUILD"]) / "tests" / "dsp_bench_sweep"
GRID = 1000 * 2 ** (np.arange(-135, 104) / 24)


def sweep_of(rate):
    first, last = 10.0, 0.46 * rate
    growth = round(first * 5 / np.log(last / first)) / first
    n = int(np.ceil(growth * np.log(last / first) * rate))
    turns = first * growth * np.exp(np.arange(n) / rate / growth)
    x = np.sin(2 * np.pi * np.mod(turns, 1))
    fade_in, fade_out = int(growth * np.log(2) / 2 * rate), int(0.005 * rate)
    x[:fade_in] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(fade_in) / fade_in)
    x[-fade_out:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fade_out) / fade_out)
    return x, growth, first, last


def scipy_analysis(y, x, growth, first, last, rate):
    n = fft.next_fast_len(len(y), real=True)
    hz = fft.rfftfreq(n, 1 / rate)
    captured, played = fft.rfft(y, n), fft.rfft(x, n)
    inside = np.clip((hz - 0.75 * first) / (0.75 * first), 0, 1) * np.clip((last - hz) / (0.04 * last), 0, 1)
    linear = fft.irfft(inside * captured / np.where(played == 0, 1, played), n)
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = 2 * np.sqrt(hz / growth) * np.exp(-2j * np.pi * hz * growth * (1 - np.log(hz / first))
                                                    + 0.25j * np.pi) / rate
    inverse[0] = 0
    harmonic = fft.irfft(captured * inverse, n)
    found = []
    for order in range(1, 6):
        lag = growth * np.log(order)
        before = int(0.85 * rate * growth * np.log((order + 1) / order))
        after = int(0.85 * rate * (growth * np.log(order / (order - 1)) if order > 1 else 1))
        start = int(round(-lag * rate))
        piece = np.take(linear if order == 1 else harmonic, np.arange(start - before, start + after), mode="wrap")
        piece = piece * signal.windows.tukey(len(piece), 0.4)
        size = fft.next_fast_len(4 * len(piece), real=True)
        spectrum = fft.rfft(piece, size)
        at = fft.rfftfreq(size, 1 / rate)
        # The origin goes to the lag first: what is interpolated must not turn from bin to bin.
        spectrum = spectrum * np.exp(2j * np.pi * at * (lag + before / rate - (lag + start / rate)))
        found.append(np.interp(GRID, at, spectrum.real) + 1j * np.interp(GRID, at, spectrum.imag))
    return found


def main():
    for rate in (48000, 192000):
        x, growth, first, last = sweep_of(rate)
        y = np.concatenate([x, np.zeros(rate)])
        y = signal.lfilter(*signal.butter(1, 15000 / (rate / 2)), y)
        times = []
        for _ in range(5):
            start = time.perf_counter()
            found = scipy_analysis(y, x, growth, first, last, rate)
            times.append(time.perf_counter() - start)
        with tempfile.NamedTemporaryFile(suffix=".f64") as file:
            y.tofile(file.name)
            own_ms, own = map(float, subprocess.run([PROGRAM, file.name, str(rate), str(len(y))], check=True,
                                                    capture_output=True, text=True).stdout.split())
        other = abs(found[0][np.argmin(np.abs(GRID - 1000))])
        assert abs(own / other - 1) < 1e-3, (own, other)
        print(f"sweep of 6 s at {rate / 1000:g} kHz: ours {own_ms:.0f} ms, SciPy {1e3 * min(times):.0f} ms, "
              f"SciPy over ours {1e3 * min(times) / own_ms:.2f}")
    return 0


sys.exit(main())
