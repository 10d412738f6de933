"""The evidence of each shape of wear for many series at once, or for one case over its series."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from durability.wear.shapes import JUMP, SIGNED_EDGES, climb_basis

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from durability.record.records import FloatArray, IntArray
    from durability.wear.shapes import ShapeGrid

WILD_SHARE = 0.06
"""Prior probability that a reading is wild."""
WILD_DENSITY = 0.5
"""Density of a wild reading in log g: anywhere within a factor e up or down."""
STEP_VARIANCE = 9.0
"""Prior variance of the step, in units of the squared scatter."""
_EM_STEPS = 6
_FLAT = 1e-12
"""Curvature below which the readings say nothing about the climb."""


@dataclass(frozen=True, slots=True)
class ScatterPrior:
    """Inverse-gamma prior of the squared scatter, per series; arrays of shape (n_series,)."""

    weight: FloatArray
    """How many readings the prior is worth."""
    variance: FloatArray


@dataclass(frozen=True, slots=True)
class Offsets:
    """Levels of their own for parts of one case's readings, normal about a common level."""

    member: FloatArray
    """1 where a reading belongs to the part; shape (n_drops, n_parts)."""
    precision: FloatArray
    """Of each part's offset a priori, in units of 1/scatter²; shape (n_parts,)."""
    centre: FloatArray
    """Of each part's offset a priori, in log g; shape (n_parts,)."""

    def explain(self, basis: FloatArray) -> NDArray[np.bool_]:
        """Which rows of shape (n_drops,) rise, but within no part: levels alone make them."""
        count = np.maximum(self.member.sum(axis=0), 1.0)
        within = (basis**2) @ self.member - (basis @ self.member) ** 2 / count
        return np.asarray((within.sum(axis=1) < _FLAT) & (np.ptp(basis, axis=1) > 0.0))


@dataclass(frozen=True, slots=True)
class CellFit:
    """Posterior of every shape of every series; arrays (n_kinds, n_series) unless said.

    Cells of the grid that are alike over the readings (an onset or a jump yet to come) are one
    kind, and fitted once.
    """

    kind: IntArray
    """Of each cell of the grid; shape (n_cells,)."""
    log_constant: FloatArray
    """Log evidence apart from the integral over the climb."""
    climb: FloatArray
    """Location of the climb's Student t."""
    curvature: FloatArray
    """Information on the climb in units of 1/scatter²; 0 where the readings say nothing."""
    misfit: FloatArray
    """Prior and residual sum of squares at the best climb."""
    freedom: FloatArray
    """Degrees of freedom of the climb's Student t."""
    core: FloatArray
    """Probability that each reading is a core one; shape (n_kinds, n_series, n_drops)."""
    total_core: FloatArray
    """How many core readings there are, less those that offsets use up."""
    mean_log: FloatArray
    mean_step: FloatArray
    mean_climb: FloatArray
    """Core-weighted means of the log reading, of ψ and of φ."""
    step_precision: FloatArray
    step_log: FloatArray
    step_climb: FloatArray
    """Centred cross products of ψ with itself (prior included), the log readings and φ."""

    def of_series(self, rows: slice) -> CellFit:
        """The part of some series, copied so that the whole can be freed."""
        of_series = (getattr(self, field.name)[:, rows].copy() for field in fields(self)[1:])
        return CellFit(self.kind, *of_series)

    def climb_scale(self) -> FloatArray:
        """Scale of the climb's Student t; 0 where the readings say nothing."""
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.sqrt(self.misfit / (self.curvature * self.freedom))
        return np.where(self.curvature > 0.0, scale, 0.0)


