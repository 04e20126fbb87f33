"""Make the README's picture from the demo: python docs/pictures/make.py"""

from pathlib import Path

import woodlab as wl

HERE = Path(__file__).parent

book = wl.open_book(HERE.parents[1] / "data_demo").until("2025-05-10")
fits = wl.fit_drying(book, law="slab", pool=True)
pieces = book.pieces[book.pieces["wall_mm"].between(24, 32)]
chosen = [
    pieces.loc[pieces["seal"] == seal, "piece"].iloc[0]
    for seal in ("none", "wax on end grain", "wax all over")
]
curves = wl.forecast_curves(fits, chosen, target_moisture_pct=14)
wl.charts.save_chart(wl.charts.ready_curves(curves), HERE / "ready.png", ppi=150)
