"""Moisture meter readings: corrections, what they can be trusted for, shell against core.

Ranges, accuracy and temperature correction follow GTR-190 p.13-3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

import numpy as np

from slabvision.estimate import DRAWS, Estimate, named_normals
from slabvision.trade.quantity import Number, checked, value_of

__all__ = [
    "METER_RANGE_PCT",
    "MeterReading",
    "ReadingsSummary",
    "SeenReading",
    "correct_reading_pct",
    "summarize_readings",
]

METER_RANGE_PCT = MappingProxyType({"resistance": (6.0, 30.0), "dielectric": (4.0, 30.0)})
"""Where meters can be believed, %: GTR-190 p.13-3. Above 30 % they tell wetter from drier only."""

TEMPERATURE_POINTS_PER_C = 0.5 / 5.6
"""About 0.5 points per 5.6 °C (10 °F) off the calibration temperature: GTR-190 p.13-3."""

METER_U_PCT = 0.5
"""Standard uncertainty of the mean of a properly used meter: within 1 % of true (GTR-190 p.13-3),
taken as a 95 % statement."""

_NEAR_MEAN = 0.5 * (1 - 1 / np.sqrt(3.0))
"""Depth, as a share of the thickness, where a parabolic drying profile meets its mean: 0.21."""

_SHELL_SHARE, _CORE_SHARE = 0.12, 0.35
_WETTED_POINTS = 1.5


@dataclass(frozen=True)
class MeterReading:
    """One reading.

    Attributes
    ----------
    reading_pct : float
        As the meter shows it.
    depth_mm : float, optional
        Depth of the pins, or of the sensor's field.
    station_mm : float, optional
        Distance from the end along the slab.
    wet : bool
        The surface was wet (rain, hose, dew) when it was read.
    meter : {"resistance", "dielectric"}
    wood_temp_c, calibration_temp_c : float, optional
        For the temperature correction; both are needed.
    species_points : float, optional
        Points to add for the species, from the maker's table; None when not looked up.
    """

    reading_pct: float
    depth_mm: float | None = None
    station_mm: float | None = None
    wet: bool = False
    meter: Literal["resistance", "dielectric"] = "resistance"
    wood_temp_c: float | None = None
    calibration_temp_c: float | None = None
    species_points: float | None = None

    def __post_init__(self) -> None:
        checked(self.reading_pct, "%", "meter reading", at_least=0, at_most=200)
        if self.meter not in METER_RANGE_PCT:
            raise ValueError(f"meter is {self.meter!r}; it must be resistance or dielectric")
        for temp in (self.wood_temp_c, self.calibration_temp_c):
            if temp is not None and not -40 <= temp <= 100:
                raise ValueError(f"temperature is {temp:g} °C; it must lie from -40 to 100")
        if self.depth_mm is not None:
            checked(self.depth_mm, "mm", "depth of a reading", at_least=0)
        if self.species_points is not None and not abs(self.species_points) <= 15:
            raise ValueError(
                f"species correction is {self.species_points:g} points; at most 15 either way"
            )


def correct_reading_pct(reading: MeterReading) -> tuple[float, tuple[str, ...]]:
    """Return a reading corrected for temperature and species, %, and what could not be corrected.

    Add when the wood is colder than the calibration temperature, subtract when it is warmer: 0.5
    points per 5.6 °C (GTR-190 p.13-3). Species: points from the maker's table.

    Examples
    --------
    >>> cold = MeterReading(12.0, wood_temp_c=4.3, calibration_temp_c=21.1, species_points=0.0)
    >>> round(correct_reading_pct(cold)[0], 2)  # 16.8 °C colder: + 1.5
    13.5
    """
    corrected, missing = reading.reading_pct, []
    if reading.wood_temp_c is None or reading.calibration_temp_c is None:
        missing.append("not corrected for temperature (wood or calibration temperature not given)")
    else:
        off = reading.calibration_temp_c - reading.wood_temp_c
        corrected += off * TEMPERATURE_POINTS_PER_C
    if reading.species_points is None:
        missing.append("not corrected for species (look it up in the meter's own table)")
    else:
        corrected += reading.species_points
    return max(corrected, 0.0), tuple(missing)


@dataclass(frozen=True)
class SeenReading:
    """A reading after correction, with what speaks against using it.

    Attributes
    ----------
    reading : MeterReading
    corrected_pct : float
    used : bool
        Whether it counts in the mean.
    flags : tuple of str
    """

    reading: MeterReading
    corrected_pct: float
    used: bool
    flags: tuple[str, ...]


@dataclass(frozen=True)
class ReadingsSummary:
    """What a slab's readings say together.

    Attributes
    ----------
    mean_pct : Estimate
        Moisture of the slab; not determined when no reading can be used.
    spread_pct : float
        Standard deviation between stations, points; NaN for fewer than two.
    lowest_pct, highest_pct : float
        Of the readings used; NaN when none.
    core_minus_shell_pct : float
        Above 0 the core is wetter (still drying), below 0 the shell is (rained on, taking up
        moisture); NaN when depths do not tell.
    readings : tuple of SeenReading
    contradicts : bool or None
        Whether the readings contradict the stated moisture; None when none was stated or nothing
        can be said.
    texts : tuple of str
        In words, one finding a line.
    """

    mean_pct: Estimate
    spread_pct: float
    lowest_pct: float
    highest_pct: float
    core_minus_shell_pct: float
    readings: tuple[SeenReading, ...]
    contradicts: bool | None
    texts: tuple[str, ...] = field(default=())


def summarize_readings(
    readings: Sequence[MeterReading],
    *,
    thickness_mm: Number | None = None,
    stated_pct: float | None = None,
    meter_name: str = "meter",
    draws: int = DRAWS,
) -> ReadingsSummary:
    """Return mean, spread, gradient and flags of a slab's readings, and check the seller's figure.

    Parameters
    ----------
    readings : sequence of MeterReading
    thickness_mm : float or Estimate, optional
        Thickness of the slab; with depths it gives the gradient.
    stated_pct : float, optional
        Moisture the seller states.
    meter_name : str
        Readings of one meter share its error over a visit.
    draws : int

    Notes
    -----
    With readings at two depths or more a parabola over the thickness is fitted and its mean used
    (core minus a third of the difference; derived). One depth alone is taken as it is; it lies
    near the mean of a drying board at 0.21 of the thickness (derived: where a parabola meets its
    mean). Readings on a wet surface, and above the meter's range, do not count.
    """
    if stated_pct is not None:
        checked(stated_pct, "%", "stated moisture", at_least=0, at_most=200)
    if thickness_mm is not None:
        checked(thickness_mm, "mm", "thickness", over=0)
    thick = value_of(thickness_mm) if thickness_mm is not None else None
    seen = tuple(_look(reading, thick) for reading in readings)
    used = [s for s in seen if s.used]
    texts = list(dict.fromkeys(flag for s in seen for flag in s.flags))
    if not used:
        return _nothing_usable(seen, texts, stated_pct, draws)
    values = np.array([s.corrected_pct for s in used])
    gradient, mean, mean_u = _profile(used, thick)
    spread = float(np.std(values, ddof=1)) if len(values) > 1 else float("nan")
    shared = named_normals(f"moisture meter:{meter_name}", draws)
    own = named_normals(f"readings:{[round(v, 6) for v in values.tolist()]}", draws)
    estimate = Estimate(mean, np.maximum(mean + METER_U_PCT * shared + mean_u * own, 0.0), "%")
    texts += _gradient_texts(gradient)
    if all(s.reading.depth_mm is None for s in used):
        texts.append("depth of the readings not noted: the core may be wetter")
    if any(_over_range(s) for s in seen):
        texts.append("readings above the meter's range are left out: the slab is wetter than this")
    contradicts: bool | None = None
    if stated_pct is not None:
        contradicts, words = _stated(stated_pct, estimate)
        texts.append(words)
    return ReadingsSummary(
        estimate, spread, float(values.min()), float(values.max()), gradient, seen, contradicts,
        tuple(texts),
    )  # fmt: skip


def _over_range(seen: SeenReading) -> bool:
    """Whether a dry-surface reading is above what the meter can measure."""
    return seen.corrected_pct > METER_RANGE_PCT[seen.reading.meter][1] and not seen.reading.wet


def _nothing_usable(
    seen: tuple[SeenReading, ...], texts: list[str], stated_pct: float | None, draws: int
) -> ReadingsSummary:
    reason = (
        "read again, deep in dry clean wood and within the meter's range"
        if seen
        else "no moisture reading: measure, or give the stated moisture"
    )
    wet = [s for s in seen if _over_range(s)]
    contradicts: bool | None = None
    if wet and stated_pct is not None:
        limit = min(METER_RANGE_PCT[s.reading.meter][1] for s in wet)
        if stated_pct < limit:
            contradicts = True
            texts.append(f"stated {stated_pct:g} % is contradicted: it reads over {limit:g} %")
    nan = float("nan")
    empty = Estimate.undetermined(reason, "%", draws=draws)
    return ReadingsSummary(empty, nan, nan, nan, nan, seen, contradicts, (*texts, reason))


def _look(reading: MeterReading, thick: float | None) -> SeenReading:
    corrected, missing = correct_reading_pct(reading)
    flags, used = list(missing), True
    low, high = METER_RANGE_PCT[reading.meter]
    if corrected > high:
        used = False
        flags.append(
            f"{corrected:.1f} % is above {high:g} %: a {reading.meter} meter only tells that it "
            "is wet"
        )
    elif corrected < low:
        flags.append(f"{corrected:.1f} % is below the {low:g} % a {reading.meter} meter can tell")
    if reading.wet:
        used = False
        flags.append("read on a wet surface: it tells of the rain, not of the slab")
    if thick is not None and reading.depth_mm is not None and reading.depth_mm > thick:
        raise ValueError(
            f"depth of a reading is {reading.depth_mm:g} mm in a slab {thick:g} mm thick"
        )
    return SeenReading(reading, corrected, used, tuple(flags))


def _profile(used: Sequence[SeenReading], thick: float | None) -> tuple[float, float, float]:
    """Return core minus shell, mean, and the standard uncertainty of the mean's scatter."""
    values = np.array([s.corrected_pct for s in used])
    scatter = float(np.std(values, ddof=1)) if len(values) > 1 else 1.0
    plain = float(values.mean()), scatter / np.sqrt(len(values))
    depths = [s.reading.depth_mm for s in used]
    if thick is None or any(d is None for d in depths):
        return float("nan"), plain[0], float(plain[1])
    inward = np.array([min(float(d or 0.0), thick - float(d or 0.0)) for d in depths]) / thick
    if inward.max() < _CORE_SHARE or inward.min() > _SHELL_SHARE + 0.13:
        return float("nan"), plain[0], float(plain[1])
    shape = 1.0 - (1.0 - 2.0 * inward) ** 2  # 0 at the face, 1 in the middle
    design = np.column_stack([np.ones_like(shape), shape])
    (shell, rise), *_ = np.linalg.lstsq(design, values, rcond=None)
    left = values - design @ np.array([shell, rise])
    free = len(values) - 2
    noise = float(np.sqrt(left @ left / free)) if free > 0 else 0.5
    weights = np.array([1.0, 2.0 / 3.0])  # the mean of a parabola: two thirds of the rise
    u = float(noise * np.sqrt(weights @ np.linalg.pinv(design.T @ design) @ weights))
    return float(rise), float(shell + 2.0 / 3.0 * rise), u


def _gradient_texts(core_minus_shell: float) -> list[str]:
    if np.isnan(core_minus_shell):
        return []
    if core_minus_shell < -_WETTED_POINTS:
        return [
            f"shell wetter than core by {-core_minus_shell:.1f} points: wetted from outside; a "
            "shallow reading is not the slab's moisture"
        ]
    if core_minus_shell > _WETTED_POINTS:
        return [
            f"core wetter than shell by {core_minus_shell:.1f} points: still drying; cutting or "
            "surfacing it now lets it move"
        ]
    return [f"shell and core within {abs(core_minus_shell):.1f} points"]


def _stated(stated: float, mean: Estimate) -> tuple[bool, str]:
    lo, hi = mean.interval
    read = f"{mean.value:.1f} % ({lo:.1f} to {hi:.1f})"
    if lo <= stated <= hi:
        return False, f"stated {stated:g} % agrees with the readings, {read}"
    side = "above" if mean.value > stated else "below"
    return True, (
        f"stated {stated:g} % is contradicted: the readings say {read}, "
        f"{abs(mean.value - stated):.1f} points {side} it"
    )
