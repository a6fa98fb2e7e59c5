"""Draw what time did to a slab: checks from drying, shakes, rot, bark, insects and iron."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from slabvision.estimate import named_rng
from slabvision.scene.condition import Slab, crotch, knots, pith_blob
from slabvision.scene.faults import Blob, Crack, Cylinders, Ellipsoid
from slabvision.scene.noise import waves
from slabvision.scene.sawing import Cut
from slabvision.scene.warp import draw_warp

__all__ = ["AMOUNTS", "season"]

AMOUNTS: Mapping[str, float] = {
    "end checks": 3.5, "surface checks": 6.0, "heart checks": 2.0, "shakes": 0.15, "rot": 0.8,
    "bark inclusions": 0.9, "holes": 0.35, "grub holes": 0.5, "worm holes": 0.7, "metal": 0.25,
}  # fmt: skip
"""Mean number of each on a slab (end checks: on each end)."""


class _Draw:
    """Draws defects one after another; each knows where wood is."""

    def __init__(self, seed: int, cut: Cut) -> None:
        self.cut, self.log = cut, cut.log
        self.rng = named_rng("scene drying", seed)
        self.number = 0

    def next(self) -> int:
        self.number += 1
        return self.number

    def place(self, x: float, inset: float = 0.06) -> tuple[float, float]:
        """Return a point (y, z) of the slab's section at x."""
        z = float(self.rng.uniform(self.cut.z_b, self.cut.z_a))
        edges = [self.cut.rough_edge_y(x, z, side) for side in (-1, 1)]
        share = float(self.rng.uniform(inset, 1 - inset))
        return edges[0] + share * (edges[1] - edges[0]), z

    def wound(self) -> tuple[float, float, float]:
        """Return where decay got in: a rotten branch, a wound of the live edge, or anywhere."""
        cut, rng = self.cut, self.rng
        choice = float(rng.uniform())
        x = float(rng.uniform(cut.x0, cut.x1))
        y, z = self.place(x, 0.0)
        if choice < 0.45:
            middle = (cut.z_a + cut.z_b) / 2
            stubs = []
            for branch in self.log.branches:
                dx, dy, dz = branch.direction
                t = (middle - branch.root[1]) / dz if abs(dz) > 1e-6 else -1.0
                at = branch.x + t * dx
                if branch.rotten and t > 0 and cut.x0 < at < cut.x1:
                    stubs.append((at, branch.root[0] + t * dy, middle))
            stubs = [s for s in stubs if cut.rough_edge_y(s[0], middle, -1) < s[1]
                     < cut.rough_edge_y(s[0], middle, 1)]  # fmt: skip
            if stubs:
                return stubs[int(rng.integers(len(stubs)))]
        if choice < 0.75:
            y = cut.rough_edge_y(x, z, int(rng.choice([-1, 1])))
        return x, y, z

    def polar(self, x: float, y: float, z: float) -> tuple[float, float]:
        r, angle = self.log.polar(x, np.array(y), np.array(z))
        return float(r), float(angle)

    def crack(self, form: str, mouth: float, tip: float, azimuth: float,
              radii: tuple[float, float, float], width: float, *, z_open: float = 0.0,
              depth: float = 1.0) -> Crack:  # fmt: skip
        rng = self.rng
        return Crack(
            self.next(), form, mouth, tip, azimuth, *radii, width, z_open, depth,
            waves(rng, 12, (5.0,), (140.0,), 0.28),
            # Slow wander, and the small steps from fibre to fibre.
            waves(rng, 7, (40.0,), (420.0,), 0.8) + waves(rng, 14, (2.5,), (22.0,), 0.16),
        )  # fmt: skip

    def end_checks(self, count: float) -> list[Crack]:
        found = []
        for end in (0, 1):
            x_end, inward = ((self.cut.x0, 1.0), (self.cut.x1, -1.0))[end]
            for _ in range(int(self.rng.poisson(count))):
                for _ in range(12):
                    y, z = self.place(x_end)
                    r, angle = self.polar(x_end, y, z)
                    if abs(np.sin(angle)) > 0.4 and r > 25:
                        break
                length = float(np.clip(np.exp(self.rng.normal(np.log(170.0), 0.75)), 25.0, 900.0))
                thick = self.cut.thickness_mm / max(abs(np.sin(angle)), 0.3)
                reach = self.rng.uniform(0.3, 1.6, 2) * thick
                width = float(np.clip(np.exp(self.rng.normal(np.log(1.3), 0.6)), 0.3, 7.0))
                width *= min(1.4, (length / 170.0) ** 0.35)
                found.append(self.crack(
                    "end", x_end - inward * 60.0 * abs(self.cut.skew[end]) * 10, x_end
                    + inward * length, angle, (max(r - reach[0], 0.0), r, r + reach[1]), width,
                ))  # fmt: skip
        return found

    def surface_checks(self, count: float) -> list[Crack]:
        found = []
        for z_open in (self.cut.z_a, self.cut.z_b):
            for _ in range(int(self.rng.poisson(count))):
                x = float(self.rng.uniform(self.cut.x0 + 60, self.cut.x1 - 60))
                for _ in range(12):
                    y, _ = self.place(x)
                    r, angle = self.polar(x, y, z_open)
                    if abs(np.sin(angle)) > 0.45:
                        break
                half = float(np.clip(np.exp(self.rng.normal(np.log(75.0), 0.6)), 15.0, 330.0))
                half = min(half, x - self.cut.x0 - 15, self.cut.x1 - 15 - x)
                width = float(np.clip(np.exp(self.rng.normal(np.log(0.7), 0.55)), 0.2, 3.0))
                found.append(self.crack(
                    "surface", x - half, x + half, angle, (0.0, r, r), width, z_open=z_open,
                    depth=float(self.rng.uniform(3.0, min(14.0, 0.4 * self.cut.thickness_mm))),
                ))  # fmt: skip
        return found

    def heart_checks(self, count: float) -> list[Crack]:
        found = []
        for end in (0, 1):
            x_end, inward = ((self.cut.x0, 1.0), (self.cut.x1, -1.0))[end]
            _, cz = (float(c) for c in self.log.pith(x_end))
            if not self.cut.z_b - 15 < cz < self.cut.z_a + 15:
                continue
            for _ in range(int(self.rng.poisson(count))):
                angle = float(self.rng.uniform(0, 2 * np.pi))
                out = float(self.rng.uniform(15.0, 90.0))
                length = float(np.exp(self.rng.normal(np.log(300.0), 0.6)))
                found.append(self.crack(
                    "heart", x_end, x_end + inward * length, angle, (0.0, out * 0.25, out),
                    float(self.rng.uniform(0.5, 3.0)),
                ))  # fmt: skip
        return found

    def shakes(self, count: float) -> list[Crack]:
        found = []
        for _ in range(int(self.rng.poisson(count))):
            end = int(self.rng.integers(0, 2))
            x_end, inward = ((self.cut.x0, 1.0), (self.cut.x1, -1.0))[end]
            y, z = self.place(x_end, 0.12)
            _, angle = self.polar(x_end, y, z)
            age = float(self.log.age_radius(x_end, np.array(y), np.array(z)))
            found.append(self.crack(
                "shake", x_end, x_end + inward * float(self.rng.uniform(150, 700)), angle,
                (float(self.rng.uniform(0.15, 0.6)), age, age), float(self.rng.uniform(0.4, 2.2)),
            ))  # fmt: skip
        return found

    def ellipsoid(
        self,
        kind: str,
        at: tuple[float, float, float],
        half: tuple[float, float, float],
        rough: float,
        soft: float = 0.0,
    ) -> Blob:
        """Return an irregular body along the grain."""
        a, b, c = half
        ripple = waves(self.rng, 16, (a * 0.12, b * 0.2, b * 0.2), (a * 1.2, b * 1.6, b * 1.6), 1.0)
        grow = 1.0 + 2.2 * rough
        r = max(b, c) * grow + 12.0
        box = (at[0] - a * grow, at[0] + a * grow, at[1] - r, at[1] + r, at[2] - r, at[2] + r)
        field = Ellipsoid(self.log, at, half, ripple, rough)
        return Blob(self.next(), kind, field, box, soft)

    def bodies(self, amounts: Mapping[str, float]) -> list[Blob]:
        rng, cut, found = self.rng, self.cut, []
        for _ in range(int(rng.poisson(amounts["rot"]))):
            x, y, z = self.wound()
            half = (float(rng.uniform(90, 330)), float(rng.uniform(22, 60)),
                    float(rng.uniform(20, 50)))  # fmt: skip
            found.append(self.ellipsoid("rot", (x, y, z), half, 0.2, soft=8.0))
        for _ in range(int(rng.poisson(amounts["bark inclusions"]))):
            x = float(rng.uniform(cut.x0 + 100, cut.x1 - 100))
            z = float(rng.uniform(cut.z_b, cut.z_a))
            side = int(rng.choice([-1, 1]))
            y = cut.rough_edge_y(x, z, side) - side * float(rng.uniform(0, 110))
            half = (float(rng.uniform(35, 150)), float(rng.uniform(14, 46)),
                    float(rng.uniform(3.5, 9.0)))  # fmt: skip
            found.append(self.ellipsoid("bark_inclusion", (x, y, z), half, 0.22))
        for _ in range(int(rng.poisson(amounts["holes"]))):
            x = float(rng.uniform(cut.x0 + 100, cut.x1 - 100))
            y, z = self.place(x)
            half = (float(rng.uniform(15, 60)), float(rng.uniform(9, 25)),
                    float(rng.uniform(9, 25)))  # fmt: skip
            found.append(self.ellipsoid("hole", (x, y, z), half, 0.25))
        for _ in range(int(rng.poisson(amounts["metal"]))):
            x = float(rng.uniform(cut.x0 + 100, cut.x1 - 100))
            y, z = self.place(x)
            half = (float(rng.uniform(40, 130)), float(rng.uniform(7, 15)),
                    float(rng.uniform(5, 12)))  # fmt: skip
            found.append(self.ellipsoid("metal", (x, y, z), half, 0.15, soft=5.0))
        found += self.insects("grub_holes", amounts["grub holes"], (1, 4), (3.4, 6.0))
        found += self.insects("worm_holes", amounts["worm holes"], (6, 40), (0.5, 1.6))
        return found

    def insects(self, kind: str, mean: float, count: tuple[int, int],
                radius: tuple[float, float]) -> list[Blob]:  # fmt: skip
        rng, cut, found = self.rng, self.cut, []
        for _ in range(int(rng.poisson(mean))):
            n = int(rng.integers(*count, endpoint=True))
            x = float(rng.uniform(cut.x0 + 120, cut.x1 - 120))
            side = int(rng.choice([-1, 1]))
            z_mid = (cut.z_a + cut.z_b) / 2
            y = cut.rough_edge_y(x, z_mid, side)
            y -= side * abs(float(rng.normal(18, 14)))
            spread = 12.0 + 3.0 * n
            centre = np.column_stack(
                [
                    x + rng.normal(0, 1.8 * spread, n),
                    y - side * np.abs(rng.normal(0, spread, n)),
                    np.full(n, z_mid),
                ]
            )
            way = rng.normal(0, 0.35, (n, 3)) + np.array([0.0, 0.0, 1.0])
            half = cut.thickness_mm / 2 + 4.0
            starts = centre - way * half / way[:, 2:]
            ends = centre + way * half / way[:, 2:]
            # Not every tunnel goes through: some stop short of one face or the other.
            stop = rng.uniform(0.3, 1.0, n)[:, None]
            some = rng.uniform(size=n)[:, None] < 0.4
            ends = np.where(some, starts + stop * (ends - starts), ends)
            radii = rng.uniform(*radius, n)
            both = np.vstack([starts, ends])
            low, high = both.min(axis=0) - radii.max() - 1, both.max(axis=0) + radii.max() + 1
            box = (low[0], high[0], low[1], high[1], low[2], high[2])
            found.append(Blob(self.next(), kind, Cylinders(starts, ends, radii), box))
        return found


