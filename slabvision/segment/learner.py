"""What a visit teaches: verdicts on proposals move the confidence of later ones."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slabvision.segment.network import stored
from slabvision.segment.proposals import FEATURES
from slabvision.segment.trees import boosted
from slabvision.segment.window import Floats, Floats32, Mask

__all__ = ["VisitLearner"]

_OFFSET_SPREAD, _SLOPE_SPREAD = 0.3, 0.3
"""How far a visit is expected to differ from what was learned before: in the log odds of a kind,
and in how much a feature counts, log odds per spread of it."""
_TOLD_BY = tuple(
    FEATURES.index(name)
    for name in ("usually sure", "area", "thickness", "lighter than round it",
                 "warmer than round it", "ring's unrest", "nearest to rim")
)  # fmt: skip
_LINE, _KNOT = FEATURES.index("found as a line"), FEATURES.index("is knot")
_OTHERS = tuple(FEATURES.index(f"is {kind}") for kind in ("other", "rot", "bark"))
_ROUNDS = 12


class VisitLearner:
    """Learns from accepted, rejected and painted defects; kept as plain numbers.

    Each verdict is a row of features and yes or no; a finished face gives one for every piece
    (:func:`slabvision.segment.verdicts.face_verdicts`). A ridge-penalised logistic regression (a
    normal prior round "nothing is different here") on top of the trained confidence gives what
    this visit adds, to checks, to knots and to the rest apart and to a few features of all; with
    few verdicts it adds little.
    """

    def __init__(self) -> None:
        base = stored("suggest")
        self._mean, self._spread = base["mean"], base["spread"]
        self.features: Floats32 = np.zeros((0, self._mean.size), np.float32)
        self.wanted: Mask = np.zeros(0, np.bool_)
        self._weights: Floats = np.zeros(3 + len(_TOLD_BY))

    def learn(self, features: Floats32, wanted: NDArray[np.bool_]) -> None:
        """Take verdicts in: features of pieces (N, F), and whether a person wants each (N,)."""
        if features.shape != (len(wanted), self._mean.size):
            raise ValueError(
                f"features have shape {features.shape}; "
                f"({len(wanted)}, {self._mean.size}) is needed"
            )
        self.features = np.concatenate([self.features, features])
        self.wanted = np.concatenate([self.wanted, wanted])
        self._fit()

    def shift(self, features: Floats32) -> Floats:
        """Return what this visit adds to the log odds of each piece."""
        return self._design(features) @ self._weights

    def _design(self, features: Floats32) -> Floats:
        scaled = np.clip((features - self._mean) / self._spread, -3, 3)[:, _TOLD_BY]
        line = features[:, _LINE] > 0.5
        knot = ~line & (features[:, _KNOT] > features[:, _OTHERS].max(axis=1))
        return np.column_stack([line, knot, ~line & ~knot, scaled]).astype(np.float64)

    def _fit(self) -> None:
        """Newton's method on the penalised log likelihood."""
        design = self._design(self.features)
        base = boosted(self.features, stored("suggest"))
        spread = np.where(np.arange(design.shape[1]) < 3, _OFFSET_SPREAD, _SLOPE_SPREAD)
        precision = np.diag(spread**-2.0)
        weights = np.zeros(design.shape[1])
        for _ in range(_ROUNDS):
            chance = 1 / (1 + np.exp(-np.clip(base + design @ weights, -30, 30)))
            slope = design.T @ (self.wanted - chance) - precision @ weights
            bend = (design * (chance * (1 - chance))[:, None]).T @ design + precision
            weights = weights + np.linalg.solve(bend, slope)
        self._weights = weights

    def save(self, file: Path) -> None:
        """Write the verdicts as plain arrays."""
        with file.open("wb") as target:
            np.savez(target, features=self.features, wanted=self.wanted)

    @classmethod
    def load(cls, file: Path) -> VisitLearner:
        """Read verdicts written by :meth:`save`; nothing in the file can run."""
        learner = cls()
        try:
            with np.load(file, allow_pickle=False) as kept:
                learner.learn(kept["features"].astype(np.float32), kept["wanted"].astype(bool))
        except (ValueError, KeyError, OSError) as error:
            raise ValueError(f"{file}: not the verdicts of a visit ({error})") from error
        return learner
