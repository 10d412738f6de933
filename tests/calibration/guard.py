"""How often a claim is shown falsely where readings are uncertain, and whether the risks are right.

    python tests/calibration/guard.py [RUNS] [SEED]

Bare drops of a few devices and cases of a model, in one orientation, read with a sensor a side that
is off by a factor of its own: normal, of the standard uncertainty that is on record. First every
true reduction is exactly the one claimed, so that each claim shown counts as false. Then it is
anything within reach: of the claims that were given a risk in some range, how many were false.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from test_claims import bare, cased, flat

from durability.record.records import Condition
from durability.wear import claims
from durability.wear.claims import Instrument
from durability.wear.compare import sides_under

CLAIMED_PCT = 60.0
BARE_G = 800.0
AT_EDGE_G = BARE_G * (1.0 - CLAIMED_PCT / 100.0)
SIZES = ((2, 3), (4, 4), (6, 8))
UNCERTAIN_PCT = (0.0, 1.0, 3.0, 6.0)
RISKS = (0.0, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 1.0)


def a_claim(rng, devices, cases, standard_pct, log_off=0.0):
    """A study whose sensors are both off, of a reduction off the claim by so much on the log."""
    u = standard_pct / 100.0
    one, other = rng.normal(0.0, u, 2) if u else (0.0, 0.0)
    a = bare(rng, devices, 6, BARE_G * np.exp(one))
    b = cased(rng, cases, 4, AT_EDGE_G * np.exp(other - log_off))
    known = {each.series: Instrument("A", 2 * standard_pct, 0.0, 0.0) for each in a}
    known |= {each.series: Instrument("B", 2 * standard_pct, 0.0, 0.0) for each in b}
    sides = sides_under([Condition()], a, b, flat)
    # What more drops would settle takes far longer than the rest of a claim.
    parts = claims.reading_uncertainty(sides.a, sides.b, known)
    return claims._guard(sides.ratio(0.9), CLAIMED_PCT, parts, "simple")


def main(runs=1000, seed=901):
    rng = np.random.default_rng(seed)
    print("at the edge: share shown by simple and by guarded acceptance; at most .05 wanted")
    for devices, cases in SIZES:
        for pct in UNCERTAIN_PCT:
            found = [a_claim(rng, devices, cases, pct) for _ in range(runs)]
            simple = np.mean([each.verdict_simple == "shown" for each in found])
            guarded = np.mean([each.verdict_guarded == "shown" for each in found])
            size = f"{devices} devices, {cases} cases, {pct:g} % a sensor"
            print(f"  {size}: {simple:.3f} {guarded:.3f}")
    told, false = [], []
    for _ in range(4 * runs):
        devices, cases = SIZES[rng.integers(len(SIZES))]
        off = rng.uniform(-0.4, 0.4)
        guard = a_claim(rng, devices, cases, rng.choice(UNCERTAIN_PCT), off)
        told.append(guard.false_accept_risk)
        false.append(off < 0.0)
    told, false = np.array(told), np.array(false)
    print("risk of a false accept as stated, and share of claims that were false")
    for low, high in zip(RISKS, RISKS[1:], strict=False):
        inside = (told >= low) & (told < high)
        print(f"  {low:g} to {high:g}: {told[inside].mean():.3f} {false[inside].mean():.3f}"
              f" of {inside.sum()}")  # fmt: skip


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