def fit_cells(
    log_peak: FloatArray,
    present: FloatArray,
    grid: ShapeGrid,
    scatter: ScatterPrior,
    *,
    clock: FloatArray | None = None,
    offsets: Offsets | None = None,
) -> CellFit:
    """Fit every cell of the grid to every series.

    Offsets are integrated out exactly: with W the weight of a part and λ its precision, each cross
    product S_ab loses Σ W²/(W + λ) ā b̄ over the parts before the common level is taken out. With
    one part nothing of it is left.

    Parameters
    ----------
    log_peak : ndarray of shape (n_series, n_drops)
        Log peak g by drop number, from drop 1; anything finite where absent.
    present : ndarray of shape (n_series, n_drops)
        1 where there is a valid reading, else 0; every series has at least one.
    grid : ShapeGrid
        Cells to fit.
    scatter : ScatterPrior
        Prior of the scatter.
    clock : ndarray of shape (n_drops,), optional
        Wear clock at each column; by default the drop number.
    offsets : Offsets, optional
        With one series only, which is then all series of a case.

    Returns
    -------
    CellFit
        Posterior of all cells. Memory: some eight arrays (n_kinds, n_series, n_drops).
    """
    if clock is None:
        clock = np.arange(1.0, log_peak.shape[1] + 1.0)
    phi = climb_basis(grid.family, grid.parameter, clock)
    psi = climb_basis(grid.step_family, grid.step_parameter, clock)
    impossible = ~np.isfinite(phi)
    if offsets is not None:
        log_peak = log_peak - offsets.member @ offsets.centre
        # A jump from one part to others is a difference of levels, never wear.
        for family, basis in ((grid.family, phi), (grid.step_family, psi)):
            jumps = np.flatnonzero(family == JUMP)
            impossible[jumps[offsets.explain(basis[jumps])]] = True
    phi = np.where(impossible, 0.0, phi)
    first, kind = _kinds(phi, psi, impossible, np.where(phi.any(axis=1), grid.unit, 0.0)[:, None])
    phi, psi, impossible = phi[first], psi[first], impossible[first]
    size = np.maximum(np.abs(phi).max(axis=1), 1e-300)
    phi = phi / size[:, None]
    terms = np.stack([np.ones_like(phi), psi, phi, psi * psi, psi * phi, phi * phi], axis=2)

    core = np.broadcast_to(present, (first.size, *present.shape)).copy()
    variance = np.zeros(core.shape[:2])
    for step in range(_EM_STEPS):
        fit = _weighted_fit(core, log_peak, terms, offsets)
        residual = _residual(fit, log_peak, psi, phi, offsets)
        squared = residual * residual
        if step == 0:
            variance = _robust_variance(squared, present, scatter, fit["count"])
        else:
            variance = (scatter.weight * scatter.variance + (core * squared).sum(axis=2)) / (
                scatter.weight + fit["count"]
            )
        core = _core_probability(squared, variance) * present
    fit = _weighted_fit(core, log_peak, terms, offsets)
    squared = _residual(fit, log_peak, psi, phi, offsets) ** 2
    misfit = (
        scatter.weight * scatter.variance
        + (core * squared).sum(axis=2)
        + fit["step"] ** 2 / STEP_VARIANCE
    )
    if offsets is not None:
        # What the offsets themselves cost, on the scale that the prior gives the scatter.
        cost = (fit["offset"] ** 2) @ offsets.precision / scatter.variance
        fit["spread"] -= 0.5 * cost[:, None]
    # From here on in the climb's own unit.
    fit["climb"] /= size[:, None]
    fit["curvature"] *= size[:, None] ** 2
    fit["mean_climb"] *= size[:, None]
    fit["step_climb"] *= size[:, None]
    log_constant = _log_constant(core, present, fit, misfit, scatter)
    log_constant = np.where(
        (impossible[:, None, :] & (present > 0.0)).any(axis=2), -np.inf, log_constant
    )
    return CellFit(
        kind=kind,
        log_constant=log_constant,
        climb=fit["climb"],
        curvature=fit["curvature"],
        misfit=misfit,
        freedom=scatter.weight + fit["count"] - 2.0,
        core=core,
        total_core=fit["count"],
        mean_log=fit["mean_log"],
        mean_step=fit["mean_step"],
        mean_climb=fit["mean_climb"],
        step_precision=fit["step_precision"],
        step_log=fit["step_log"],
        step_climb=fit["step_climb"],
    )


def _kinds(*columns: NDArray[np.generic]) -> tuple[IntArray, IntArray]:
    """First row of each kind of equal rows, and the kind of each row."""
    rows = np.concatenate([np.asarray(each, dtype=np.float64) + 0.0 for each in columns], axis=1)
    kinds: dict[bytes, int] = {}
    kind = np.array([kinds.setdefault(row.tobytes(), len(kinds)) for row in rows])
    first = np.empty(len(kinds), dtype=np.int64)
    first[kind[::-1]] = np.arange(kind.size)[::-1]
    return first, kind


def bin_log_evidence(fit: CellFit, grid: ShapeGrid) -> FloatArray:
    """Log evidence of each cell with its climb in each signed bin, before the prior.

    Returns
    -------
    ndarray of shape (n_series, n_cells, BINS)
        Log of the mean likelihood over the bin.
    """
    from scipy.special import ndtr

    unit = np.empty(len(fit.climb))
    unit[fit.kind] = grid.unit
    edges = SIGNED_EDGES * unit[:, None]
    told = fit.curvature > 0.0
    scale = np.where(told, fit.climb_scale(), 1.0)
    apart = (edges[:, None, :] - fit.climb[:, :, None]) / scale[:, :, None]
    z = t_to_normal(apart, fit.freedom[:, :, None])
    tail = ndtr(-np.abs(z))
    low, high = tail[..., :-1], tail[..., 1:]
    mass = np.where(
        z[..., :-1] > 0.0, low - high, np.where(z[..., 1:] < 0.0, high - low, 1.0 - low - high)
    )
    width = np.diff(edges)[:, None, :]
    with np.errstate(divide="ignore"):
        evidence = np.log(mass) - np.log(width)
    # With nothing said about the climb its likelihood is even: every bin gets the same.
    evidence = np.where(told[..., None], evidence, 0.0) + fit.log_constant[:, :, None]
    return np.asarray(evidence.transpose(1, 0, 2)[:, fit.kind], dtype=np.float64)


