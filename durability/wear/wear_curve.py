"""The wear of cases as an estimator of scikit-learn: the fit and the forecast of the answers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from durability.record.records import DropHistory
from durability.wear.draws import log_level
from durability.wear.fitting import fit_wear
from durability.wear.forecast import forecast

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from durability.record.records import FloatArray

_MODEL = "fitted together"


class WearCurve(RegressorMixin, BaseEstimator):  # type: ignore[misc]
    """Level of peak g over the drops of one case or many, averaged over plausible shapes of wear.

    Cases that are fitted together inform each other's shape, rate and scatter, not the level.

    Parameters
    ----------
    limit_g : float, optional
        Level in g at which a case has failed.
    limit_rise : float
        The same without ``limit_g``, as a fraction above the level of the fresh case.
    level : float
        Content of the central intervals.
    horizon : int
        Drop beyond which a life is not predicted.

    Attributes
    ----------
    cases_ : ndarray of shape (n_cases, n_features - 1)
        What tells the cases apart, in ascending order; (1, 0) where there is but one.
    fits_ : list of WearFit
        Of each case.
    n_features_in_ : int

    Examples
    --------
    >>> drops = np.arange(1, 9)[:, None]
    >>> curve = WearCurve().fit(drops, [100, 104, 108, 113, 117, 122, 127, 132.0])
    >>> bool(130 < curve.predict([[8]])[0] < 134)
    True
    >>> sorted(curve.predict_interval([[12]]))
    ['lower', 'median', 'upper']
    """

    def __init__(
        self,
        *,
        limit_g: float | None = None,
        limit_rise: float = 0.5,
        level: float = 0.9,
        horizon: int = 400,
    ) -> None:
        self.limit_g = limit_g
        self.limit_rise = limit_rise
        self.level = level
        self.horizon = horizon

    def fit(self, X: ArrayLike, y: ArrayLike) -> WearCurve:
        """Fit the level of each case.

        Parameters
        ----------
        X : array of shape (n_readings, n_features)
            Drop number first, 1 for the first drop (less counts as 1); further columns tell the
            cases apart.
        y : array of shape (n_readings,)
            Peak g, above 0.

        Returns
        -------
        WearCurve

        Raises
        ------
        ValueError
            A reading is not above 0, or the shapes don't fit.
        """
        readings, peak_g = validate_data(self, X, y, y_numeric=True, dtype=np.float64)
        if (peak_g <= 0.0).any():
            raise ValueError(f"y: peak g {float(peak_g.min()):g} is not above 0")
        # Numbers of any kind can be fitted, as scikit-learn asks; drops are numbered from 1.
        self._is_numbered = bool((readings[:, 0] >= 1.0).all())
        drops, rest = np.maximum(readings[:, 0], 1.0), readings[:, 1:]
        self.cases_, which = np.unique(rest, axis=0, return_inverse=True)
        self._histories = []
        for case in range(len(self.cases_)):
            own = np.flatnonzero(which.ravel() == case)
            own = own[np.argsort(drops[own], kind="stable")]
            name = str(case)
            made = int(np.ceil(drops[own[-1]]))
            self._histories.append(
                DropHistory(
                    name, drops[own], peak_g[own].astype(np.float64), made, made, name, _MODEL
                )
            )
        self.fits_ = fit_wear(self._histories)
        return self

    def predict(self, X: ArrayLike) -> FloatArray:
        """Level in g at each drop, by median: of its case, or of all cases where it is another.

        Parameters
        ----------
        X : array of shape (n_samples, n_features)
            As in ``fit``.

        Returns
        -------
        ndarray of shape (n_samples,)

        Raises
        ------
        ValueError
            A drop number is below 1, where those of ``fit`` were not.
        """
        return self._quantiles(X, np.array([0.5]))[:, 0]

    def predict_interval(self, X: ArrayLike) -> dict[str, FloatArray]:
        """Central interval of the level at each drop, of content ``level``.

        Parameters
        ----------
        X : array of shape (n_samples, n_features)
            As in ``fit``.

        Returns
        -------
        dict of str to ndarray of shape (n_samples,)
            ``lower``, ``median`` and ``upper``, in g.

        Raises
        ------
        ValueError
            As of ``predict``.
        """
        outside = (1.0 - self.level) / 2.0
        found = self._quantiles(X, np.array([outside, 0.5, 1.0 - outside]))
        return dict(zip(("lower", "median", "upper"), found.T, strict=True))

    def drops_to_failure(self) -> list[dict[str, float | None]]:
        """Drop at which each case fails by its level, with its interval, as ``forecasts`` has it.

        Returns
        -------
        list of dict
            ``lower``, ``median`` and ``upper`` of each of ``cases_``; None beyond the horizon.

        Raises
        ------
        ValueError
            Drop numbers are not whole, so that there are no drops to count.
        """
        check_is_fitted(self)
        if not all(
            (each.drop_number == np.rint(each.drop_number)).all() for each in self._histories
        ):
            raise ValueError("X: drop numbers are not whole; a life is counted in drops")
        found = forecast(
            [_counted(each) for each in self._histories],
            level=self.level,
            limit_g=self.limit_g,
            limit_rise=self.limit_rise,
            horizon=self.horizon,
        )
        lives = [each.drops_to_failure for each in found]
        return [{"lower": e.lower, "median": e.median, "upper": e.upper} for e in lives]

    def _quantiles(self, X: ArrayLike, shares: FloatArray) -> FloatArray:
        """Quantiles of the level at each sample; shape (n_samples, n_shares)."""
        check_is_fitted(self)
        samples = validate_data(self, X, reset=False, dtype=np.float64)
        first = float(samples[:, 0].min())
        if self._is_numbered and first < 1.0:
            raise ValueError(f"X: drop number {first:g} is below 1, the first drop of a case")
        drops, rest = np.maximum(samples[:, 0], 1.0), samples[:, 1:]
        every, which = np.unique(rest, axis=0, return_inverse=True)
        found = np.empty((len(samples), shares.size))
        for at, case in enumerate(every):
            own = np.flatnonzero(which.ravel() == at)
            known = np.flatnonzero((self.cases_ == case).all(axis=1))
            fits = [
                self.fits_[place] for place in (known if known.size else range(len(self.fits_)))
            ]
            paths = [log_level(fit.draws, drops[own]) for fit in fits if fit.draws is not None]
            path = np.quantile(np.concatenate(paths), shares, axis=0, method="inverted_cdf")
            with np.errstate(over="ignore"):  # past its pole a path has no bound
                found[own] = np.exp(path).T
        return found

    def __sklearn_tags__(self) -> Any:
        """What may be fitted: levels above 0; one case has few readings, so scores may be poor."""
        tags = super().__sklearn_tags__()
        tags.target_tags.positive_only = True
        tags.regressor_tags.poor_score = True
        return tags


def _counted(history: DropHistory) -> DropHistory:
    """A history with drop numbers that are counts."""
    numbers: NDArray[np.int64] = history.drop_number.astype(np.int64)
    return DropHistory(
        history.series,
        numbers,
        history.peak_g,
        history.drops,
        history.last_drop_number,
        history.case,
        history.case_model,
    )
