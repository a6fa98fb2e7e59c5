"""Train the net ``grow_region`` looks with.

Run with ``python -m tests.benchmarks.train_grow FOLDER --minutes 40``: pieces of faces are
rendered into FOLDER once (see ``rendered_faces``), and the photos of yards that ``train_suggest``
rendered into the same FOLDER are learned from as well. Writes ``segment/grow.npz``. No real
photo is used. Needs ``jax`` (``pip install jax``).
"""

from __future__ import annotations

import argparse
import logging
from collections import Counter
from pathlib import Path

from slabvision.segment import unet
from slabvision.segment.grow_look import INPUTS
from slabvision.study.unet_training import learn, new_net, widened, write
from tests.benchmarks.grow_lessons import Place, Pool, places_of
from tests.benchmarks.rendered_faces import faces_for_training

CHANNELS = (24, 32, 64, 96)
"""At each scale, finest first."""
BATCH = 8
STEPS = 20_000
_said = logging.getLogger(__name__)


def places(folder: Path) -> list[Place]:
    """Return the regions learned from."""
    found: list[Place] = []
    yards = sorted(folder.glob("yard4[0345]???.npz"))
    for file in [*faces_for_training(folder), *yards]:
        found += places_of(file)
    _said.info("%d photos of yards", len(yards))
    _said.info("%d regions: %s", len(found), dict(Counter(place.kind for place in found)))
    return found


def main(
    folder: Path, out: Path, minutes: float, steps: int, *, on: bool = False, seed: int = 1
) -> None:
    """Render, learn and write."""
    pool = Pool(places(folder), BATCH, seed)
    net = new_net(INPUTS, CHANNELS, 2, 2)
    if on:
        net = widened(dict(unet.load_unets("grow")["grow"]), CHANNELS, 2, INPUTS)
    net = learn(net, pool.batches, steps, minutes=minutes, heard=pool.heard)
    write(out, {"grow": net})
    print(f"wrote {out.name}, {out.stat().st_size} bytes")


if __name__ == "__main__":
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where rendered faces are kept")
    parser.add_argument("--out", type=Path, default=Path(unet.__file__).with_name("grow.npz"))
    parser.add_argument("--minutes", type=float, default=float("inf"), help="of learning")
    parser.add_argument("--steps", type=int, default=STEPS)
    parser.add_argument("--on", action="store_true", help="learn on from the net that is there")
    parser.add_argument("--seed", type=int, default=1, help="of the lessons")
    said = parser.parse_args()
    main(said.folder, said.out, said.minutes, said.steps, on=said.on, seed=said.seed)