def t_to_normal(t: FloatArray, freedom: FloatArray) -> FloatArray:
    """Normal deviate with the tail probability of a Student t, within 0.002 (Wallace 1959)."""
    stretch = (8.0 * freedom + 1.0) / (8.0 * freedom + 3.0)
    return np.asarray(
        np.sign(t) * stretch * np.sqrt(freedom * np.log1p(t * t / freedom)), dtype=np.float64
    )


def normal_to_t(z: FloatArray, freedom: FloatArray) -> FloatArray:
    """Inverse of ``t_to_normal``."""
    stretch = (8.0 * freedom + 3.0) / (8.0 * freedom + 1.0)
    return np.asarray(
        np.sign(z) * np.sqrt(freedom * np.expm1((z * stretch) ** 2 / freedom)), dtype=np.float64
    )


def _weighted_fit(
    core: FloatArray, log_peak: FloatArray, terms: FloatArray, offsets: Offsets | None
) -> dict[str, FloatArray]:
    """Weighted normal equations of offsets, level, step and climb, solved by elimination."""
    moments = core @ terms
    weighted_log = core * log_peak
    with_log = weighted_log @ terms[..., :3]
    parts: _Parts | None = None
    if offsets is not None:
        parts = _parts(core, weighted_log, terms, offsets)
        moments[:, 0] -= parts.moments
        with_log[:, 0] -= parts.with_log
    total = np.maximum(moments[..., 0], 1e-6)
    inside = total if parts is None else parts.weight.sum(axis=1)[:, None]
    mean_step, mean_climb = moments[..., 1] / total, moments[..., 2] / total
    mean_log = with_log[..., 0] / total
    step_precision = moments[..., 3] - total * mean_step**2 + 1.0 / STEP_VARIANCE
    step_climb = moments[..., 4] - total * mean_step * mean_climb
    step_log = with_log[..., 1] - total * mean_step * mean_log
    pull = step_climb / step_precision
    curvature = moments[..., 5] - total * mean_climb**2 - step_climb * pull
    slope = with_log[..., 2] - total * mean_climb * mean_log - step_log * pull
    told = curvature > _FLAT
    curvature = np.where(told, curvature, 0.0)
    climb = np.where(told, slope / np.where(told, curvature, 1.0), 0.0)
    step = (step_log - step_climb * climb) / step_precision
    level = mean_log - step * mean_step - climb * mean_climb
    nothing = np.zeros((len(total), 0))
    return {
        "offset": nothing if parts is None else parts.offset(level, step, climb),
        "spread": np.zeros_like(total) if parts is None else parts.log_shrunk[:, None],
        "inside": inside,
        "count": total if parts is None else inside + 1.0 - parts.used(total)[:, None],
        "total": total,
        "mean_log": mean_log,
        "mean_step": mean_step,
        "mean_climb": mean_climb,
        "step_precision": step_precision,
        "step_climb": step_climb,
        "step_log": step_log,
        "curvature": curvature,
        "climb": climb,
        "step": step,
        "level": level,
    }


@dataclass(frozen=True, slots=True)
class _Parts:
    """What offsets take out of the normal equations of one case; arrays (n_cells, n_parts)."""

    moments: FloatArray
    with_log: FloatArray
    """Shape (n_cells, 6) and (n_cells, 3)."""
    weight: FloatArray
    step: FloatArray
    climb: FloatArray
    log_peak: FloatArray
    """Weighted sums over each part of 1, ψ, φ and the log readings."""
    precision: FloatArray

    def offset(self, level: FloatArray, step: FloatArray, climb: FloatArray) -> FloatArray:
        """Each part's offset given the rest, which have shape (n_cells, 1)."""
        rest = self.log_peak - level * self.weight - step * self.step - climb * self.climb
        return np.asarray(rest / (self.weight + self.precision), dtype=np.float64)

    def used(self, total: FloatArray) -> FloatArray:
        """Readings that level and offsets use up: the trace of their smoother."""
        own = self.weight / (self.weight + self.precision)
        common = self.weight * (1.0 - own) ** 2 / total
        return np.asarray((own + common).sum(axis=1), dtype=np.float64)

    @property
    def log_shrunk(self) -> FloatArray:
        """Log of what integrating the offsets out leaves in the evidence; shape (n_cells,)."""
        return np.asarray(
            0.5 * np.log(self.precision / (self.weight + self.precision)).sum(axis=1),
            dtype=np.float64,
        )


