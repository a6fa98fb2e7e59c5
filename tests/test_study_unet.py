"""A net that is learned on may be given more channels first; it answers as it did."""

from __future__ import annotations

import numpy as np
import pytest

from slabvision.segment.unet import scores
from slabvision.study.unet_training import mean_of, new_net, widened

FEW, MORE = (3, 4, 5), (3, 6, 9)


def test_a_widened_net_answers_as_before_and_has_more_to_learn_with():
    net = new_net(2, FEW, 3, seed=1)
    wide = widened(net, MORE, seed=2)
    x = np.random.default_rng(0).normal(size=(7, 9, 2)).astype(np.float32)
    np.testing.assert_allclose(scores(wide, x), scores(net, x), rtol=1e-5, atol=1e-5)
    assert [wide[f"down.{k}.1.w"].shape[3] for k in range(3)] == list(MORE)
    # New channels look at something, or nothing could be learned from them.
    assert wide["down.1.0.w"][..., FEW[1] :].any(axis=(0, 1, 2)).all()


def test_a_net_that_is_told_more_answers_as_before_until_it_learns_on():
    net = new_net(2, FEW, 3, seed=1)
    wide = widened(net, FEW, seed=2, inputs=5)
    x = np.random.default_rng(0).normal(size=(7, 9, 5)).astype(np.float32)
    np.testing.assert_allclose(scores(wide, x), scores(net, x[..., :2]), rtol=1e-5, atol=1e-5)


def test_a_net_is_not_made_narrower():
    with pytest.raises(ValueError, match=r"\(3, 4\) are not those of a wider net than \[3, 4, 5\]"):
        widened(new_net(2, FEW, 3, seed=1), FEW[:2], seed=2)


def test_the_mean_of_two_nets_is_between_them() -> None:
    one, other = new_net(5, (4, 6), 3, 1), new_net(5, (4, 6), 3, 2)
    middle = mean_of(one, other)
    assert middle.keys() == one.keys()
    for key, value in middle.items():
        assert value == pytest.approx((one[key] + other[key]) / 2)
    assert mean_of(one, one)["head.w"] == pytest.approx(one["head.w"])


def test_nets_of_two_shapes_have_no_mean() -> None:
    with pytest.raises(ValueError, match="not of one shape"):
        mean_of(new_net(5, (4, 6), 3, 1), new_net(5, (4, 8), 3, 1))
