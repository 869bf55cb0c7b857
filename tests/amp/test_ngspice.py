# SPDX-License-Identifier: GPL-3.0-or-later
"""The simulated amplifier against ngspice, on a netlist written from the same table of parts.

Supplies are fixed, noise is off: both solve the same equations by different programs. Witness:
ngspice (Debian), trapezoidal rule, relative tolerance 1e-6, steps of at most 1 us.
"""
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline

TOOL = str(Path(os.environ["RB_BUILD"]) / "tests" / "amp_tool_amp")
OPTIONS = ".options method=trap reltol=1e-6 abstol=1e-12 vntol=1e-8 chgtol=1e-16\n"
FROM_S, TO_S = 0.005, 0.010  # five periods of 1 kHz

failures = []


def check(good, text):
    print(("ok    " if good else "WRONG ") + text)
    if not good:
        failures.append(text)


def tool(*words):
    return subprocess.run([TOOL, *map(str, words)], capture_output=True, check=True).stdout


def spice(settings, source, commands):
    """Runs ngspice; returns what it printed as a dictionary of numbers, and a table it wrote."""
    netlist = tool("spice", *settings).decode().replace("@INPUT@", source)
    with tempfile.TemporaryDirectory(prefix="rollbook-spice-") as folder:
        table = Path(folder) / "table"
        circuit = Path(folder) / "circuit"
        control = commands.replace("@TABLE@", str(table))
        circuit.write_text(f"{netlist}{OPTIONS}.control\n{control}\n.endc\n.end\n")
        done = subprocess.run(["ngspice", "-b", str(circuit)], capture_output=True, text=True,
                              cwd=folder)
        values = {}
        for line in done.stdout.splitlines():
            words = line.split()
            if len(words) >= 3 and words[1] == "=":
                values[words[0]] = float(words[2].rstrip(","))
        numbers = np.loadtxt(table) if table.exists() else None
    assert values or numbers is not None, done.stdout + done.stderr
    return values, numbers


def harmonics(times, volts, frequency_hz):
    """Complex amplitudes of the first harmonics over whole periods, by spline and transform; a
    slope (the slow settling after the start) is taken out first."""
    n = 20000
    spline = CubicSpline(times, volts)
    at = FROM_S + (TO_S - FROM_S) * np.arange(n) / n
    level = spline(at)
    level = level - (spline(TO_S) - level[0]) / (TO_S - FROM_S) * (at - FROM_S)
    lines = 2 * np.fft.rfft(level) / n
    periods = round(frequency_hz * (TO_S - FROM_S))
    return np.array([lines[periods * h] for h in range(1, 7)])


def model_tone(settings, rate_hz, frequency_hz, peak_v):
    volts = np.frombuffer(tool("run", rate_hz, frequency_hz, peak_v, TO_S + 1e-4, *settings))
    return harmonics((np.arange(len(volts)) + 1) / rate_hz, volts, frequency_hz)


def spice_tone(settings, frequency_hz, peak_v):
    _, table = spice(settings, f"DC 0 SIN(0 {peak_v} {frequency_hz})",
                     f"tran 1u {TO_S + 1e-4} 0 1u\nwrdata @TABLE@ v(output)")
    return harmonics(table[:, 0], table[:, 1], frequency_hz)


def compare_tone(name, settings, peak_v, rates, gain_db=0.001, harmonic_db=0.05):
    reference = spice_tone(settings, 1000, peak_v)
    ratio = reference / reference[0]
    for rate_hz in rates:
        own = model_tone(settings, rate_hz, 1000, peak_v)
        off = abs(20 * np.log10(abs(own[0]) / abs(reference[0])))
        check(off <= gain_db, f"{name} at {rate_hz} Hz: gain off by {off:.5f} dB")
        for h in range(2, 6):
            level = 20 * np.log10(abs(ratio[h - 1]))
            if level < -100:
                continue
            off = abs(20 * np.log10(abs(own[h - 1] / own[0])) - level)
            check(off <= harmonic_db, f"{name} at {rate_hz} Hz: H{h} {level:.2f} dBc off by {off:.4f} dB")
    # The angle of H2 against the fundamental says which half is stronger.
    if abs(ratio[1]) > 10 ** (-80 / 20):
        turn = np.angle((own[1] / own[0] ** 2) / (reference[1] / reference[0] ** 2), deg=True)
        check(abs(turn) <= 1, f"{name}: H2 angle off by {turn:.2f} deg")


def truth(*settings):
    return {line.split()[0]: float(line.split()[1])
            for line in tool("truth", *settings).decode().splitlines()}


def compare_working_point(name, settings):
    values, _ = spice(settings, "DC 0", "op\n"
                      "let ia=v(p_V3)/760*v(a_V3)*(1+v(plate_a)/2500)\n"
                      "let ib=v(p_V4)/760*v(a_V4)*(1+v(plate_b)/2500)\nprint ia ib")
    own = truth(*settings)
    for side in "ab":
        off = own[f"idle_{side}"] / values[f"i{side}"] - 1
        check(abs(off) < 1e-3, f"{name}: idle {side} {1e3 * values[f'i{side}']:.3f} mA off {off:.1e}")


