# SPDX-License-Identifier: GPL-3.0-or-later
"""The real card path: PortAudio, a worker process and the guard, on sound servers whose output comes back.

Every scenario has a server of its own, so they run beside each other. The oracles are outside: NumPy on the
captured file; the served plugin run offline by a LADSPA host; what the server itself recorded.
"""
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from scipy.io import wavfile

import virtual_card

BUILD = Path(os.environ["RB_BUILD"])
TOOL, LADSPA_HOST = BUILD / "tests/rig_tool_card", BUILD / "tests/rig_tool_ladspa"
PATIENCE_S = 60
GIVE_UP_S = 3.0


# ---- driving -------------------------------------------------------------------------------------

def start(card, *words, **variables):
    environment = dict(card.environment, LOG=card.path("program.log"), **variables)
    return subprocess.Popen([str(TOOL), *map(str, words)], env=environment, stdin=subprocess.DEVNULL,
                            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def finish(process, patience_s=PATIENCE_S):
    try:
        out, errors = process.communicate(timeout=patience_s)
    except subprocess.TimeoutExpired:
        process.kill()
        out, errors = process.communicate()
        raise AssertionError(f"hangs: {out}{errors}") from None
    return process.returncode, out, errors


def run(card, *words, **variables):
    code, out, errors = finish(start(card, *words, **variables))
    assert code == 0, f"{words}: {errors}"
    return out


def refused(card, *words):
    code, out, errors = finish(start(card, *words))
    assert code == 1, f"{words} was not refused: {out}"
    assert errors.count("\n") == 1, f"the sound libraries reached the screen: {errors}"
    return errors


def await_start(process):
    while True:
        line = process.stdout.readline()
        assert line, "ended before it played: " + process.stderr.read()
        if line.startswith("start"):
            return


def workers_of(card):
    """Worker processes that still live and know this card's folder."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                if (b"__card-worker" in (entry / "cmdline").read_bytes()
                        and card.folder.encode() in (entry / "environ").read_bytes()):
                    found.append(int(entry.name))
            except OSError:
                pass
    return found


def tone(rate, seconds, hz, peak):
    return np.float32(peak * np.sin(2 * np.pi * hz * np.arange(int(seconds * rate)) / rate))


def residual_db(captured, expected):
    """Of the flat part, against a full-scale sine."""
    flat = slice(len(expected) // 20, -len(expected) // 20)
    error = captured[flat].astype(float) - expected[flat]
    return 20 * np.log10(np.sqrt(np.mean(error ** 2)) * np.sqrt(2) + 1e-30)


def captured_residual(card, rate, seconds=1.0, hz=997.0, peak=0.5, count=1, device=None):
    out = card.path("capture.wav")
    text = run(card, "run", device or card.device, rate, seconds, hz, peak, out, count)
    found_rate, frames = wavfile.read(out)
    assert found_rate == rate
    expected = tone(rate, seconds, hz, peak)
    assert frames.shape == (len(expected), 2)
    return max(residual_db(frames[:, c], expected) for c in (0, 1)), text


# ---- levels --------------------------------------------------------------------------------------

def pulse_float_is_exact():
    with virtual_card.Pulse(48000) as card:
        assert "default (ALSA" in run(card, "list")
        residual, text = captured_residual(card, 48000, count=2)
        assert residual < -300, residual
        assert text.count("missing 0") == 2
        return f"residual {residual:.0f} dB (bit for bit)"


def pulse_192k_is_exact():
    with virtual_card.Pulse(192000) as card:
        residual, _ = captured_residual(card, 192000)
        assert residual < -300, residual


def pulse_96k_is_exact():
    with virtual_card.Pulse(96000) as card:
        residual, _ = captured_residual(card, 96000)
        assert residual < -300, residual


def pulse_16_bit_has_the_residual_of_16_bit():
    """Rounding to steps of 2^-15: rms error step/sqrt(12), -98.1 dB re a full-scale sine (W. R. Bennett, "Spectra of
    quantized signals", Bell System Tech. J. 27, 1948)."""
    with virtual_card.Pulse(48000, sample_format="s16le") as card:
        residual, _ = captured_residual(card, 48000)
        assert abs(residual - 20 * np.log10(2 ** -15 / np.sqrt(12) * np.sqrt(2))) < 0.5, residual
        return f"residual {residual:.2f} dB"


def jack_is_exact_and_refuses_another_rate():
    with virtual_card.Jack(48000) as card:
        residual, text = captured_residual(card, 48000, count=2)
        assert residual < -300, residual
        assert text.count("missing 0") == 2
        message = refused(card, "run", card.device, 44100, 1, 1000, 0.5, card.path("o.wav"))
        assert message.startswith("UNSUPPORTED") and "44100" in message and "48000" in message, message
        # By number, by part of a name under part of an API's name, as the list has it.
        lines = run(card, "list").splitlines()
        number = [i for i, line in enumerate(lines) if "name=loopback" in line][0]
        for device in (f"card:{number}", "card:api=jack;in=loopb;out=LOOP", lines[number].split("\t")[0]):
            assert "loopback" in run(card, "hold", device, 48000, 0.01), device


def a_file_device_is_exact_at_every_rate():
    with virtual_card.AlsaFile() as card:
        for rate in (44100, 48000, 88200, 96000, 192000):
            card.write("loop.raw", "")
            residual, text = captured_residual(card, rate, seconds=2.0)
            assert residual < -300 and "missing 0" in text, (rate, residual, text)


def resampling(rate, other, sample_format="float32le"):
    """PulseAudio plays any rate and says nothing; a sink that runs at its own rate converts."""
    with virtual_card.Pulse(48000, sample_format) as card:
        line = run(card, "rate", card.device, rate, 0).splitlines()[-1]
        assert line.startswith(f"resampled\t{other} Hz" if other else "as it is"), (rate, line)
        return f"{rate} Hz: " + line.replace("\t", " ")


def a_conversion_upwards_is_noticed():
    return resampling(44100, 48000)


def a_conversion_to_half_is_noticed():
    return resampling(96000, 48000)


def a_conversion_downwards_is_noticed():
    return resampling(88200, 48000)


def rounding_to_16_bit_is_no_conversion():
    return resampling(48000, 0, "s16le")


def a_path_that_does_not_resample_is_not_suspected():
    with virtual_card.Jack(48000) as card:
        assert "as it is" in run(card, "rate", card.device, 48000, 0)
    with virtual_card.AlsaFile() as card:
        for rate in (44100, 48000, 88200, 96000, 192000):
            card.write("loop.raw", "")
            assert "as it is" in run(card, "rate", card.device, rate, 0), rate


# ---- a device under test nobody here wrote -------------------------------------------------------

def harmonics_db(samples, rate, hz=1000, count=7):
    """Levels of the fundamental and its harmonics over whole seconds of a tone of whole hertz."""
    samples = samples[-rate:].astype(float)
    spectrum = 2 * np.abs(np.fft.rfft(samples)) / len(samples)
    return 20 * np.log10(np.array([spectrum[hz * k] for k in range(1, count + 1)]) + 1e-30)


def offline_harmonics(card, plugin, rate, seconds, peak):
    file, label, control = plugin
    lead = np.zeros(rate // 2, np.float32)
    # One second longer than the tone that is looked at, so the plugin has settled as it has live.
    signal_in = np.concatenate([lead, tone(rate, seconds, 1000, peak)])
    wavfile.write(card.path("in.wav"), rate, np.column_stack([signal_in, signal_in]))
    subprocess.run([LADSPA_HOST, f"/usr/lib/ladspa/{file}.so", label, control, card.path("in.wav"),
                    card.path("offline.wav")], check=True, timeout=PATIENCE_S)
    return harmonics_db(wavfile.read(card.path("offline.wav"))[1][:-rate // 10, 0], rate)


def plugin_scenario(plugin):
    with virtual_card.Pulse(48000, plugin=plugin) as card:
        out = card.path("capture.wav")
        run(card, "run", card.device, 48000, 2.2, 1000, 0.25, out)
        live = harmonics_db(wavfile.read(out)[1][:-4800, 0], 48000)
        offline = offline_harmonics(card, plugin, 48000, 2.2, 0.25)
        seen = live > live[0] - 100
        assert seen.sum() >= 3, live
        assert np.all(np.abs(live - offline)[seen] < 0.1), (live, offline)
        return "H1 {:.2f} dBFS, ".format(live[0]) + "dBc " + " ".join(
            f"{h - live[0]:.1f}" for h in live[1:]) + f", off by {np.max(np.abs(live - offline)[seen]):.4f} dB at most"


def a_valve_plugin_measures_as_it_does_offline():
    return plugin_scenario(("valve_rect_1405", "valveRect", "0.9,0.1"))


def a_wave_wrapper_measures_as_it_does_offline():
    return plugin_scenario(("sinus_wavewrapper_1198", "sinusWavewrapper", "1"))


def a_diode_measures_as_it_does_offline_and_in_theory():
    """Half-wave rectified sine: H2 is 4/(3 pi) of H1, -7.44 dB (its Fourier series, any table)."""
    told = plugin_scenario(("diode_1185", "diode", "1"))
    second = float(told.split("dBc ")[1].split()[0])
    assert abs(second - 20 * np.log10(4 / (3 * np.pi))) < 0.1, told
    return told


# ---- devices that are not there, or are none -----------------------------------------------------

def an_absent_device_is_answered_with_a_list():
    with virtual_card.AlsaFile() as card:
        message = refused(card, "run", "card:no such card", 48000, 1, 1000, 0.5, card.path("o.wav"))
        assert message.startswith("NOT_FOUND") and "no such card" in message and "loop (ALSA" in message, message
        message = refused(card, "run", "card:77", 48000, 1, 1000, 0.5, card.path("o.wav"))
        assert message.startswith("NOT_FOUND") and "loop (ALSA" in message, message
        message = refused(card, "run", "card:l", 48000, 1, 1000, 0.5, card.path("o.wav"))
        assert message.startswith("BAD_ARG") and "part of the name of 2" in message, message
        message = refused(card, "run", "card:loop;frames=2", 48000, 1, 1000, 0.5, card.path("o.wav"))
        assert message.startswith("BAD_ARG"), message


def a_device_that_swallows_sound_at_once_is_refused():
    with virtual_card.AlsaNull() as card:
        message = refused(card, "run", card.device, 48000, 1, 1000, 0.5, card.path("o.wav"))
        assert message.startswith("DEVICE") and "no card" in message, message


def a_sound_system_that_aborts_takes_only_the_worker():
    with virtual_card.AlsaNothing() as card:
        message = refused(card, "list")
        assert message.startswith("DEVICE") and "broke down" in message, message


def no_server_at_all_is_told():
    with virtual_card.Pulse(48000) as card:
        card.stop()
        message = refused(card, "run", "card:", 48000, 1, 1000, 0.5, card.path("o.wav"))
        assert message.split(":")[0] in ("NOT_FOUND", "DEVICE") and "sound server" in message, message


# ---- faults in the middle ------------------------------------------------------------------------

def fault(card, break_it, seconds=6):
    """Breaks the server in the middle of an exchange; how long until the program gave up, and what it said."""
    process = start(card, "run", card.device, card.rate, seconds, 1000, 0.5, card.path("o.wav"))
    await_start(process)
    time.sleep(1.2)
    break_it()
    broken = time.monotonic()
    code, _, errors = finish(process)
    took = time.monotonic() - broken
    assert code == 1 and errors.startswith("DEVICE"), (code, errors)
    assert errors.count("\n") == 1, errors
    assert took < GIVE_UP_S, f"took {took:.2f} s: {errors}"
    assert not os.path.exists(card.path("o.wav"))
    assert not workers_of(card), "a worker is left"
    return f"{took:.2f} s: {errors.strip()}"


def pulse_killed_in_the_middle():
    with virtual_card.Pulse() as card:
        return fault(card, lambda: card.signal(signal.SIGKILL))


def pulse_frozen_in_the_middle():
    with virtual_card.Pulse() as card:
        told = fault(card, lambda: card.signal(signal.SIGSTOP))
        # And from the start: here Pa_Initialize itself blocks.
        began = time.monotonic()
        message = refused(card, "list")
        assert message.startswith("DEVICE") and time.monotonic() - began < GIVE_UP_S, message
        card.signal(signal.SIGCONT)
        assert "default" in run(card, "list")  # thawed, all is well again
        return told


def pulse_suspended_in_the_middle():
    with virtual_card.Pulse() as card:
        return fault(card, lambda: card.control("suspend-sink", "loop", "1"))


def jack_killed_in_the_middle():
    with virtual_card.Jack() as card:
        return fault(card, lambda: card.signal(signal.SIGKILL))


def jack_frozen_in_the_middle():
    with virtual_card.Jack() as card:
        return fault(card, lambda: card.signal(signal.SIGSTOP))


def hiccup(stop, resume, pause_s):
    """Whatever the server loses or inserts, either the capture is taken again or its analysis says what it is."""
    with virtual_card.Pulse() as card:
        process = start(card, "run", card.device, 48000, 2.5, 997, 0.5, card.path("o.wav"))
        await_start(process)
        time.sleep(1.0)
        stop(card)
        time.sleep(pause_s)
        resume(card)
        code, out, errors = finish(process)
        assert code == 0, errors
        assert "missing 0" in out, out
        captured, expected = wavfile.read(card.path("o.wav"))[1][:, 0], tone(48000, 2.5, 997, 0.5)
        exact = residual_db(captured, expected) < -300
        # Up to two frames pass the markers, whose places noise may move; the phase of a tone shows them.
        assert exact == ("continuity\twhole" in out), out
        end = slice(-24000, -6000)
        assert any(np.max(np.abs(np.roll(captured, shift)[end] - expected[end])) < 1e-6 for shift in range(-2, 3)), out
        return out.strip().replace("\t", ", ").replace("\n", "; ")


def a_suspended_moment_costs_a_repeat_at_most():
    return hiccup(lambda card: card.control("suspend-sink", "loop", "1"),
                  lambda card: card.control("suspend-sink", "loop", "0"), 0.8)


def a_worker_that_hangs_or_dies_is_given_up():
    with virtual_card.Pulse() as card:
        told = fault(card, lambda: [os.kill(pid, signal.SIGSTOP) for pid in workers_of(card)])
        assert "no sign of life" in told, told
        told = fault(card, lambda: [os.kill(pid, signal.SIGABRT) for pid in workers_of(card)])
        assert "broke down" in told and "Aborted" in told, told


def inserted_silence_is_seen_and_the_capture_taken_again():
    """A server that stood still catches up with frames of silence."""
    told = hiccup(lambda card: card.signal(signal.SIGSTOP), lambda card: card.signal(signal.SIGCONT), 0.4)
    assert "attempts 1," not in told, told
    return told


# ---- stopping ------------------------------------------------------------------------------------

def recorded_end(card, stop_it):
    """What the server's own recorder heard when a tone was stopped: the samples up to the last sound."""
    raw = card.path("recorded.raw")
    recorder = subprocess.Popen(["parec", "-d", "loop.monitor", "--format=float32le", "--rate=48000", "--channels=2",
                                 "--latency-msec=50"], env=card.environment, stdout=open(raw, "wb"))
    try:
        stop_it()
        time.sleep(0.7)
    finally:
        recorder.terminate()
        recorder.wait(5)
    sound = np.fromfile(raw, np.float32, count=os.path.getsize(raw) // 8 * 2)[::2]
    last = np.flatnonzero(np.abs(sound) > 1e-7)[-1]
    return sound[:last + 1]


def assert_faded(sound, peak=0.5, rate=48000):
    """1 kHz: one peak each half millisecond. From full level to nothing in a ramp of 20 ms, without a step."""
    n = rate // 1000
    envelope = np.array([np.max(np.abs(sound[len(sound) - (k + 1) * n:len(sound) - k * n])) for k in range(60)])
    assert abs(envelope[40] - peak) < 0.02 * peak, envelope  # 40 ms before the end it was still loud
    assert envelope[0] < 0.1 * peak, envelope
    assert np.all(np.diff(envelope) > -0.02 * peak), envelope  # never louder again on the way
    assert np.max(np.abs(np.diff(envelope))) < 0.15 * peak, envelope


def a_wish_to_stop_fades_in_20_ms():
    with virtual_card.Pulse() as card:
        def stop():
            began = time.monotonic()
            code, _, errors = finish(start(card, "run", card.device, 48000, 8, 1000, 0.5, card.path("o.wav"),
                                           CANCEL_AFTER_S="3"))
            assert code == 1 and errors.startswith("CANCELLED"), errors
            took = time.monotonic() - began - 3
            assert took < 1.0, took
        assert_faded(recorded_end(card, stop))


def a_killed_program_leaves_silence_and_no_worker():
    with virtual_card.Pulse() as card:
        def stop():
            process = start(card, "run", card.device, 48000, 8, 1000, 0.5, card.path("o.wav"))
            await_start(process)
            time.sleep(1.5)
            process.kill()
            finish(process)
            end = time.monotonic() + 2
            while workers_of(card) and time.monotonic() < end:
                time.sleep(0.02)
            assert not workers_of(card)
        assert_faded(recorded_end(card, stop))


# ---- again and again -----------------------------------------------------------------------------

def ten_cycles(server):
    with server() as card:
        out = run(card, "run", card.device, 48000, 0.3, 1000, 0.5, card.path("o.wav"), 10, "open")
        done = [line for line in out.splitlines() if line.startswith("done")]
        assert len(done) == 10 and all("missing 0" in line for line in done), out
        again = sum("attempts 1\t" not in line for line in done)
        latencies = sorted({line.split("latency ")[1].split()[0] for line in done})
        return f"10 of 10, {again} taken again, latencies {' '.join(latencies)} s"


def ten_starts_and_stops_lose_nothing():
    return ten_cycles(virtual_card.Pulse)


def ten_more_starts_and_stops_lose_nothing():
    return ten_cycles(virtual_card.Pulse)


def ten_starts_and_stops_on_jack_lose_nothing():
    return ten_cycles(virtual_card.Jack)


SCENARIOS = [  # the longest first
    a_conversion_upwards_is_noticed, a_conversion_to_half_is_noticed, a_conversion_downwards_is_noticed,
    rounding_to_16_bit_is_no_conversion, ten_starts_and_stops_lose_nothing, ten_more_starts_and_stops_lose_nothing,
    ten_starts_and_stops_on_jack_lose_nothing, jack_is_exact_and_refuses_another_rate,
    inserted_silence_is_seen_and_the_capture_taken_again, a_suspended_moment_costs_a_repeat_at_most,
    pulse_frozen_in_the_middle, pulse_killed_in_the_middle,
    pulse_suspended_in_the_middle, jack_killed_in_the_middle, jack_frozen_in_the_middle,
    a_worker_that_hangs_or_dies_is_given_up, a_wish_to_stop_fades_in_20_ms, a_killed_program_leaves_silence_and_no_worker,
    a_valve_plugin_measures_as_it_does_offline, a_wave_wrapper_measures_as_it_does_offline,
    a_diode_measures_as_it_does_offline_and_in_theory,
    pulse_float_is_exact, pulse_16_bit_has_the_residual_of_16_bit, pulse_96k_is_exact, pulse_192k_is_exact,
    a_path_that_does_not_resample_is_not_suspected, a_file_device_is_exact_at_every_rate, an_absent_device_is_answered_with_a_list,
    a_device_that_swallows_sound_at_once_is_refused, a_sound_system_that_aborts_takes_only_the_worker,
    no_server_at_all_is_told,
]


def attempt(scenario):
    began = time.monotonic()
    try:
        told, ok = scenario() or "", True
    except Exception as error:  # every scenario is told about, not only the first that fails
        told, ok = f"{type(error).__name__}: {error}", False
    print(f"{'ok  ' if ok else 'FAIL'} {time.monotonic() - began:5.1f} s  {scenario.__name__}  {told}", flush=True)
    return ok


def main():
    if os.environ.get("RB_CHECK") == "tsan":
        print("the sound libraries race by themselves under this build, and are too slow for their own deadlines")
        return 77
    chosen = [s for s in SCENARIOS if not sys.argv[1:] or any(word in s.__name__ for word in sys.argv[1:])]
    with ThreadPoolExecutor(4) as pool:
        results = list(pool.map(attempt, chosen))
    assert results, "no scenario was run"
    return 0 if all(results) else 1


sys.exit(main())
