"""Every number by which a record is judged, in one place, each with its reason."""

from __future__ import annotations

PULSE_EDGE_FRACTION = 0.10
"""The pulse lies between its crossings of this fraction of the peak (pulse duration of
JESD22-B104, -B110 and -B111)."""

RISE_END_FRACTION = 0.90
"""Rise time runs from the 10 % edge to this fraction of the peak."""

# ------------------------------------------------------------------------ finding the impact

MIN_IMPACT_G = 3.0
"""Smaller excursions are no impact: release, fall and coming to rest on another side move a
DC-coupled sensor by up to 2 g."""

GRAVITY_G = 1.0
"""What a DC-coupled sensor gains or loses between hold, fall and rest."""

MIN_IMPACT_OVER_NOISE = 8.0
"""Standard deviations of the record's own noise that an impact must reach. The largest of two
million normal values stays below 5.3; at 8 the peak is known to no better than an eighth."""

CLEAR_OF_NOISE = 40.0
"""Standard deviations of noise at which an impact is looked for in the record as it is; a noisier
one is averaged until it is as clear, for a first look only …"""

LOOK_SPANS_PER_RECORD = 50
"""… over at most this part of the record."""

FIRST_IMPACT_FRACTION = 0.20
"""The first impact is the first event to reach this fraction of the record's largest. Lower, and
the bump of a release hook counts as an impact; higher, and a soft first hit before a hard slap
down would be passed over."""

CLEAR_OF_SWING = 3.0
"""Robust standard deviations of the whole record that the first event must exceed as well, up to
half the largest: hum swings by 1.9 about a level taken at its crest."""

CREEP_FRACTION = 0.002
"""Rise of the record over the stretch before the impact, of the peak, above which the stretch is
no baseline but the foot of the pulse: a tenth of the accuracy asked of the peak …"""

CREEP_SIGMAS = 4.0
"""… and more than noise would give."""

EVENT_FRACTION = 0.30
"""Level, of an event's own peak, between which its extent is taken for a first look: well above
the noise of any record in which an impact is found, well below any peak."""

# ------------------------------------------------------------------------ mains hum

MAINS_HZ = (50.0, 60.0)
"""Frequencies of the world's mains."""

MIN_HUM_LEAD_S = 5e-3
"""Shortest stretch before the impact, a quarter of a period, that tells hum from drift."""

MIN_HUM_FRACTION = 0.001
"""Amplitude of hum, over the peak, that is worth taking off: a twentieth of the accuracy asked."""

HUM_BY_CHANCE = 1e-6
"""Chance of an amplitude like that of the hum without any: some thirty fits are tried in a record.
Its amplitude is then known to a fifth …"""

HUM_LEAVES_AT_MOST = 0.5
"""… it leaves at most this share of the variance unexplained …"""

HUM_FREE_OF_RINGING = 10.0
"""… more than so many durations from the end of the impact."""

# ------------------------------------------------------------------------ peak

TOP_SIGMAS = 6.0
"""Samples less than so many standard deviations of noise below the largest may be the top: the
largest of thousands stands out by 3.5, the lowest of a dozen by 2."""

ROUND_TOP_FRACTION = 0.85
"""Neighbours of the largest sample above this fraction of it lie on a round top: those of a
half-sine of 10 samples do, wherever its top falls between them."""

CLIFF_FRACTION = 0.5
"""A sample below this fraction right beside the top lies beyond an edge, as of a saw-tooth."""

TOP_DEPTHS = (0.4, 0.3, 0.2, 0.14, 0.1, 0.07, 0.05, 0.035, 0.025)
"""Parts of the peak, from its top, through which a plain shape is laid: a parabola through 0.4 of a
haversine misses its top by 0.5 %, of a half-sine by 0.2 %; by less where less noise leaves room."""

TOP_SPARE_SAMPLES = 2
"""Samples beyond the parameters of a shape that it needs to be told from another."""

# ------------------------------------------------------------------------ default filter

CUTOFFS_PER_DURATION = (3.5, 5.0, 7.0, 10.0, 14.0, 20.0, 28.0, 40.0, 56.0, 80.0)
"""Default cut-offs to try, times 1 / duration (at 30 % of the peak), lowest first. The lowest
leaves the peak of a half-sine within 0.1 %."""

