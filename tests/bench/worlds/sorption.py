"""Where wood comes to rest in air: published curves other than the kit's relation, and hysteresis.

- `handbook`: Table 4-2 of the Wood Handbook (FPL-GTR-190, 2010), cells at 10 and 21.1 deg C, read
  between on straight lines. The kit's relation was made for this table.
- `sticks`: weighed pine dowels, ln(-RT/M ln h) = A + B m with A = 4.98, B = -18.8, R T/M in cal/g
  (van der Kamp, Moore and McKendry 2016, Agric. Forest Meteorol. 236: 123; their published code).
- `spruce`: seven measured points of a building physics data set (EnergyPlus `MoistureMaterials`,
  spruce of 455 kg/m3).
- `plywood`: m = 0.218 h^1.44 + 0.535 h^28.16 from the same data set (the kind of curve that lies
  below the handbook in dry air and above it in damp).

The curves lie -1.4 to +2.1 points from the handbook between 40 and 85 %RH. Hysteresis: wood that
dries rests above wood that takes up water by an amount in proportion to the humidity (Fredriksson
and Thybring 2018, Cellulose, abstract), 0.5 to 3 points (Simo-Tagne et al. 2016, Maderas 18(3),
abstract). Between the two curves the surface moves by the rule of Rode (2001, help of a building
simulation program): a tenth of the far curve's slope, the near curve's own.
"""

from __future__ import annotations

import numpy as np

STEP_PCT, MOST_PCT = 0.25, 60.0  # grid of the inverse table
SATURATED_PCT = 29.0  # no curve goes beyond it
_H = np.array([0, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80, 85, 90, 95, 100.0])
_COOL = np.array([0, 1.4, 2.6, 3.6, 4.6, 5.5, 6.3, 7.1, 7.9, 8.7, 9.5, 10.3, 11.2, 12.3, 13.4, 14.8,
                  16.4, 18.4, 20.9, 24.3, SATURATED_PCT])  # fmt: skip
_WARM = np.array([0, 1.3, 2.5, 3.5, 4.5, 5.4, 6.2, 6.9, 7.7, 8.5, 9.2, 10.1, 11.0, 12.0, 13.1, 14.4,
                  16.0, 17.9, 20.5, 23.9, SATURATED_PCT])  # fmt: skip
_SPRUCE_H = np.array([0, 20.5, 44.65, 65.15, 83.0, 95.25, 95.6, 100.0])
_SPRUCE = np.array([0, 25.935, 44.3625, 61.99375, 87.1325, 119.665, 120.12, 132.0]) / 4.55
NEAR, FAR = ("handbook", "sticks"), ("spruce", "plywood")


def curve_pct(name: str, temp_c: np.ndarray, rh_pct: np.ndarray) -> np.ndarray:
    """Equilibrium moisture [% of oven-dry mass], at most `SATURATED_PCT`."""
    temp_c, rh_pct = np.broadcast_arrays(np.asarray(temp_c, float), np.asarray(rh_pct, float))
    h = np.clip(rh_pct, 0.1, 99.9) / 100
    if name == "handbook":
        cool, warm = np.interp(rh_pct, _H, _COOL), np.interp(rh_pct, _H, _WARM)
        out = cool + np.clip((temp_c - 10) / 11.1, -1, 2) * (warm - cool)
    elif name == "sticks":
        cal_g = 8.314e-3 * (temp_c + 273.15) / 0.018 / 4.19
        out = 100 * (np.log(-cal_g * np.log(h)) - 4.98) / -18.8
    elif name == "spruce":
        out = np.interp(rh_pct, _SPRUCE_H, _SPRUCE)
    elif name == "plywood":
        out = 100 * (0.218 * h**1.44 + 0.535 * h**28.16)
    else:
        raise ValueError(f"no sorption curve {name!r}")
    return np.clip(out, 0.0, SATURATED_PCT)


def course_pct(
    name: str,
    offset_pct: float | np.ndarray,
    hysteresis_pct: float,
    air: np.ndarray,
    begins_at: int,
    dries: bool = True,
) -> np.ndarray:
    """Where the surface of wood rests on each day of `air` (..., days, 2), with its memory.

    `offset_pct` is the wood's own, in proportion to the curve (given at 12 %). The memory starts on
    day `begins_at`, on the drying curve, or on the wetting curve of wood that comes from an oven;
    before it that curve holds.
    """
    temp, rh = air[..., 0], air[..., 1]
    middle = curve_pct(name, temp, rh) * (1 + offset_pct / 12)
    half = hysteresis_pct * rh / 200
    drying, wetting = middle + half, middle - half
    if hysteresis_pct == 0:
        return middle
    up, down = np.diff(wetting, axis=-1), np.diff(drying, axis=-1)
    rises = np.diff(rh, axis=-1) > 0
    out = (drying if dries else wetting).copy()
    for i in range(begins_at, rh.shape[-1] - 1):
        now, low, high = out[..., i], wetting[..., i], drying[..., i]
        from_low, from_high = (now - low) ** 2, (now - high) ** 2
        wide = (high - low) ** 2
        step = np.where(
            rises[..., i],
            (0.1 * from_low * down[..., i] + from_high * up[..., i]) / wide,
            (from_low * down[..., i] + 0.1 * from_high * up[..., i]) / wide,
        )
        out[..., i + 1] = np.clip(now + step, wetting[..., i + 1], drying[..., i + 1])
    return out


def activity_table(name: str, offset_pct: float) -> np.ndarray:
    """Relative humidity (0 to 1) over wood of 0, 0.25, ... 60 % at 15 deg C: the curve, inverted.

    It is divided by its own value at saturation, so that wet wood has 1.
    """
    grid = np.arange(0.0, MOST_PCT + STEP_PCT / 2, STEP_PCT)
    rh = np.linspace(0.0, 100.0, 2001)
    moisture = curve_pct(name, 15.0, rh) * (1 + offset_pct / 12)
    moisture = np.maximum.accumulate(moisture + 1e-9 * np.arange(rh.size))
    top = SATURATED_PCT * (1 + offset_pct / 12)
    reached = float(np.interp(top - 1e-6, moisture, rh))
    table = np.interp(grid, moisture, rh) / reached
    return np.where(grid >= top, 1.0, np.minimum(table, 1.0))
