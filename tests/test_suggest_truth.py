"""How much a check stands out for one who knows where it lies: worked on drawn lines."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.suggest_truth import STANDS_OUT, darker_than_beside

ROWS = np.arange(100, 220)
LINE = np.column_stack([ROWS, np.full(ROWS.size, 150)])
"""A line of 120 px down the columns."""


def wood(seed: int) -> np.ndarray:
    """Light with noise of a tenth, no grain."""
    return np.random.default_rng(seed).normal(0, 0.1, (320, 300)).astype(np.float32)


def test_a_dark_line_stands_out_by_its_depth_over_the_spread_of_means() -> None:
    """The mean of 120 places varies by 0.1 / sqrt(120), 0.009; the line is 0.3 darker."""
    light = wood(1)
    light[100:220, 150] -= 0.3
    out = darker_than_beside(light, LINE)
    assert out > 10 * STANDS_OUT
    # Half as deep, about half as much.
    light[100:220, 150] += 0.15
    assert darker_than_beside(light, LINE) == pytest.approx(out / 2, rel=0.1)


def test_where_nothing_is_darker_nothing_stands_out() -> None:
    outs = [darker_than_beside(wood(seed), LINE) for seed in range(40)]
    assert np.mean(np.array(outs) >= STANDS_OUT) <= 0.1
    assert abs(np.mean(outs)) < 0.5


def test_grain_as_dark_as_the_line_hides_it() -> None:
    """Every tenth column is as dark as the check: beside it lies the same again."""
    light = wood(2)
    light[:, ::10] -= 0.3
    assert darker_than_beside(light, LINE) < STANDS_OUT
