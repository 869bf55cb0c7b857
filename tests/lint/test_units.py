# SPDX-License-Identifier: GPL-3.0-or-later
"""Every public double that has a unit carries it in its name.

Numbers that have none, or whose unit stands beside them as data (a reading's value), are listed here or,
for one header's own words, in that header: `// unitless: name, name`.
"""
import glob
import os
import re
import sys

SOURCE = os.environ["RB_SOURCE"]
SUFFIXES = set("""
bits s ms us ns hz khz rad deg degc db dbfs dbv dbu dbm dbspl db_per_octave db_per_min v vrms vpk mv uv a ma ua w mw ohm
ohms f h mh uf pct ppm ratio frames samples bins bytes cycles per_s per_min per_fs fs rms peak min hours minutes spl
lufs m l mm liters litres octaves siemens v_per_rthz per_hz
""".split())
# Numbers without a unit: plain numbers, shares, probabilities, mathematics.
WITHOUT = set("""
value values x y u v w t z p q a b c d e n s r f g h k mu number numbers result low high lowest highest fallback
uncertainty floor done total mean variance sd sum weight weights alpha beta gamma lambda sigma rho tau df
probability quantile score scores effect difference estimate statistic lower upper interval bound confidence
coefficient coefficients spectrum window scratch real imaginary magnitude factor share spread center
centre slope intercept median mad cost limit limits p_holm position
""".split())
ENDINGS = ("_ratio", "_share", "_factor", "_probability", "_value", "_count", "_weight")
DOUBLE = re.compile(r"\bdouble\s+(?:_Complex\s+|complex\s+)?(?:const\s+)?"
                    r"((?:\*?\s*\w+(?:\[[^\]]*\])*\s*,\s*)*\*?\s*\w+(?:\[[^\]]*\])*)\s*(?=[;,)(])")
COMMENT = re.compile(r"//[^\n]*|/\*.*?\*/", re.S)


def has_unit(name):
    return (name in WITHOUT or name.endswith(ENDINGS)
            or any(name == suffix or name.endswith("_" + suffix) for suffix in SUFFIXES))


def declared_unitless(text):
    return {n.strip() for line in re.findall(r"//\s*unitless:\s*([^\n]+)", text) for n in line.split(",")}


def faults_in(path):
    text = open(path, encoding="utf-8").read()
    free = declared_unitless(text)
    found = []
    for match in DOUBLE.finditer(COMMENT.sub("", text)):
        names = [re.sub(r"[\s*]|\[[^\]]*\]", "", part) for part in match.group(1).split(",")]
        found += [n for n in names if n and n not in ("double", "const") and not has_unit(n)
                  and n not in free and not n.startswith("rb_")]
    return [f"{path}: double '{n}' says no unit" for n in found]


def main():
    headers = sorted(glob.glob(os.path.join(SOURCE, "include/rollbook/*/*.h")))
    assert len(headers) > 15, "the headers were not found"
    faults = [f for path in headers for f in faults_in(path)]
    print("\n".join(faults) or f"{len(headers)} headers name their units")
    return 1 if faults else 0


sys.exit(main())
