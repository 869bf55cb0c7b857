# SPDX-License-Identifier: GPL-3.0-or-later
"""SciPy as an independent witness of `analyze`: the same files, two analyses that share no code.

Files: tones made by NumPy (known truth, 24 bit with triangular dither) and by SoX (another program's idea of a tone),
as WAV, FLAC and AIFF at four rates. SciPy finds the frequency by minimising the residual of a least-squares fit of the
tone and its harmonics. Bounds: amplitude 0.001 dB, frequency 1 ppm, harmonics at -100 dB within 0.3 dB.
"""
import json
import math
import os
import subprocess
import sys
import tempfile
import wave

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.signal import windows

PROGRAM = os.environ["ROLLBOOK"]
AMPLITUDE_DB, FREQUENCY_PPM, FAINT_DB = 0.001, 1.0, 0.3
HARMONICS = range(1, 11)


# ---- files -------------------------------------------------------------------------------------------------------

def write_24_bit(path, channels, rate_hz, seed):
    """Interleaved 24 bit with triangular dither of two steps, as a good converter would give it."""
    samples = np.stack(channels, axis=1)
    random = np.random.default_rng(seed)
    dither = random.random(samples.shape) - random.random(samples.shape)
    steps = np.clip(np.round(samples * 2**23 + dither), -2**23, 2**23 - 1).astype("<i4")
    with wave.open(path, "wb") as file:
        file.setnchannels(len(channels))
        file.setsampwidth(3)
        file.setframerate(rate_hz)
        file.writeframes(steps.reshape(-1).view(np.uint8).reshape(-1, 4)[:, :3].tobytes())


def tone(rate_hz, duration_s, frequency_hz, level_db, harmonics, phase=0.3):
    """cos with harmonics {n: (dB re fundamental, angle φn − n·φ1 in degrees)}."""
    u = 2 * np.pi * frequency_hz * np.arange(int(rate_hz * duration_s)) / rate_hz + phase
    peak = 10 ** (level_db / 20)
    return peak * (np.cos(u) + sum(10 ** (db / 20) * np.cos(n * u + math.radians(deg))
                                   for n, (db, deg) in harmonics.items()))


def samples_of(path):
    """Any file as SoX reads it: 32 bit integers, exact for 24 bit."""
    info = [subprocess.run(["soxi", flag, path], check=True, capture_output=True, text=True).stdout.strip()
            for flag in ("-r", "-c")]
    raw = subprocess.run(["sox", "-D", path, "-t", "s32", "-"], check=True, capture_output=True).stdout
    return int(info[0]), np.frombuffer(raw, dtype="<i4").reshape(-1, int(info[1])).T / 2**31


# ---- the witness -------------------------------------------------------------------------------------------------

def design(frequency_hz, rate_hz, n):
    u = 2 * np.pi * frequency_hz * (np.arange(n) - n / 2) / rate_hz
    columns = [np.ones(n)]
    for k in HARMONICS:
        if k * frequency_hz < 0.49 * rate_hz:
            columns += [np.cos(k * u), np.sin(k * u)]
    return np.stack(columns, axis=1)


def fit(x, frequency_hz, rate_hz):
    a = design(frequency_hz, rate_hz, len(x))
    solution = np.linalg.solve(a.T @ a, a.T @ x)
    return solution, float(np.sum((x - a @ solution) ** 2))


def witness(x, rate_hz, near_hz):
    """Frequency, level in dBFS, harmonics in dB and their angles, by SciPy."""
    spectrum = np.abs(np.fft.rfft(x * windows.blackmanharris(len(x))))
    bin_hz = rate_hz / len(x)
    low, high = int(0.98 * near_hz / bin_hz), int(1.02 * near_hz / bin_hz) + 2
    rough_hz = (low + int(np.argmax(spectrum[low:high]))) * bin_hz
    best = minimize_scalar(lambda f: fit(x, f, rate_hz)[1], bounds=(rough_hz - bin_hz, rough_hz + bin_hz),
                           method="bounded", options={"xatol": 1e-8 * rough_hz})
    solution, _ = fit(x, best.x, rate_hz)
    lines = [complex(solution[i], -solution[i + 1]) for i in range(1, len(solution), 2)]
    size = np.abs(lines)
    angle = [math.degrees((np.angle(c) - (k + 1) * np.angle(lines[0]) + np.pi) % (2 * np.pi) - np.pi)
             for k, c in enumerate(lines)]
    return {"freq": best.x, "level": 20 * math.log10(size[0]),
            **{f"h{k + 1}": 20 * math.log10(size[k] / size[0]) for k in range(1, len(lines))},
            **{f"h{k + 1}_phase": angle[k] for k in range(1, len(lines))}}


def analyze(path, tone_hz):
    done = subprocess.run([PROGRAM, "--json", "analyze", path, "--tone", str(tone_hz)], capture_output=True, text=True)
    assert done.returncode == 0, f"{path}: exit {done.returncode}\n{done.stdout}\n{done.stderr}"
    answer = json.loads(done.stdout)
    assert answer["health"]["usable"], answer["health"]
    return answer


def readings(answer, channel):
    return {r["key"]: r for r in answer["readings"] if r["channel"] == channel}


# ---- comparisons -------------------------------------------------------------------------------------------------

worst = {"level dB": 0.0, "freq ppm": 0.0, "strong harmonic dB": 0.0, "harmonic at -100 dB, dB": 0.0, "angle deg": 0.0}