DURATION_SHIFT_ALLOWED = 0.007
"""Most that these do to the duration of a half-sine, of itself."""

MAX_CUTOFF_OVER_SAMPLE_RATE = 0.4
"""Above this fraction of the sample rate a low-pass takes off next to no noise: none is used."""

REMOVED_FRACTION_ALLOWED = 0.003
"""A cut-off leaves the pulse alone when what it takes off, as rms over one period of the cut-off
anywhere in the pulse, is below this fraction of the peak …"""

REMOVED_NOISE_SIGMAS = 3.0
"""… or no more than noise would give: the mean square of as many independent normal values lies
below it as often as a normal value lies below so many standard deviations (Wilson and Hilferty,
1931)."""

# ------------------------------------------------------------------------ velocity change

INTEGRATE_BEFORE_DURATIONS = 0.4
"""Integration starts this many durations before the pulse (IEC 60068-2-27:2008, 4.1.3) …"""

INTEGRATE_AFTER_DURATIONS = 0.2
"""… and ends where the record first returns to its baseline or turns up again, at latest this many
durations after the 10 % edge. The standard's 0.1 D counts from the base of the nominal pulse, which
lies up to 0.1 D beyond the 10 % edge (final-peak saw-tooth, haversine). Ringing that follows is
left out."""

TURNING_SIGMAS = 4.0
"""A record turns up again when it rises by so many standard deviations of its noise."""

# ------------------------------------------------------------------------ flags that void

CLIPPED_RUN_SAMPLES = 3
"""Fewest equal samples in a row, at the extreme of the impact, that make a flat top."""

CLIPPED_BY_CHANCE = 1e-4
"""Noise of σ puts a sample on the same step q as the one before with a chance of at most
q / (2.5 σ), the height of the normal density. A run too long for this chance is a limit …"""

CLIPPED_CORNER_STEPS = 8.0
"""… and so is one that half its length beyond either end has left the top by so many steps (and
noise): a round top that was merely quantised has left it by 4 at most (a parabola)."""

PLATEAU_FRACTION = 0.75
"""In a record whose noise is below its recorder's step, equal samples prove nothing; a flat top
over more than this fraction of the duration is then read as a trapezoid (0.82 with ramps of
0.1 D, IEC 60068-2-27), since a half-sine would have to be cut below 0.38 of its peak for it."""

NEAR_TOP_FRACTION = 0.8
"""A pulse is near its top above this fraction of the peak."""

BREADTH_FRACTIONS = (0.3, 0.65)
"""Fractions of the peak at which the breadth near the top is taken as well."""

USUAL_BREADTH = 1.15
"""Breadth near the top from which an amplifier near its limit is thought of: 1.10 of a half-sine,
0.98 of a haversine; behind a limit (tanh) of 0.8 of their peak 1.32 and 1.17."""

USUAL_RAMP_BREADTH = 0.85
"""The same where one flank is a cliff: 0.68 of a straight ramp, 0.97 behind such a limit …"""

CLIFF_OF_DURATION = 0.12
"""… that is, falls from there within this part of the duration: a half-sine takes 0.28."""

TRAPEZOID_FRACTION = 0.8
"""From this share on it is a trapezoid (0.86 with ramps of 0.1 D), or a limit far below."""

NOISE_AT_TOP = 0.03
"""Noise over the peak that moves the crossings of that level by a fiftieth of a half-sine."""

DROPOUT_REACH = 3.0
"""Durations beyond the pulse within which a record may come back from a loss that cut it short."""

DROPOUT_BY_CHANCE = 1e-3
"""Chance, of all places of a record together, below which noise or the record's own jumps explain
equal samples, or a jump, no more. Clean ones then hold far fewer: each needs both."""

DROPOUT_STEP_FRACTION = 0.1
"""Smallest jump, over the peak, beside which equal samples prove a loss wherever they are …"""

DROPOUT_SHORT_FRACTION = 0.25
"""… and by which one or two lost samples are distinguished from ringing."""

PAIRS_WIDER = 1.4
"""Mean way within a pair over that to the next, from which each pair is one stretch: of the two
extremes of 8 samples 1.6. Both are alike where samples were taken one by one …"""

SAME_PRINT = 1e-9
"""Of the largest value: two prints of one reading may differ by so much, which is no step."""

