"""Fits in one file: the book, the draws and what they are of; next year's experience.

A zip of plain parts (the book's own CSV files, JSON, NumPy arrays without pickle), so that a file
from somebody else can be read without running anything of it.
"""

from __future__ import annotations

import io
import json
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook, expect_book, open_book
from woodlab.drying.estimator.mode import Mode
from woodlab.drying.estimator.posterior import Posterior
from woodlab.drying.estimator.scale_step import on_two_scales
from woodlab.drying.estimator.season import Season
from woodlab.drying.fit.experience import Experience, of_fits
from woodlab.drying.fit.fitting import MARGIN_DAYS, as_of_day, assemble, fit_drying
from woodlab.drying.fit.records import read_records
from woodlab.drying.fit.results import DryingFits, day_of
from woodlab.drying.laws import law_named
from woodlab.errors import WoodlabError, as_path
from woodlab.safe_write import write_file
from woodlab.words import Units

VERSION = 4
MOST_BYTES = 1_000_000_000  # unpacked: what no season of a club comes near
_DAY = np.timedelta64(1, "D")
DRAWS = ("u", "ln_dry", "beta", "sds")


def save_fits(fits: DryingFits, path: str | Path) -> None:
    """See `DryingFits.save`."""
    file = as_path(path, "path", "Give that of a file to write, such as 'season.fits'.")
    write_file(file, packed(fits))