def _parts(
    core: FloatArray, weighted_log: FloatArray, terms: FloatArray, offsets: Offsets
) -> _Parts:
    here = core[:, 0]
    weight, step, climb, log_peak = (
        column @ offsets.member
        for column in (here, here * terms[..., 1], here * terms[..., 2], weighted_log[:, 0])
    )
    shrunk = 1.0 / (weight + offsets.precision)
    pairs = (
        (weight, weight),
        (weight, step),
        (weight, climb),
        (step, step),
        (step, climb),
        (climb, climb),
        (weight, log_peak),
        (step, log_peak),
        (climb, log_peak),
    )
    crossed = np.stack([(a * b * shrunk).sum(axis=1) for a, b in pairs], axis=1)
    return _Parts(crossed[:, :6], crossed[:, 6:], weight, step, climb, log_peak, offsets.precision)


def _residual(
    fit: dict[str, FloatArray],
    log_peak: FloatArray,
    psi: FloatArray,
    phi: FloatArray,
    offsets: Offsets | None,
) -> FloatArray:
    path = fit["climb"][..., None] * phi[:, None, :]
    path += fit["level"][..., None]
    stepping = (psi != 0.0).any(axis=1)
    path[stepping] += fit["step"][stepping, :, None] * psi[stepping, None, :]
    if offsets is not None:
        path += (fit["offset"] @ offsets.member.T)[:, None, :]
    return np.asarray(log_peak - path, dtype=np.float64)


def _robust_variance(
    squared: FloatArray, present: FloatArray, scatter: ScatterPrior, free: FloatArray
) -> FloatArray:
    """Squared scatter from the median absolute residual, so that wild readings don't hide."""
    count = present.sum(axis=1)
    if present.all():
        middle = np.median(squared, axis=2)
    else:
        ordered = np.sort(np.where(present > 0.0, squared, np.inf), axis=2)
        half = ((count - 1.0) // 2.0).astype(np.int64)
        middle = np.take_along_axis(ordered, half[None, :, None], axis=2)[:, :, 0]
    middle = middle / 0.4549  # the median of the square of a standard normal
    return np.asarray(
        (scatter.weight * scatter.variance + count * middle) / (scatter.weight + free),
        dtype=np.float64,
    )


def _core_probability(squared: FloatArray, variance: FloatArray) -> FloatArray:
    odds = np.log(WILD_SHARE * WILD_DENSITY / (1.0 - WILD_SHARE)) + 0.5 * np.log(
        2.0 * np.pi * variance
    )
    exponent = squared * (0.5 / variance)[..., None]
    exponent += odds[..., None]
    np.minimum(exponent, 50.0, out=exponent)
    np.exp(exponent, out=exponent)
    exponent += 1.0
    return np.asarray(np.reciprocal(exponent, out=exponent), dtype=np.float64)


def _log_constant(
    core: FloatArray,
    present: FloatArray,
    fit: dict[str, FloatArray],
    misfit: FloatArray,
    scatter: ScatterPrior,
) -> FloatArray:
    from scipy.special import entr, gammaln

    count = fit["count"]
    inside = fit["inside"]
    core_log = np.log(1.0 - WILD_SHARE)
    wild_log = np.log(WILD_SHARE * WILD_DENSITY)
    # Entropy of core against wild: wherever p is all but 0 or 1 it vanishes.
    spread = (entr(core) + entr(present - core)).sum(axis=2)
    labels = core_log * inside + wild_log * (present.sum(axis=1) - inside) + spread

    prior_weight = 0.5 * scatter.weight
    prior = prior_weight * np.log(prior_weight * scatter.variance) - gammaln(prior_weight)
    power = 0.5 * (count - 1.0 + scatter.weight)
    determinant = -0.5 * np.log(fit["total"]) - 0.5 * np.log(STEP_VARIANCE * fit["step_precision"])
    constant = labels - 0.5 * (inside - 1.0) * np.log(2.0 * np.pi) + prior + determinant
    constant += fit["spread"]
    told = fit["curvature"] > 0.0
    curvature = np.where(told, fit["curvature"], 1.0)
    integral = (
        0.5 * np.log(2.0 * np.pi / curvature)
        + gammaln(power - 0.5)
        - (power - 0.5) * np.log(0.5 * misfit)
    )
    even = gammaln(power) - power * np.log(0.5 * misfit)
    return np.asarray(constant + np.where(told, integral, even), dtype=np.float64)
