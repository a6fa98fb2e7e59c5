"""A log as a solid: pith, growth rings, sapwood and branches at every point (x, y, z).

``x`` runs along the log from the butt, ``y`` and ``z`` across it, all mm. The solid is a set of
functions, so whatever plane cuts it, rings, knots and checks agree between the pictures.
The rings are the surfaces of equal *age radius*: the radius that a point would have in a straight
round stem without taper, branches and flutes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from slabvision.estimate import named_rng
from slabvision.scene.fill import Array
from slabvision.scene.fork import Fork, draw_fork
from slabvision.scene.looks import Look
from slabvision.scene.noise import Waves, waves

__all__ = ["Branch", "Log", "grow_log"]

_STEP = 0.05
"""Resolution of tables over the age radius, mm."""


@dataclass(frozen=True)
class Branch:
    """A branch: a cone from the pith outward, alive to ``dead_mm`` along its axis, then dead.

    Attributes
    ----------
    x : float
        Where its axis leaves the stem's pith, mm along the log.
    root : (float, float)
        The pith's (y, z) there.
    direction : (float, float, float)
        Unit vector of the axis.
    base_mm, growth : float
        Radius at the pith and its growth per mm of axis.
    dead_mm : float
        Length of axis that was alive; beyond it the stem only grew round it.
    end_mm : float
        Length of the axis; beyond it clear wood has closed over it.
    bark_mm : float
        Thickness of the bark ring round the dead part.
    ring_mm : float
        Width of the branch's own rings.
    ripple : Waves
        Irregularity of its outline over (azimuth, axis).
    rotten : bool
        The dead part has decayed.
    """

    x: float
    root: tuple[float, float]
    direction: tuple[float, float, float]
    base_mm: float
    growth: float
    dead_mm: float
    end_mm: float
    bark_mm: float
    ring_mm: float
    ripple: Waves
    rotten: bool

    def radius(self, t: Array) -> Array:
        """Radius of the branch's wood at ``t`` mm along the axis."""
        alive = np.minimum(np.maximum(t, 0.0), self.dead_mm)  # np.clip is slow on short arrays
        return np.asarray(self.base_mm + self.growth * alive)


