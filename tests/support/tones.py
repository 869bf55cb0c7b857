# SPDX-License-Identifier: GPL-3.0-or-later
"""WAV files made by hand, sound and broken, with nothing but the standard library and NumPy."""
import struct

import numpy as np


def sine(frequency_hz=1000.0, peak=0.5, rate_hz=48000, duration_s=2.0, harmonics=(), channels=1):
    """Harmonics: (order, amplitude relative to the tone)."""
    time_s = np.arange(int(round(rate_hz * duration_s))) / rate_hz
    tone = np.sin(2 * np.pi * frequency_hz * time_s)
    for order, ratio in harmonics:
        tone = tone + ratio * np.sin(2 * np.pi * order * frequency_hz * time_s)
    return np.column_stack([peak * tone] * channels)


def _pcm24(samples):
    whole = np.clip(np.rint(samples * 8388608), -8388608, 8388607).astype("<i4")
    return whole.reshape(-1, 1).view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


def wav_bytes(samples, rate_hz=48000, encoding="float", data_bytes=None):
    """RIFF/WAVE as Microsoft and IBM published it in 1991. `data_bytes`: what the header claims."""
    samples = np.atleast_2d(np.asarray(samples, dtype=float))
    channels = samples.shape[1]
    if encoding == "float":
        body, tag, bits = samples.astype("<f4").tobytes(), 3, 32
    elif encoding == "pcm16":
        body, tag, bits = np.rint(np.clip(samples, -1, 1) * 32767).astype("<i2").tobytes(), 1, 16
    else:
        body, tag, bits = _pcm24(samples), 1, 24
    frame = channels * bits // 8
    claimed = len(body) if data_bytes is None else data_bytes
    header = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", min(36 + claimed, 0xFFFFFFFF), b"WAVE", b"fmt ", 16, tag,
                         channels, int(rate_hz), int(rate_hz) * frame, frame, bits, b"data", claimed)
    return header + body


def write(path, samples, rate_hz=48000, encoding="float", **more):
    path.write_bytes(wav_bytes(samples, rate_hz, encoding, **more))
    return path