def packed(fits: DryingFits) -> bytes:
    """The bytes of the file."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=4) as file:
        options = dict(fits.options)
        experience = options.pop("experience", None)
        about = {
            "version": VERSION,
            "as_of": str(fits.as_of.date()),
            "options": options,
            "experience": None if experience is None else experience.plain(),
            "told": of_fits(fits).plain(),
            "name": fits.book.name,
            "units": vars(fits.book.units),
            "step_on": None if fits.records.step_on is None else str(fits.records.step_on),
            "laws": [part.season.law.name for part in fits.parts],
            "pieces": {
                name: {"dtype": str(column.dtype), "values": column.tolist()}
                for name, column in fits.pieces.items()
            },
        }
        file.writestr("about.json", json.dumps(about))
        file.writestr("laws.csv", fits.laws.to_csv(index=False))
        with tempfile.TemporaryDirectory() as folder:
            fits.book.save(Path(folder) / "book")
            for table in sorted((Path(folder) / "book").iterdir()):
                file.writestr(f"book/{table.name}", table.read_bytes())
        for i, part in enumerate(fits.parts):
            arrays = {name: getattr(part, name) for name in DRAWS}
            mode = {f"mode_{f.name}": getattr(part.mode, f.name) for f in fields(Mode)}
            arrays |= {name: value for name, value in mode.items() if value is not None}
            held = io.BytesIO()
            np.savez(held, **arrays)
            file.writestr(f"part_{i}.npz", held.getvalue())
    return out.getvalue()


def load_fits(path: str | Path) -> DryingFits:
    """Fits that were saved with `fits.save(path)`: the same draws, nothing fitted again.

    Parameters
    ----------
    path : path

    Returns
    -------
    DryingFits

    Raises
    ------
    WoodlabError
        If the file is not there, or is not saved fits of this version.

    Examples
    --------
    >>> import tempfile, woodlab as wl
    >>> from pathlib import Path
    >>> fits = wl.fit_drying(wl.demo_book().only(pieces=["A1", "A3"]), "slab", as_of="2025-05-01")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     fits.save(Path(folder) / "demo.fits")
    ...     again = load_fits(Path(folder) / "demo.fits")
    >>> again.predict(on="2025-06-01").equals(fits.predict(on="2025-06-01"))
    True
    """
    loaded: DryingFits = _read(path, _loaded)
    return loaded


def load_experience(path: str | Path) -> Experience:
    """What saved fits tell of the next season, without opening the book that they are of."""
    told: Experience = _read(path, lambda _, about: Experience.from_plain(about["told"]))
    return told


def _read(path: str | Path, take: Callable[[zipfile.ZipFile, dict[str, Any]], Any]) -> Any:
    """What `take` makes of a file of saved fits and of what it says about itself."""
    path = as_path(path, "path", "Give that of a file that fits.save(path) wrote.")
    if not path.is_file():
        raise WoodlabError(f"There is no file at {path}. Give one that fits.save(path) wrote.")
    try:
        with zipfile.ZipFile(path) as file:
            if sum(entry.file_size for entry in file.infolist()) > MOST_BYTES:
                raise WoodlabError(f"{path.name} is larger unpacked than any fits are.")
            about = json.loads(file.read("about.json"))
            if about.get("version") != VERSION:
                raise WoodlabError(
                    f"{path.name} was saved by another version. Fit the book again: "
                    "wl.fit_drying(book)."
                )
            return take(file, about)
    except WoodlabError:
        raise
    except (
        OSError, KeyError, ValueError, TypeError, AttributeError, IndexError, zipfile.BadZipFile
    ) as error:  # fmt: skip
        raise WoodlabError(
            f"{path.name} cannot be read as saved fits. Give a file that fits.save(path) wrote."
        ) from error


def season_fits(
    fits_or_book: RecordBook | DryingFits, path: str | Path | None = None, *,
    as_of: Any = None, renew: bool = False,
) -> DryingFits:  # fmt: skip
    """The season's fits: those given, those saved at `path`, or the book fitted now.

    What the main job fitted once is read by every notebook, so that all say the same.

    Parameters
    ----------
    fits_or_book : RecordBook or DryingFits
    path : path, optional
        Fits of this book that `fits.save(path)` wrote.
    as_of : date, optional
        Nothing after this day is used; fits that know more are made again.
    renew : bool
        Where the file is missing or of another book: fit this one, and keep it there.

    Returns
    -------
    DryingFits

    Raises
    ------
    WoodlabError
        If the file cannot be read, or holds fits of another book and `renew` is not asked for.

    Examples
    --------
    >>> import tempfile, woodlab as wl
    >>> from pathlib import Path
    >>> book = wl.demo_book().only(pieces=["A1", "A3"]).until("2025-05-01")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     wl.fit_drying(book, "slab").save(Path(folder) / "demo.fits")
    ...     season_fits(book, Path(folder) / "demo.fits").law
    'slab'
    """
    book = expect_book(fits_or_book, "fit_drying")
    if not isinstance(fits_or_book, RecordBook):
        fits = fits_or_book
        behind = 0 if as_of is None else (as_of_day(book, as_of) - day_of(fits)) / _DAY
        if 0 <= behind <= MARGIN_DAYS:
            return fits
        return fit_drying(book, as_of=as_of, **fits.options)
    if path is None:
        return fit_drying(book, as_of=as_of)
    if not renew or Path(path).exists():
        fits = load_fits(path)
        day = as_of_day(book, as_of) if renew or as_of is not None else fits.as_of
        if fits.book.hash == book.until(pd.Timestamp(day)).hash:
            return fits
        if not renew:
            raise WoodlabError(
                f"{Path(path).name} holds fits of another book, or of this one before it was "
                "changed. Leave the path out, and the book is fitted as it is."
            )
    fits = fit_drying(book, as_of=as_of)
    fits.save(path)
    return fits


def _loaded(file: zipfile.ZipFile, about: dict[str, Any]) -> DryingFits:
    with tempfile.TemporaryDirectory() as folder:
        inside = Path(folder) / "book"
        inside.mkdir()
        for name in file.namelist():
            # a name in a received file is no path to trust: its last part, in our own folder
            if name.startswith("book/") and name.endswith(".csv"):
                (inside / Path(name).name).write_bytes(file.read(name))
        book = replace(open_book(inside, set_aside=True), name=about["name"],
                       units=Units(**about.get("units", {})))  # fmt: skip
    day = np.datetime64(about["as_of"], "D")
    records = read_records(book, day)
    if about["step_on"] is not None:
        records = on_two_scales(records, np.datetime64(about["step_on"], "D"))
    options = dict(about["options"])
    told = about["experience"]
    experience = None if told is None else Experience.from_plain(told)
    parts = []
    for i, name in enumerate(about["laws"]):
        season = Season(
            records, law_named(name), groups=options["pool"], held=options["fixed"],
            experience=None if experience is None else experience.effects(),
        )  # fmt: skip
        with np.load(io.BytesIO(file.read(f"part_{i}.npz")), allow_pickle=False) as arrays:
            saved = {key[5:]: arrays[key] for key in arrays.files if key.startswith("mode_")}
            mode = Mode(**{key: v if v.ndim else v.item() for key, v in saved.items()})
            parts.append(Posterior(season, mode, *(arrays[key] for key in DRAWS)))
    laws = pd.read_csv(io.BytesIO(file.read("laws.csv")))
    laws = laws[["law", "weight", "score", "error_pct", "n_held"]]
    pieces = pd.DataFrame(
        {name: pd.Series(c["values"], dtype=c["dtype"]) for name, c in about["pieces"].items()}
    )
    return assemble(book, day, parts, laws, {**options, "experience": experience}, pieces)