@dataclass(frozen=True, eq=False)
class Log:
    """The solid. Make one with :func:`grow_log`.

    Attributes
    ----------
    look : Look
        Species look.
    radius_mm : float
        Age radius of the outermost ring (under the bark).
    length_mm : float
        Length of the log.
    taper : float
        Age radius lost per mm of height.
    lean : (float, float)
        How much wider its rings are on one side (share of the radius), and the azimuth of that
        side, radians: a stem that leaned grew reaction wood there.
    ring_edges : ndarray
        Age radius of each ring boundary, mm.
    branches : tuple of Branch
    fork : Fork or None
        A second stem.
    """

    seed: int
    look: Look
    radius_mm: float
    length_mm: float
    taper: float
    butt_mm: float
    sap_mm: float
    wander_y: Waves
    wander_z: Waves
    sweep_mm: tuple[float, float]
    lobes: tuple[tuple[int, float, float, float], ...]
    ripple: Waves
    heart_ripple: Waves
    lean: tuple[float, float]
    ring_edges: Array
    branches: tuple[Branch, ...]
    fork: Fork | None = None

    # Geometry -----------------------------------------------------------------------------

    def pith(self, x: Array | float) -> tuple[Array, Array]:
        """Return the pith's (y, z) at ``x``."""
        x = np.asarray(x, dtype=np.float64)
        bend = 4.0 * (x / self.length_mm) * (1 - x / self.length_mm)
        return (
            self.wander_y(x) + self.sweep_mm[0] * bend,
            self.wander_z(x) + self.sweep_mm[1] * bend,
        )

    def polar(self, x: Array | float, y: Array, z: Array) -> tuple[Array, Array]:
        """Return distance from the pith (mm) and azimuth (radians) in the cross-section."""
        cy, cz = self.pith(x)
        return np.hypot(y - cy, z - cz), np.arctan2(z - cz, y - cy)

    def age_radius(self, x: Array | float, y: Array, z: Array) -> Array:
        """Return the age radius, mm: its surfaces of equal value are the growth rings."""
        x, y, z = (np.asarray(a, np.float64) for a in (x, y, z))
        age = self.first_stem(x, y, z)
        x, y, z = np.broadcast_arrays(x, y, z)
        if self.fork is not None:
            age = self.fork.join(age, x, y, z)
        for branch in self.branches:
            self._bend(age, branch, x, y, z)
        return age

    def first_stem(self, x: Array, y: Array, z: Array) -> Array:
        """Return the age radius without branches and without a second stem, mm."""
        r, angle = self.polar(x, y, z)
        t2 = (r / self.radius_mm) ** 2
        grown = 1.25 * t2 / (t2 + 0.25)
        shape = np.zeros_like(r)
        for k, per_mm, phase, height in self.lobes:
            shape += height * np.cos(k * angle + (per_mm * x + phase))
        age = r / (1.0 + grown * shape) + self.rise(x)
        age += self.ripple(x, y, z) * (r / (r + 25.0))
        return np.asarray(age)

    def rise(self, x: Array | float) -> Array:
        """Return the age radius at the pith: the log's rings are cones, the butt flares."""
        x = np.asarray(x, np.float64)
        return np.asarray(self.taper * x + self.butt_mm * (1.0 - np.exp(-np.maximum(x, 0) / 320.0)))

    def along_branch(
        self, branch: Branch, x: Array, y: Array, z: Array
    ) -> tuple[Array, Array, Array]:
        """Return position along a branch's axis, and offsets from it (up the stem, sideways)."""
        cy, cz = branch.root
        dx, dy, dz = branch.direction
        px, py, pz = x - branch.x, y - cy, z - cz
        t = px * dx + py * dy + pz * dz
        # Unit vector square to the axis in the plane of stem and branch: "up the stem".
        n = np.sqrt(1.0 - dx * dx)
        up = px * n - (py * dy + pz * dz) * dx / n
        side = (py * dz - pz * dy) / n
        return t, up, side

    def _bend(self, age: Array, branch: Branch, x: Array, y: Array, z: Array) -> None:
        reach = 4.5 * float(branch.radius(np.asarray(branch.dead_mm)))
        end = branch.end_mm + 150.0
        low = branch.x - reach - 5.0
        high = branch.x + end * branch.direction[0] + reach * 2.2
        near = np.flatnonzero((x > low).ravel() & (x < high).ravel())
        if near.size == 0:
            return
        px, py, pz = (np.ravel(a)[near] for a in (x, y, z))
        t, up, side = self.along_branch(branch, px, py, pz)
        width = branch.radius(t)
        q2 = (up / (2.1 * width)) ** 2 + (side / (1.35 * width)) ** 2
        close = (q2 < 12.0) & (t > -3.0 * branch.base_mm - 20.0)
        near, t, width, q2 = near[close], t[close], width[close], q2[close]
        fade = 1.0 / (1.0 + np.exp(-(t - 2.0 * branch.base_mm) / (branch.base_mm + 3.0)))
        beyond = np.maximum(t - branch.end_mm, 0.0)
        height = 1.15 * width * fade * np.exp(-((beyond / 70.0) ** 2))
        flat = age.reshape(-1)
        flat[near] -= height * np.exp(-0.5 * q2)

    def knot(self, branch: Branch, x: Array, y: Array, z: Array) -> Array:
        """Return the distance outside a knot (mm, roughly; negative inside, bark ring included)."""
        t, up, side = self.along_branch(branch, x, y, z)
        azimuth = np.arctan2(side, up)
        width = branch.radius(t)
        width = width * (1.0 + 0.07 * branch.ripple(np.cos(azimuth), np.sin(azimuth), t / 60.0))
        width = width + branch.bark_mm * _step((t - branch.dead_mm) / 6.0)
        out = np.hypot(up, side) - width
        out = np.maximum(out, -t - branch.base_mm)
        return np.asarray(np.maximum(out, t - branch.end_mm))

    # Wood ---------------------------------------------------------------------------------

    def sapwood_depth(self, x: Array | float, y: Array, z: Array, age: Array) -> Array:
        """Return how far a point lies outside the heartwood, mm of age radius."""
        _, angle = self.polar(x, y, z)
        wave = self.heart_ripple(np.asarray(x) / 400.0, 2 * np.cos(angle), 2 * np.sin(angle))
        return np.asarray(age - (self.radius_mm - self.sap_mm) - wave)

    def sideways(self, x: Array, y: Array, z: Array) -> Array:
        """Return how far fibres are pushed along y by the branches they flow round, mm."""
        x, y, z = np.broadcast_arrays(
            np.asarray(x, np.float64), np.asarray(y, np.float64), np.asarray(z, np.float64)
        )
        total = np.zeros(x.shape)
        flat = total.reshape(-1)
        for branch in self.branches:
            reach = 7.0 * float(branch.radius(np.asarray(branch.dead_mm)))
            high = branch.x + (branch.end_mm + 100.0) * branch.direction[0] + reach
            near = np.flatnonzero(((x > branch.x - reach) & (x < high)).ravel())
            if near.size == 0:
                continue
            t, up, side = self.along_branch(branch, *(np.ravel(a)[near] for a in (x, y, z)))
            width = branch.radius(t)
            _, dy, dz = branch.direction
            across = -dz / np.hypot(dy, dz)
            push = 0.9 * width * np.exp(-0.5 * ((up / (2.6 * width)) ** 2))
            push *= (
                np.exp(-np.abs(side) / (2.4 * width))
                * side
                / np.sqrt(side**2 + (0.35 * width) ** 2)
            )
            alive = (t > 0) & (t < branch.end_mm + 2.0 * width)
            flat[near] += np.where(alive, push * across, 0.0)
        return total