def season(
    seed: int,
    cut: Cut,
    *,
    amounts: Mapping[str, float] | None = None,
    warp_mm: tuple[float, float, float] | None = None,
) -> Slab:
    """Dry a slab and let time work on it.

    Parameters
    ----------
    seed : int
        Decides everything drawn.
    cut : Cut
        The sawn slab.
    amounts : mapping, optional
        Mean number of each kind of thing instead of :data:`AMOUNTS`, by its key.
    warp_mm : (float, float, float), optional
        Bow, cup and twist; drawn if not given.
    """
    wanted = dict(AMOUNTS)
    for key, value in (amounts or {}).items():
        if key not in wanted:
            raise ValueError(f"amount {key!r} is not known; one of {', '.join(AMOUNTS)}")
        if not 0 <= value <= 60:
            raise ValueError(f"amount of {key} is {value:g}; 0 to 60 can be drawn")
        wanted[key] = value
    draw = _Draw(seed, cut)
    cracks = draw.end_checks(wanted["end checks"])
    cracks += draw.surface_checks(wanted["surface checks"])
    cracks += draw.heart_checks(wanted["heart checks"])
    cracks += draw.shakes(wanted["shakes"])
    blobs = draw.bodies(wanted)
    blobs += knots(cut, draw.number + 1)
    draw.number += len(blobs)
    blobs += crotch(cut, draw.number + 1)
    last = max([c.number for c in cracks] + [b.number for b in blobs], default=0)
    core = pith_blob(cut, last + 1, seed)
    if core is not None:
        blobs.append(core)
    return Slab(seed, cut, tuple(cracks), tuple(blobs), draw_warp(seed, cut, warp_mm))