VALUES_THAT_SHOW_A_STEP = 16
"""Different values in rising order whose differences show their step, by chance a multiple in one
of 10,000 records; so few that text of some digits rarely changes its step among them."""

FEWEST_STEPS = 800
"""… within 5 % for so many, standard (0.75 / √400 of each, for normal noise)."""

FEWEST_PAIRS = 40
"""Pairs of samples that must agree to be the lowest and highest of a stretch …"""

PAIRS_ALIKE = 0.4
"""… nine in ten of them at least: of independent ones, 40 do so with a chance of 1e-7."""

ZERO_SHIFT_FRACTION = 0.02
"""Shift of the baseline over the peak: as much as the accuracy asked of the peak, and what an
AC-coupled sensor that suits the pulse leaves as undershoot (corner × duration = 0.0055: 2.2 % at
once, decaying; exact integral)."""

ZERO_SHIFT_MIN_G = 1.2
"""A DC-coupled sensor moves by 1 g between fall and rest: such a shift is gravity's."""

BOUNCE_SIGMAS = 6.0
"""Robust standard deviations from the middle of what follows an impact, beyond which a sample
belongs to a bounce and not to the baseline."""

MIN_SAMPLES_IN_PULSE = 7.5
"""Samples between the 10 % edges. 8 across the base of a half-sine, 7.5 between its edges, can
miss the peak by 1.9 % at worst: 1 − cos(π / 16)."""

MIN_SAMPLES_AT_HALF = 4.0
"""Samples above half the peak: of a saw-tooth or triangle 4.2 where 7.5 lie between its edges. A
narrow tip on a broad pulse has fewer, and is missed by up to a quarter."""

TIP_SIGMAS = 0.5
"""Standard deviations of noise taken off where two flanks, drawn on from two samples each, meet:
what is left of noise alone widens the interval, what is taken off narrows it."""

FULL_REBOUND_RATIO = 2.0
"""Velocity change over impact velocity when all of it is given back: restitution 1."""

HALF_STOP_RATIO = 0.5
"""Half of what a dead stop takes: the bound of 1 for a flat hit that translates, with room for
rotation and for a sensor off the line of the impact."""

# ------------------------------------------------------------------------ flags that do not

LATER_IMPACT_FRACTION = 0.20
"""Later impacts are listed from this fraction of the first on."""

SECOND_IMPACT_FRACTION = 0.50
"""… and flagged from this one on."""

LATER_IMPACT_RISE = 2.0
"""A later impact rises to at least this multiple of what the record did during one pulse
duration before it; ringing, which decays, never does."""

# ------------------------------------------------------------------------ notes

MIN_CLASS_TIMES_DURATION = 0.83
"""Channel frequency class, Hz, times duration, s, below which the class takes off more than 1 %
of the peak of a half-sine (recomputed; the filter of SAE J211-1)."""

MIN_SAMPLES_PER_CLASS = 10.0
"""Sample rate over channel frequency class (SAE J211-1, ISO 6487)."""

FALL_GRAIN_S = 0.25e-3
"""Stretch over which a record is averaged when its release is sought: 0.1 % of the height of a fall
from 1 m …"""

FALL_NOISE_G = 0.05
"""… or as long as brings the noise down to this, a tenth of half the step."""

FALL_LEAST_S = 0.02
"""Both what is held and what falls must last so long: a fall of 2 mm says nothing of a height."""

FALL_STEP_TOLERANCE_G = 0.1
"""Most that the step at the release may differ from 1 g, and its two levels wander or scatter. A
sensor tilted by 25° shows 0.9 g; so does the fall along a rail that takes a tenth of it."""

FALL_RECORDER_STEP_G = 0.25
"""Coarser recorders turn a drift of theirs into steps that look like a release."""

FALL_UNCERTAINTY_ALLOWED = 0.01
"""Of the fall time, standard: twice that of the height, the tolerance of ISO 2248."""

MIN_RESONANCE_TIMES_DURATION = 10.0
"""Natural frequency of the sensor times duration below which a half-sine is over-read by more
than 3.7 % at 1 % damping (exact single-degree-of-freedom solution)."""


def largest_mean_square(values: int) -> float:
    """Most that the mean square of so many standard normal values is by chance."""
    part = 2.0 / (9.0 * values)
    return float((1.0 - part + REMOVED_NOISE_SIGMAS * part**0.5) ** 3)