def _step(t: Array) -> Array:
    t = np.clip(t, 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def _rings(rng: np.random.Generator, look: Look, radius_mm: float) -> Array:
    """Draw ring boundaries: widths wander from year to year, wide when young, narrow when old."""
    widths, total, level = [], 0.0, 0.0
    while total < radius_mm * 1.6:
        level = 0.65 * level + rng.normal(0.0, look.ring_spread * 0.75)
        young = 1.0 + 0.55 * np.exp(-total / 60.0) - 0.25 * min(total / 400.0, 1.0)
        width = look.ring_mm * young * float(np.exp(np.clip(level, -1.1, 0.9)))
        widths.append(max(width, 0.9))
        total += widths[-1]
    return np.concatenate([[0.0], np.cumsum(widths)])


def _branches(rng: np.random.Generator, log: Log, length: float, radius: float) -> list[Branch]:
    look = log.look
    found: list[Branch] = []
    x = float(rng.uniform(-400.0, 100.0))
    while x < length:
        if look.whorls:
            x += float(rng.uniform(320.0, 620.0))
            count = int(rng.integers(2, 5))
        else:
            x += float(rng.exponential(1000.0 / look.branches_per_m))
            count = 1
        start = rng.uniform(0, 2 * np.pi)
        for k in range(count):
            azimuth = start + 2 * np.pi * k / count + rng.normal(0.0, 0.25)
            incline = np.radians(rng.uniform(12.0, 42.0))
            final = float(np.exp(rng.normal(np.log(13.0), 0.5)))
            final = min(max(final, 4.5), 42.0)
            dead = float(radius * rng.uniform(0.25, 1.25))
            healed = rng.uniform() < 0.35 and final < 16 and dead < radius * 0.8
            end = dead + float(rng.uniform(15.0, 70.0)) if healed else 3.0 * radius
            base = float(rng.uniform(1.2, 2.2))
            at = x + float(rng.normal(0.0, 12.0)) * (count > 1)
            found.append(Branch(
                x=at,
                root=(float(log.pith(at)[0]), float(log.pith(at)[1])),
                direction=(
                    float(np.sin(incline)),
                    float(np.cos(incline) * np.cos(azimuth)),
                    float(np.cos(incline) * np.sin(azimuth)),
                ),
                base_mm=base,
                growth=(final - base) / dead,
                dead_mm=dead,
                end_mm=end,
                bark_mm=float(rng.uniform(1.0, 3.5)) * min(1.0, final / 14.0),
                ring_mm=float(rng.uniform(0.9, 1.8)),
                ripple=waves(rng, 7, (1.2, 1.2, 2.0), (5.0, 5.0, 6.0), 1.0),
                rotten=bool(rng.uniform() < 0.25),
            ))  # fmt: skip
    return found


def grow_log(seed: int, look: Look, *, length_mm: float = 3400.0, fork: bool = False) -> Log:
    """Grow a log from a seed.

    Parameters
    ----------
    seed : int
        The same seed gives the same log.
    look : Look
        Species look.
    length_mm : float
        Length of the log, mm (500 to 12 000).
    fork : bool
        A second stem leaves it at about two thirds of its length.
    """
    if not 500.0 <= length_mm <= 12_000.0:
        raise ValueError(f"length_mm is {length_mm:g}; a log of 500 to 12000 mm can be grown")
    rng = named_rng(f"scene log {look.name}", seed)
    radius = float(rng.uniform(300.0, 470.0))
    taper = float(rng.uniform(0.004, 0.012))
    butt = float(rng.uniform(0.0, 30.0))
    order = np.array([2, 3, 4, 5, 6, 7, 9, 11, 14, 18, 23])
    heights = rng.normal(0.0, 1.0, order.size) * order**-1.15
    heights *= rng.uniform(0.035, 0.075) / np.linalg.norm(heights)
    turn = rng.normal(0.0, 1.0, order.size) * 2 * np.pi / 2600.0 * np.sqrt(order)
    lobes = tuple(
        (int(k), float(w), float(p), float(a))
        for k, w, p, a in zip(
            order, turn, rng.uniform(0, 2 * np.pi, order.size), heights, strict=True
        )
    )
    # One stem in three leaned: its pith lies off centre. Sawyers lay the long way flat.
    leans = rng.uniform() < 0.34
    lean = float(rng.uniform(0.1, 0.28) if leans else rng.uniform(0.0, 0.05))
    side = float(rng.choice([0.0, np.pi])) + float(rng.normal(0.0, 0.6))
    lobes += ((1, float(rng.normal(0.0, 1e-4)), -side, lean),)
    bare = Log(
        seed=seed,
        look=look,
        radius_mm=radius + butt + taper * length_mm * 0.5,
        length_mm=length_mm,
        taper=taper,
        butt_mm=butt,
        sap_mm=float(rng.uniform(*look.sap_mm)),
        wander_y=waves(rng, 9, (260.0,), (3200.0,), float(rng.uniform(5.0, 12.0))),
        wander_z=waves(rng, 9, (260.0,), (3200.0,), float(rng.uniform(5.0, 12.0))),
        sweep_mm=(float(rng.normal(0.0, 22.0)), float(rng.normal(0.0, 22.0))),
        lobes=lobes,
        lean=(lean, side),
        ripple=waves(
            rng, 22, (110.0, 26.0, 26.0), (900.0, 140.0, 140.0), float(rng.uniform(0.6, 1.3))
        ),
        heart_ripple=waves(rng, 10, (0.5, 0.5, 0.5), (4.0, 4.0, 4.0), float(rng.uniform(1.5, 5))),
        ring_edges=_rings(rng, look, radius + butt + taper * length_mm),
        branches=(),
    )
    grown = replace(bare, branches=tuple(_branches(rng, bare, length_mm, radius)))
    if not fork:
        return grown
    rng = named_rng(f"scene fork {look.name}", seed)
    at = length_mm * float(rng.uniform(0.62, 0.7))
    root = float(bare.pith(at)[0]), float(bare.pith(at)[1])
    return replace(grown, fork=draw_fork(rng, at, root, radius))