def compare_linear(name, settings, load_ohm=8.0):
    commands = """ac lin 1 1000 1000
let g=vm(output)
print g
ac dec 2000 0.3 300
let d=vm(output)/G1K-0.70710678
meas ac low when d=0 rise=1
ac dec 2000 3000 300000
let d=vm(output)/G1K-0.70710678
meas ac high when d=0 fall=1
"""
    own = truth(*settings)
    first, _ = spice(settings, "DC 0 AC 1", commands.split("ac dec")[0])
    values, _ = spice(settings, "DC 0 AC 1", commands.replace("G1K", repr(first["g"])))
    off = 20 * np.log10(own["gain"] / first["g"])
    check(abs(off) < 0.001, f"{name}: linear gain {first['g']:.5f} off by {off:.6f} dB")
    for corner in ("low", "high"):
        off = own[corner] / values[corner] - 1
        check(abs(off) < 0.005, f"{name}: {corner} corner {values[corner]:.3f} Hz off by {off:.1e}")
    return first["g"], values


def compare_impedance(name, settings, load_ohm=8.0):
    """One ampere into the output node, the input quiet."""
    values, _ = spice(settings, "DC 0 AC 0", "alter @Iprobe[acmag]=1\nac lin 1 1000 1000\n"
                      "let re=real(v(output))\nlet im=imag(v(output))\nprint re im")
    seen = values["re"] + 1j * values["im"]
    reference = abs(1 / (1 / seen - 1 / load_ohm))
    off = truth(*settings)["zout"] / reference - 1
    check(abs(off) < 1e-3, f"{name}: output impedance {reference:.5f} ohm off by {off:.1e}")


def upper_corner_of_the_moving_model(gain, corner_hz):
    """At the highest internal rate the -3.01 dB point lies within 3 % of ngspice's corner."""
    wanted = gain / np.sqrt(2)

    def level(frequency_hz):
        volts = np.frombuffer(tool("run", 384000, frequency_hz, 1e-3, 0.02))
        at = (np.arange(len(volts)) + 1) / 384000
        part = at > 0.005
        basis = np.stack([np.ones(part.sum()), np.cos(2 * np.pi * frequency_hz * at[part]),
                          np.sin(2 * np.pi * frequency_hz * at[part])], axis=1)
        fitted = np.linalg.lstsq(basis, volts[part], rcond=None)[0]
        return np.hypot(fitted[1], fitted[2]) / 1e-3

    below, above = level(0.97 * corner_hz), level(1.03 * corner_hz)
    check(below > wanted > above, f"corner {corner_hz:.0f} Hz within 3 % in motion: "
          f"{below / gain:.4f} and {above / gain:.4f} around 0.7071")


def compare_supply(b_plus_a, b2_a, settings):
    words = ["supply_spice", b_plus_a, b2_a, *settings]
    with tempfile.TemporaryDirectory(prefix="rollbook-spice-") as folder:
        circuit = Path(folder) / "circuit"
        circuit.write_text(tool(*words).decode() + """.options method=gear reltol=1e-5
.control
tran 20u 7 0 20u uic
meas tran mean_1 avg v(bplus) from=6.6 to=7
meas tran mean_2 avg v(b2) from=6.6 to=7
meas tran pp_1 pp v(bplus) from=6.6 to=7
meas tran pp_2 pp v(b2) from=6.6 to=7
.endc
.end
""")
        done = subprocess.run(["ngspice", "-b", str(circuit)], capture_output=True, text=True)
    values = {line.split()[0]: float(line.split()[2]) for line in done.stdout.splitlines()
              if len(line.split()) >= 3 and line.split()[1] == "="}
    own = {line.split()[0]: float(line.split()[1])
           for line in tool("supply", *words[1:]).decode().splitlines()}
    for key, measured, within in (("b_plus", "mean_1", 1e-3), ("b2", "mean_2", 1e-3),
                                  ("ripple_b_plus", "pp_1", 0.03), ("ripple_b2", "pp_2", 0.03)):
        off = own[key] / values[measured] - 1
        check(abs(off) < within, f"supply {b_plus_a} A {settings}: {key} {values[measured]:.5g} V "
              f"off by {off:.1e}")


def main():
    if not shutil.which("ngspice"):
        print("ngspice is not installed")
        return 77
    unequal = ["inverter_load_b=35000", "bias_v=-38"]
    weak = ["V4:gm=0.8", "V1:mu=0.9", "V2:a.gm=0.85"]
    compare_working_point("balanced", [])
    compare_working_point("unequal", unequal)
    compare_working_point("weak tubes", weak)
    gain, corners = compare_linear("balanced", [])
    compare_linear("weak tubes", weak)
    compare_linear("16 ohm", ["load=16"])
    compare_linear("speaker", ["speaker=1"])
    compare_impedance("balanced", [])
    compare_impedance("unequal", unequal)
    upper_corner_of_the_moving_model(gain, corners["high"])
    compare_supply(0.18, 0.0155, [])
    compare_supply(0.18, 0.0155, ["c1=20e-6"])
    compare_supply(0.35, 0.018, [])
    slow = [96000, 192000, 384000]
    compare_tone("1 W", unequal, 0.106, slow)
    compare_tone("10 W", unequal, 0.335, slow)
    compare_tone("25 W", unequal, 0.53, slow)
    compare_tone("40 W", unequal, 0.7, [384000])
    compare_tone("clipping", unequal, 0.85, [384000])
    compare_tone("balanced 10 W", [], 0.335, slow)
    compare_tone("weak tubes 10 W", weak, 0.335, slow)
    compare_tone("4 ohm", ["load=4"], 0.2, [192000])
    print(f"{len(failures)} wrong")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
