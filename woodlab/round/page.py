"""The round as a page to type into at the scales: one file, no network."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import asdict
from importlib.resources import files

from jinja2 import BaseLoader, Environment

from woodlab.round.core import ACTIONS, CRACKS, FORMAT, Round


def page(made: Round) -> str:
    """The page as HTML. It holds all that it needs, and its content security policy lets no script
    but its own run, and nothing leave the device."""
    here = files("woodlab.round")
    style, script, form = (
        here.joinpath(name).read_text("utf-8")
        for name in ("round.css", "round.js", "round.html.j2")
    )
    if "</" in script or "</" in style:
        raise ValueError("round.js and round.css must not hold </, which would end their element.")
    bowls = [bowl._asdict() for bowl in made.bowls]
    data = asdict(made) | {
        "bowls": bowls, "format": FORMAT, "cracks": CRACKS, "actions": ACTIONS
    }  # fmt: skip
    template = Environment(loader=BaseLoader(), autoescape=True).from_string(form)
    return template.render(made=made, data=data, style=style, script=script, hash=_hash)


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
