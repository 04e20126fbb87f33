"""Makes slab_fipy.json: the slab law by FiPy, a general-purpose finite-volume library.

Run by hand in an environment of its own (fipy and scipy from the package registry):
python make_slab_fipy.py. Diffusivity exponential in moisture below saturation, flux through the
face capped at saturation, constant air; uniform cells and small steps, unlike ours.
"""

import json
from pathlib import Path

import fipy
import numpy as np

DAY = 86400.0
CASE = {
    "wall_mm": 25.0, "diffusivity_m2_s": 5e-11, "surface_m_s": 1e-8, "rise_per_pct": 0.134,
    "fibre_saturation_pct": 30.0, "start_moisture_pct": 60.0, "air_pct": 12.0,
}  # fmt: skip
CELLS, STEP_DAYS, ASKED = 160, 0.025, [2.0, 5.0, 10.0, 20.0, 30.0, 40.0]


def main() -> None:
    half = CASE["wall_mm"] / 2000
    mesh = fipy.Grid1D(nx=CELLS, dx=half / CELLS)
    moisture = fipy.CellVariable(mesh=mesh, value=CASE["start_moisture_pct"], hasOld=True)
    at_face = moisture.arithmeticFaceValue
    saturation, rise = CASE["fibre_saturation_pct"], CASE["rise_per_pct"]
    capped = at_face * (at_face < saturation) + saturation * (at_face >= saturation)
    diffusivity = CASE["diffusivity_m2_s"] * fipy.numerix.exp(rise * (capped - 15.0))
    outward = fipy.FaceVariable(mesh=mesh, rank=1, value=0.0)
    equation = fipy.TransientTerm() == fipy.DiffusionTerm(coeff=diffusivity) - outward.divergence
    edge = np.flatnonzero(mesh.facesRight.value)[0]
    surface, air, cell = CASE["surface_m_s"], CASE["air_pct"], half / CELLS
    steps, rows = round(ASKED[-1] / STEP_DAYS), []
    for step in range(1, steps + 1):
        moisture.updateOld()
        outer = float(moisture.value[-1])
        d = CASE["diffusivity_m2_s"] * np.exp(rise * (min(outer, saturation) - 15.0))
        at_surface = outer
        for _ in range(50):  # flux through the outer half cell = flux through the film
            flux = surface * (min(at_surface, saturation) - air)
            at_surface = 0.5 * (at_surface + outer - flux * cell / (2 * d))
        outward[0, edge] = surface * (min(at_surface, saturation) - air)
        equation.sweep(var=moisture, dt=STEP_DAYS * DAY)
        day = step * STEP_DAYS
        if any(abs(day - asked) < 1e-9 for asked in ASKED):
            rows.append([round(day, 6), float(moisture.value.mean()), float(moisture.value[0]),
                         at_surface])  # fmt: skip
            print(rows[-1], flush=True)
    result = {
        "library": "FiPy", "version": fipy.__version__, "script": Path(__file__).name,
        "call": "TransientTerm() == DiffusionTerm(D(m)) - flux.divergence, one sweep a step",
        "cells": CELLS, "step_days": STEP_DAYS, "case": CASE,
        "columns": ["days", "mean_pct", "core_pct", "surface_pct"], "rows": rows,
    }  # fmt: skip
    Path(__file__).with_name("slab_fipy.json").write_text(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
