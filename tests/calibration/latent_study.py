"""How often `linked` is said, and how near the 90-day probabilities are to the truth.

Simulates follow-up studies of 40 dropped devices and 10 controls, looked at on days 0, 14, 30, 60,
90 and 180, from truths that the model does and does not hold, and prints one table row a truth:

    python tests/calibration/latent_study.py [studies per truth]
    python tests/calibration/latent_study.py [studies per exponent] doublings [seed]

"known form" is the fit that is told exponent, form and background and estimates only what is left.
The second call prints how often the intervals of what twice the peak and twice the drops do hold
the truth, by true exponent: Weibull, log-normal, log-logistic and gamma lives, slopes 0.4 and 0.7.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtr

from durability.devices.judgement import judge_latent_link
from durability.devices.results import LatentLink
from durability.record.records import DeviceHistory

LOOK_DAYS = np.array([0.0, 14.0, 30.0, 60.0, 90.0, 180.0])
DROPPED, CONTROLS = 40, 10
FIRST_DAY = 20_000.0


@dataclass(frozen=True)
class Truth:
    """One way in which shocks may come home; by default one Weibull life, shortened by dose."""

    name: str
    form: str = "Weibull"
    exponent: float = 6.0
    slope: float = 0.4
    shape: float = 1.3
    typical_days: float = 90.0
    background: float = 0.05
    """Share of controls that fail within 180 days."""
    linked: bool = True


TRUTHS = (
    Truth("Weibull, weak"),
    Truth("Weibull, hardly any", slope=0.1),
    Truth("Weibull, strong", slope=0.8),
    Truth("Weibull, exponent 4", exponent=4.0, slope=0.6),
    Truth("Weibull, exponent 8", exponent=8.0),
    Truth("Weibull, early failures", shape=0.8, slope=0.6),
    Truth("Weibull, wear", shape=2.5),
    Truth("Weibull, few failures", typical_days=400.0),
    Truth("Weibull, bad controls", background=0.2),
    Truth("log-normal", form="log-normal", slope=0.5),
    Truth("log-logistic", form="log-logistic", slope=0.5),
    Truth("gamma", form="gamma", slope=0.5),
    Truth("dose adds to a floor", form="floor"),
    Truth("dose decides whether", form="susceptible", slope=0.6),
    Truth("no link, Weibull", form="none", linked=False),
    Truth("no link, few failures", form="none", typical_days=1000.0, linked=False),
    Truth("no link, log-normal", form="none log-normal", linked=False),
)


def share_failed(truth: Truth, scale: np.ndarray, days: np.ndarray) -> np.ndarray:
    """Of shock-borne failures, before the background."""
    with np.errstate(divide="ignore", over="ignore"):
        relative = days / scale
        if truth.form in ("log-normal", "none log-normal"):
            return np.asarray(ndtr(np.log(relative) * truth.shape / 1.2))
        if truth.form == "log-logistic":
            return np.asarray(1.0 / (1.0 + relative ** (-1.3 * truth.shape)))
        if truth.form == "gamma":
            from scipy.special import gammainc

            return np.asarray(gammainc(2.0, 2.0 * relative))
        return np.asarray(-np.expm1(-(relative**truth.shape)))


def simulate(
    truth: Truth, random: np.random.Generator
) -> tuple[list[DeviceHistory], np.ndarray, np.ndarray]:
    """Histories, true share failed by day 90, and doses under the true exponent."""
    n = DROPPED + CONTROLS
    typical = np.exp(random.uniform(math.log(250.0), math.log(1500.0), DROPPED))
    peaks = [
        own * np.exp(0.15 * random.standard_normal(random.integers(3, 25))) for own in typical
    ] + [np.empty(0)] * CONTROLS
    dose = np.array([((own / 1000.0) ** truth.exponent).sum() for own in peaks])
    middle = float(np.median(dose[:DROPPED]))
    with np.errstate(divide="ignore"):
        scale = truth.typical_days * (dose / middle) ** -truth.slope
    susceptible = np.ones(n)
    if truth.form == "floor":
        scale = truth.typical_days * (0.3 + dose / middle) ** -truth.slope
    if truth.form == "susceptible":
        odds = (dose / middle) ** (2.0 * truth.slope)
        susceptible = odds / (1.0 + odds)
        scale = np.full(n, 60.0)
    if truth.form.startswith("none"):
        scale = np.full(n, truth.typical_days * 2.0)
    rate = 0.0
    if truth.form not in ("floor", "none", "none log-normal"):
        rate = -math.log(1.0 - truth.background) / 180.0

    def failed_by(days: np.ndarray) -> np.ndarray:
        borne = susceptible * share_failed(truth, scale, days)
        return np.asarray(1.0 - (1.0 - borne) * np.exp(-rate * days))

    by_look = np.array([failed_by(np.full(n, day)) for day in LOOK_DAYS])
    first_bad = (by_look < random.random(n)).sum(axis=0)
    histories = []
    for index, own in enumerate(peaks):
        looks = LOOK_DAYS[: first_bad[index] + 1]
        outcome = ["pass"] * min(int(first_bad[index]), len(LOOK_DAYS))
        if first_bad[index] < len(LOOK_DAYS):
            outcome.append("fail")
        histories.append(
            DeviceHistory(
                device=f"D{index:02d}",
                drop_day=np.full(len(own), FIRST_DAY),
                peak_g=own,
                drop_height_mm=np.full(len(own), 1000.0),
                check_day=FIRST_DAY + looks,
                check_function=("power-on",) * len(looks),
                check_outcome=tuple(outcome),  # type: ignore[arg-type]
            )
        )
    return histories, failed_by(np.full(n, 90.0)), dose


def known_form_fit(truth: Truth, histories: list[DeviceHistory], dose: np.ndarray) -> np.ndarray:
    """Share failed by day 90 from maximum likelihood that knows exponent and form."""
    last = np.array([len(own.check_day) for own in histories])
    failed = np.array([own.check_outcome[-1] == "fail" for own in histories])
    by = np.where(failed, LOOK_DAYS[last - 1], np.inf)
    after = np.where(failed, LOOK_DAYS[np.maximum(last - 2, 0)], LOOK_DAYS[last - 1])
    with np.errstate(divide="ignore"):
        log_dose = np.log(dose / np.median(dose[dose > 0]))

    def survival(theta: np.ndarray, days: np.ndarray) -> np.ndarray:
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            u = (np.log(days) - theta[0] + theta[1] * log_dose) / math.exp(theta[2])
            u = np.where((days > 0) & np.isfinite(log_dose), u, -np.inf)
            borne = ndtr(-u) if truth.form == "log-normal" else np.exp(-np.exp(u))
            return np.asarray(
                np.where(np.isinf(days), 0.0, borne * np.exp(-math.exp(theta[3]) * days))
            )

    def minus_log_likelihood(theta: np.ndarray) -> float:
        chance = survival(theta, after) - survival(theta, by)
        return float(-np.log(np.maximum(chance, 1e-12)).sum())

    start = np.array([math.log(truth.typical_days), truth.slope, -math.log(truth.shape), -8.0])
    best = minimize(minus_log_likelihood, start, method="Nelder-Mead", options={"maxiter": 2000}).x
    return 1.0 - survival(best, np.full(len(after), 90.0))


def held_doublings(truth: Truth, link: LatentLink) -> tuple[bool | None, bool | None]:
    """Whether the intervals of twice the peak and twice the drops hold the truth."""
    return tuple(  # type: ignore[return-value]
        None if said.lower is None or said.upper is None else said.lower <= true <= said.upper
        for said, true in (
            (link.per_peak_doubling, 2.0 ** (-truth.slope * truth.exponent)),
            (link.per_count_doubling, 2.0**-truth.slope),
        )
    )


def doublings(studies: int, seed: int) -> None:
    print(
        "| true exponent | studies | twice the peak held | twice the drops held | mean exponent |"
    )
    print("|---|---|---|---|---|")
    for exponent in (1.5, 2.0, 3.0, 5.0, 7.0, 9.0):
        held, said = [], []
        for number in range(studies):
            truth = Truth(
                "",
                form=("Weibull", "log-normal", "log-logistic", "gamma")[number % 4],
                exponent=exponent,
                slope=(0.4, 0.7)[number // 4 % 2],
            )
            random = np.random.default_rng([seed, int(10 * exponent), number])
            link = judge_latent_link(simulate(truth, random)[0])
            both = held_doublings(truth, link)
            if None not in both:
                held.append(both)
                said.append(link.dose_exponent)
        peak, count = np.mean(held, axis=0)
        row = f"| {exponent:g} | {len(held)} | {peak:.3f} | {count:.3f} | {np.mean(said):.1f} |"
        print(row, flush=True)


def main(studies: int) -> None:
    print(
        "| truth | failed later | linked | RMS of 90-day probability | its mean error "
        "| known form RMS | 90 % interval holds | exponent | log loss, without shock |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    for number, truth in enumerate(TRUTHS):
        random = np.random.default_rng(1000 + number)
        linked, holds, square, error, known_square = [], [], [], [], []
        failures, exponents, losses, blind_losses = [], [], [], []
        for _ in range(studies):
            histories, share, dose = simulate(truth, random)
            link = judge_latent_link(histories)
            found = np.array([own.probability_failed_by_day[90] for own in link.per_device])
            linked.append(link.verdict == "linked")
            square.append(((found - share) ** 2).mean())
            error.append((found - share).mean())
            failures.append(link.latent_failures + link.control_failures)
            exponents.append(link.dose_exponent)
            if link.log_loss is not None:
                losses.append(link.log_loss)
                blind_losses.append(link.log_loss_without_shock)
            if truth.form in ("Weibull", "log-normal"):
                known = known_form_fit(truth, histories, dose)
                known_square.append(((known - share) ** 2).mean())
                holds += [held for held in held_doublings(truth, link) if held is not None]
        known_rms = f"{np.mean(known_square) ** 0.5:.3f}" if known_square else ""
        cover = f"{np.mean(holds):.2f}" if holds else ""
        print(
            f"| {truth.name} | {np.mean(failures):.0f} | {np.mean(linked):.2f} | "
            f"{np.mean(square) ** 0.5:.3f} | {np.mean(error):+.3f} | {known_rms} | {cover} | "
            f"{np.mean(exponents):.1f} | {np.mean(losses):.3f}, {np.mean(blind_losses):.3f} |",
            flush=True,
        )


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    if "doublings" in sys.argv:
        doublings(wanted, int(sys.argv[3]) if len(sys.argv) > 3 else 1)
    else:
        main(wanted)