def note(what, difference, bound, where):
    worst[what] = max(worst[what], abs(difference))
    assert abs(difference) <= bound, f"{where}: {what} is off by {difference:.3g}, more than {bound}"


def folded(degrees):
    return (degrees + 180) % 360 - 180


def compare(found, expected, where, harmonics):
    note("level dB", found["level"]["value"] - expected["level"], AMPLITUDE_DB, where)
    note("freq ppm", 1e6 * (found["freq"]["value"] / expected["freq"] - 1), FREQUENCY_PPM, where)
    for n in harmonics:
        reading, wanted = found[f"h{n}"], expected[f"h{n}"]
        assert reading["resolved"], f"{where}: h{n} at {wanted:.1f} dB is not resolved"
        if wanted > -80:
            note("strong harmonic dB", reading["value"] - wanted, 0.01, where)
        else:
            note("harmonic at -100 dB, dB", reading["value"] - wanted, FAINT_DB, where)
        if f"h{n}_phase" in expected:
            note("angle deg", folded(found[f"h{n}_phase"]["value"] - expected[f"h{n}_phase"]),
                 0.1 if wanted > -80 else 3, where)


def numpy_tones_come_back_as_they_were_made(folder):
    cases = [(44100, 997.31, -1.3, {2: (-60, 10), 3: (-100, 120), 5: (-100, -70)}),
             (48000, 1000.0, -6.0, {2: (-100, 0), 3: (-70, 180), 4: (-100, 45)}),
             (96000, 109.07, -3.0, {2: (-45, 90), 3: (-100, 0), 7: (-100, 150), 10: (-100, -20)}),
             (192000, 5003.7, -12.0, {2: (-50, 0), 3: (-90, 60)})]
    for i, (rate_hz, frequency_hz, level_db, harmonics) in enumerate(cases):
        path = os.path.join(folder, f"numpy-{rate_hz}.wav")
        left = tone(rate_hz, 5, frequency_hz, level_db, harmonics)
        right = tone(rate_hz, 5, frequency_hz, level_db - 20, {2: (-40, -30)}, phase=-1.1)
        write_24_bit(path, [left, right], rate_hz, i)
        answer = analyze(path, frequency_hz)
        assert answer["rate_hz"] == rate_hz and answer["channels"] == 2, answer
        truth = {"freq": frequency_hz, "level": level_db, **{f"h{n}": db for n, (db, _) in harmonics.items()},
                 **{f"h{n}_phase": deg for n, (_, deg) in harmonics.items()}}
        compare(readings(answer, "left"), truth, path + " left, truth", harmonics)
        truth = {"freq": frequency_hz, "level": level_db - 20, "h2": -40, "h2_phase": -30}
        compare(readings(answer, "right"), truth, path + " right, truth", [2])
        _, (x, _) = samples_of(path)
        compare(readings(answer, "left"), witness(x, rate_hz, frequency_hz), path + " left, SciPy", harmonics)


def sox_tones_are_read_alike_by_both(folder):
    cases = [("wav", 48000, 1, 1000, 0.5), ("flac", 44100, 2, 440, 0.8), ("aiff", 96000, 1, 3150.5, 0.1)]
    for kind, rate_hz, channels, frequency_hz, volume in cases:
        path = os.path.join(folder, f"sox-{rate_hz}.{kind}")
        subprocess.run(["sox", "-n", "-R", "-r", str(rate_hz), "-c", str(channels), "-b", "24", path, "synth", "4", "sine",
                        str(frequency_hz), "vol", str(volume)], check=True)
        answer = analyze(path, frequency_hz)
        rate_read, samples = samples_of(path)
        assert answer["rate_hz"] == rate_read and answer["channels"] == channels
        expected = witness(samples[0], rate_hz, frequency_hz)
        compare(readings(answer, "left"), expected, path, [])
        note("freq ppm", 1e6 * (expected["freq"] / frequency_hz - 1), 1, path + " SciPy against SoX")
        for n in range(2, 6):  # a SoX tone has no harmonics above the 24 bit noise
            reading = readings(answer, "left").get(f"h{n}")
            assert reading is None or reading["value"] < -120, reading


def sox_distortion_is_read_alike_by_both(folder):
    path = os.path.join(folder, "overdrive.wav")
    subprocess.run(["sox", "-n", "-R", "-r", "48000", "-c", "1", "-b", "24", path, "synth", "4", "sine", "997", "vol", "0.4",
                    "overdrive", "3", "20"], check=True)
    answer = analyze(path, 997)
    _, samples = samples_of(path)
    expected = witness(samples[0], 48000, 997)
    strong = [n for n in range(2, 11) if expected[f"h{n}"] > -100]
    assert strong == [2, 3], expected  # a cubic of a shifted sine
    compare(readings(answer, "left"), {k: v for k, v in expected.items() if not k.endswith("_phase")}, path, strong)


def main():
    with tempfile.TemporaryDirectory(prefix="rollbook-witness-") as folder:
        numpy_tones_come_back_as_they_were_made(folder)
        sox_tones_are_read_alike_by_both(folder)
        sox_distortion_is_read_alike_by_both(folder)
    print("largest differences: " + ", ".join(f"{what} {value:.2g}" for what, value in worst.items()))
    return 0


sys.exit(main())
