# SPDX-License-Identifier: GPL-3.0-or-later
"""SciPy as the witness of the sweep: files of known filters, and the same deconvolution done again.

The program writes its sweep as a sound file; SciPy filters it (lfilter, 24 bit), delays it, moves the recorder's
clock by 60 ppm (band-limited interpolation), and says with freqz what must come out of `analyze`. Bounds: 0.01 dB and
0.1 degrees from 20 Hz to 20 kHz; with the clock off, 0.05 dB.
"""
import json
import os
import subprocess
import sys
import tempfile
import wave

import numpy as np
from scipy import fft, signal

PROGRAM, RATE = os.environ["ROLLBOOK"], 48000
FILTERS = {
    "left": signal.butter(2, [12 / 24000, 18000 / 24000], "band"),
    "right": signal.iirfilter(2, [25 / 24000, 15000 / 24000], btype="band", ftype="butter"),
}


def run(*words):
    return subprocess.run([PROGRAM, *words], check=True, capture_output=True, text=True).stdout


def read_24_bit(path):
    with wave.open(path) as file:
        raw = np.frombuffer(file.readframes(file.getnframes()), dtype=np.uint8).reshape(-1, 3)
    padded = np.zeros((len(raw), 4), dtype=np.uint8)
    padded[:, 1:] = raw
    return padded.reshape(-1).view("<i4").astype(float).reshape(-1, 2).T / 2**31


def write_24_bit(path, channels):
    steps = np.clip(np.round(np.stack(channels, axis=1) * 2**23), -2**23, 2**23 - 1).astype("<i4")
    with wave.open(path, "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(3)
        file.setframerate(RATE)
        file.writeframes(steps.reshape(-1).view(np.uint8).reshape(-1, 4)[:, :3].tobytes())


def resampled(x, offset):
    """x at k·(1 + offset): what a slow recorder writes. To 16 times the rate by Fourier, then cubic."""
    fine = signal.resample(x, 16 * len(x))
    at = np.arange(int((len(x) - 2) / (1 + offset))) * (1 + offset) * 16
    i = np.clip(at.astype(int), 1, len(fine) - 3)
    t = at - i
    p = [fine[i + k] for k in (-1, 0, 1, 2)]
    return p[1] + t * (p[2] - p[0] + t * (2 * p[0] - 5 * p[1] + 4 * p[2] - p[3]
                                          + t * (3 * (p[1] - p[2]) + p[3] - p[0]))) / 2


def answer_of(path, channels):
    write_24_bit(path, channels)
    done = subprocess.run([PROGRAM, "analyze", path, "--signal", "sweep", "--json"], capture_output=True, text=True)
    assert done.returncode == 0, done
    return json.loads(done.stdout)


def curve(answer, key, channel):
    found = [c for c in answer["curves"] if c["key"] == key and c["channel"] == channel]
    assert len(found) == 1, (key, channel)
    x, y = np.array(found[0]["x"]), np.array(found[0]["y"])
    band = (x >= 20) & (x <= 20000)
    return x[band], y[band]


def reading(answer, key, channel):
    return next(r for r in answer["readings"] if r["key"] == key and r["channel"] == channel)


def truth(channel, hz):
    return signal.freqz(*FILTERS[channel], 2 * np.pi * np.asarray(hz) / RATE)[1]


def check_response(answer, channel, bound_db):
    hz, db = curve(answer, "response", channel)
    own = 20 * np.log10(np.abs(truth(channel, hz) / truth(channel, [1000])))
    worst = np.max(np.abs(db - own))
    print(f"{channel}: response within {worst:.5f} dB")
    assert worst <= bound_db, worst


def check_phase(answer, channel):
    hz, deg = curve(answer, "phase", channel)
    left = np.unwrap(np.radians(deg)) - np.unwrap(np.angle(truth(channel, hz)))
    left -= hz * np.dot(hz, left - np.mean(left)) / np.dot(hz, hz - np.mean(hz))  # a pure delay is no error
    left -= 2 * np.pi * np.round(np.mean(left) / (2 * np.pi))
    slope = np.polyfit(hz, left, 1)[0]
    left = np.degrees(left - slope * hz)
    worst = np.max(np.abs(left - np.mean(left)))
    print(f"{channel}: angle within {worst:.4f} degrees, offset {np.mean(left):.4f}")
    assert worst <= 0.1 and abs(np.mean(left)) <= 0.1, worst


def check_corners(answer, channel):
    grid = np.geomspace(5, 23000, 400001)
    db = 20 * np.log10(np.abs(truth(channel, grid) / truth(channel, [1000])))
    for key, side in (("low_3db", grid < 1000), ("high_3db", grid > 1000)):
        found = reading(answer, key, channel)
        exact = grid[side][np.argmin(np.abs(db[side] + 10 * np.log10(2)))]
        if found["resolved"]:
            assert abs(found["value"] / exact - 1) < 0.003, (key, found, exact)
            print(f"{channel}: {key} {found['value']:.3f} Hz, SciPy {exact:.3f} Hz")


def main():
    with tempfile.TemporaryDirectory() as folder:
        played, taken = os.path.join(folder, "sweep.wav"), os.path.join(folder, "take.wav")
        run("signal", "sweep", played, "--level", "-8")
        sound = read_24_bit(played)
        length = fft.next_fast_len(sound.shape[1] + 4000)
        heard = [signal.lfilter(*FILTERS[name], np.pad(x, (1234, length - 1234 - len(x))))
                 for name, x in zip(FILTERS, sound)]
        answer = answer_of(taken, heard)
        for channel in FILTERS:
            check_response(answer, channel, 0.01)
            check_phase(answer, channel)
            check_corners(answer, channel)
        balance = reading(answer, "balance", "both")["value"]
        own = 20 * np.log10(abs(truth("left", [1000])[0] / truth("right", [1000])[0]))
        assert abs(balance - own) < 0.01, (balance, own)
        for offset in (60e-6, -60e-6):
            answer = answer_of(taken, [resampled(x, offset) for x in heard])
            for channel in FILTERS:
                check_response(answer, channel, 0.05)
    return 0


sys.exit(main())
