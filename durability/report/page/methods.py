"""How each answer of a report is reached: method, source, decision rule and its risk of error."""

from __future__ import annotations

from durability.report.blocks import Column, Columns

METHODS: tuple[tuple[str, str, str, str, str], ...] = (
    (
        "Trend: is peak g climbing",
        "Level fitted to log peak g over plausible shapes of wear, averaged by how well each fits;"
        " other series of the case model inform shape, rate and scatter. Wild readings are weighed"
        " down, not left out.",
        "Mann-Kendall S and Theil-Sen slope beside it: Gilbert (1987), Statistical Methods for"
        " Environmental Pollution Monitoring; Hollander and Wolfe, Nonparametric Statistical"
        " Methods, chapter 9.",
        "rising: evidence beyond what steady series show in 5 of 100; settled: the first drops'"
        " rise has levelled off; steady: neither; too few: fewer than 4 valid drops.",
        "At most 5 % of steady series are called rising, and at most 5 % ever raise the running"
        " alarm. Steady is no proof of no wear: what could have been missed stands in the basis.",
    ),
    (
        "Drops to failure",
        "Drop at which the fitted level (not one reading) reaches the limit, or damage of severity"
        " 4 is seen, whichever comes first; series that still hold count as censored.",
        "Degradation paths with a limit fixed beforehand: Lu and Meeker (1993), Technometrics 35,"
        " 161-174. Survival band: Kaplan and Meier (1958), J. Am. Stat. Assoc. 53, 457-481.",
        "failed: the limit is reached or severity 4 is noted by the last drop.",
        "A prediction interval is meant to hold the true drop as often as its level says;"
        " durability manual methods states how often it did on simulated records.",
    ),
    (
        "Ranking of case models",
        "Mean rise of the level per drop over a span common to all series; cases vary about their"
        " model and models about each other, so that a model with few drops never leads by luck."
        " The case is the unit of replication, not the drop.",
        "Random-effects estimates with the spreads summed over a grid: Gelman, Carlin, Stern et"
        " al., Bayesian Data Analysis, chapter 5.",
        "the order can be told: each model is faster than the next with at least 90 % probability.",
        "Probabilities are posterior: of orders told at 90 %, about 1 in 10 neighbours is the"
        " other way round.",
    ),
    (
        "Comparison of two",
        "Ratio of mean log peak g over the drops that both sides lived through, within conditions"
        " that both share, case by case.",
        "Welch (1947), Biometrika 34, 28-35; Satterthwaite (1946), Biometrics Bulletin 2, 110-114.",
        "An estimate with a 90 % interval; no pass or fail is stated without a claim to hold it"
        " against.",
        "The interval leaves the true ratio out in 1 of 10 such comparisons. With one case a side"
        " it holds for the cases dropped, not for their models.",
    ),
    (
        "Later failures of devices",
        "Shock dose: sum of (peak g / 1000)^b over all drops that the device lived through, in any"
        " case or bare, b averaged over 2 to 10. A failure lies between two inspections and is kept"
        " so; devices never dropped are the controls.",
        "Interval-censored data: Turnbull (1976), J. R. Statist. Soc. B 38, 290-295; permutation"
        " test of log-rank scores: Fay and Shaw (2010), J. Stat. Softw. 36; exponents: Steinberg,"
        " Vibration Analysis for Electronic Equipment (4 to 8).",
        "linked: two-sided permutation p of at most 0.05, and larger doses fail sooner; not shown:"
        " otherwise; too few: fewer than 6 devices or 3 later failures.",
        "At most 5 % of studies without any link are called linked. Not shown is no proof of"
        " safety, and linked is no proof for any one device.",
    ),
    (
        "The rig itself",
        "Reference drops of one dummy on one pad; each is held against all before it. An average"
        " with exponential weights and a cumulative sum watch the scores.",
        "NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 and 6.3.2.4; Hawkins (1987), The"
        " Statistician 36, 463-473; Lucas and Saccucci (1990), Technometrics 32, 1-12.",
        "drifted: either chart beyond its limits; too few: up to 5 drops.",
        "A steady rig signals by chance once in some hundreds of reference drops.",
    ),
    (
        "Peak, duration, velocity change",
        "Peak g: largest absolute acceleration of the first impact after a zero-phase low-pass;"
        " pulse duration between its 10 % crossings; velocity change by integration of the"
        " unfiltered pulse. Typed and imported readings are taken as they are.",
        "IEC 60068-2-27:2008, 4.1; JESD22-B110; SAE J211-1; IEC 60068-2-27 Annex A.",
        "A record that is clipped, over range, shifted, under-sampled, without impact or of an"
        " implausible velocity comes in void, and can be restored by a person with a reason.",
        "Neither the share of bad records let through nor of good ones refused is zero; every"
        " voided drop stands below with its reason and its effect.",
    ),
)
"""Answer, method, source, decision rule, risk of a false statement."""

REACHED = Columns[tuple[str, str, str, str, str]](
    "How each answer is reached",
    Column("answer", lambda row: row[0]),
    Column("how it is reached", lambda row: row[1]),
    Column("source", lambda row: row[2]),
    Column("decision rule", lambda row: row[3]),
    Column("risk of a false statement", lambda row: row[4]),
)
