"""Later failures against shocks as an estimator of scikit-learn: the model behind ``latent``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.utils.multiclass import check_classification_targets
from sklearn.utils.validation import check_is_fitted, column_or_1d, validate_data

from durability.devices.link_model import ShockLinkModel
from durability.devices.study import EXPONENT_PRIOR, EXPONENTS, log_doses

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from durability.record.records import FloatArray


class LatentFailure(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """Probability that a device has failed by a day, from the shocks that it took.

    Competing hazards, a background and one that shocks left behind, averaged over forms and over
    the exponent of the shock dose Σ(peak g / 1000)^b.

    Parameters
    ----------
    day : float
        Days after the last shock by which a device counts as failed.
    level : float
        Content of the central intervals.
    random_state : int
        Seed of the draws.

    Attributes
    ----------
    classes_ : ndarray of shape (2,)
        Works, has failed.
    model_ : ShockLinkModel
    n_features_in_ : int

    Examples
    --------
    >>> peaks = np.array([[0.0, 0.0], [300, 200], [900, 800], [0, 0], [250, 100], [850, 950]])
    >>> failed = np.array([0, 0, 1, 0, 0, 1])
    >>> chance = LatentFailure(day=90).fit(peaks, failed).predict_proba(peaks)[:, 1]
    >>> bool(chance[2] > chance[0])
    True
    """

    def __init__(self, *, day: float = 90.0, level: float = 0.9, random_state: int = 0) -> None:
        self.day = day
        self.level = level
        self.random_state = random_state

    def fit(self, X: ArrayLike, y: ArrayLike) -> LatentFailure:
        """Fit to devices that were inspected.

        Parameters
        ----------
        X : array of shape (n_devices, n_drops)
            Peak g of the drops of each device, 0 or NaN where it made no further one; a control
            has none.
        y : array of shape (n_devices,) or (n_devices, 2)
            Whether each had failed by ``day``, the second of two labels; or the days until which
            it was known to work and by which it was known to have failed, infinite while it works.

        Returns
        -------
        LatentFailure

        Raises
        ------
        ValueError
            A peak is below 0, there are other than two labels, or a failure is seen before a day
            on which the device still worked.
        """
        peaks_g = validate_data(self, X, dtype=np.float64, ensure_all_finite="allow-nan")
        model = ShockLinkModel(EXPONENT_PRIOR, self.random_state)
        lives = self._lives(y, len(peaks_g))
        self.model_ = model.fit(lives, self._log_dose(peaks_g), np.zeros(len(peaks_g)))
        return self

    def predict_proba(self, X: ArrayLike) -> FloatArray:
        """Probability that each device works on ``day``, and that it has failed by then.

        Parameters
        ----------
        X : array of shape (n_devices, n_drops)
            As in ``fit``.

        Returns
        -------
        ndarray of shape (n_devices, 2)
        """
        failed = self._failed(X).mean(axis=0)
        return np.column_stack([1.0 - failed, failed])

    def predict(self, X: ArrayLike) -> Any:
        """The likelier label of each device.

        Parameters
        ----------
        X : array of shape (n_devices, n_drops)
            As in ``fit``.

        Returns
        -------
        ndarray of shape (n_devices,)
        """
        failed = self.predict_proba(X)[:, 1] > 0.5
        return self.classes_[failed.astype(int)]

    def predict_interval(self, X: ArrayLike) -> dict[str, FloatArray]:
        """Central interval of the probability of having failed by ``day``, of content ``level``.

        Parameters
        ----------
        X : array of shape (n_devices, n_drops)
            As in ``fit``.

        Returns
        -------
        dict of str to ndarray of shape (n_devices,)
            ``lower``, ``median`` and ``upper``.
        """
        outside = (1.0 - self.level) / 2.0
        found = np.quantile(self._failed(X), [outside, 0.5, 1.0 - outside], axis=0)
        return dict(zip(("lower", "median", "upper"), found, strict=True))

    def _failed(self, X: ArrayLike) -> FloatArray:
        """Probability of having failed by the day under each draw; (n_draws, n_devices)."""
        check_is_fitted(self)
        peaks_g = validate_data(
            self, X, dtype=np.float64, ensure_all_finite="allow-nan", reset=False
        )
        days = np.full(len(peaks_g), float(self.day))
        return self.model_.probability_failed(self._log_dose(peaks_g), np.zeros(len(days)), days)

    def _log_dose(self, peaks_g: FloatArray) -> FloatArray:
        if (peaks_g < 0.0).any():
            least = float(np.nanmin(peaks_g))
            raise ValueError(f"Negative values in data passed as X: peak g {least:g} is below 0")
        return log_doses([row[row > 0.0] for row in peaks_g], EXPONENTS)

    def _lives(self, y: ArrayLike, n_devices: int) -> FloatArray:
        """Days known to work, days by which failed; shape (n_devices, 2)."""
        if y is None:
            raise ValueError("requires y to be passed, but the target y is None")
        given = np.asarray(y)
        if len(given) != n_devices:
            raise ValueError(f"y: {len(given)} devices, where X has {n_devices}")
        if given.ndim == 2 and given.shape[1] == 2:
            lives = given.astype(np.float64)
            self.classes_ = np.array([0, 1])
            if (
                np.isnan(lives).any()
                or (lives[:, 0] < 0.0).any()
                or (lives[:, 0] >= lives[:, 1]).any()
            ):
                raise ValueError("y: days known to work, from 0, must be before those failed by")
            return lives
        labels = column_or_1d(given, warn=True)
        check_classification_targets(labels)
        self.classes_, failed = np.unique(labels, return_inverse=True)
        if len(self.classes_) != 2:
            raise ValueError(
                "Only binary classification is supported: y must hold both devices that work and"
                f" devices that failed; it has {len(self.classes_)} class(es)"
            )
        day = float(self.day)
        return np.array([[0.0, day] if each else [day, np.inf] for each in failed.astype(bool)])

    def __sklearn_tags__(self) -> Any:
        """What may be fitted: peaks from 0 on, two labels."""
        tags = super().__sklearn_tags__()
        tags.input_tags.positive_only = True
        tags.input_tags.allow_nan = True
        tags.classifier_tags.multi_class = False
        tags.classifier_tags.poor_score = True
        return tags
