"""The paper as one HTML page that needs nothing else: no script, no picture, no font, no address.

Rule: nothing that came off a bus or out of a user's file can become markup. Every value that the template puts out goes
through `harmless` (controls and reordering signs out, length bounded) and is then escaped by Jinja2, for text and for
quoted attributes alike (WHATWG HTML, section 13.1, "Writing HTML documents"). A Content-Security-Policy in the page
forbids all loading and all script, and allows the one style sheet by its hash, should that ever fail.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib import resources
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined, Template
from markupsafe import Markup

from faultlamp.knowledge.explanation import CLOSING
from faultlamp.report.paper import Paper
from faultlamp.text import printable

MOST_BYTES = 16_000_000
"""No page is larger: every list on it has a bound, and so has every text."""

_LONGEST = 1000
_CAUTIONS = (
    "Key off before a connector is pulled.",
    "Hot and moving parts: keep clear while the engine can turn or is hot.",
    "A red stop lamp means stop the engine.",
)


def page(paper: Paper) -> str:
    """The page, a line feed at its end."""
    template, style = _template()
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return template.render(
        paper=paper, style=Markup(style), style_hash=digest, cautions=_CAUTIONS, closing=CLOSING,
    ) + "\n"


def harmless(value: Any) -> Any:
    """What the template may put out: texts made harmless, numbers, and our own style sheet."""
    return printable(value, longest=_LONGEST) if isinstance(value, str) and not isinstance(value, Markup) else value


@cache
def _template() -> tuple[Template, str]:
    environment = Environment(
        loader=FunctionLoader(_read), autoescape=True, undefined=StrictUndefined, finalize=harmless,
        trim_blocks=True, lstrip_blocks=True,
    )
    return environment.get_template("page.html"), _read("page.css")


def _read(name: str) -> str:
    return (resources.files("faultlamp.report") / "templates" / name).read_text(encoding="utf-8")
