"""Report pages of frames that a test has made, and what an HTML parser that is not ours makes of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element

from html5lib import HTMLParser

from faultlamp.capture import format_candump_line
from faultlamp.frames import Frame, FrameBlock
from faultlamp.history.history import History
from faultlamp.history.latest import LatestValues
from faultlamp.history.nodes import Nodes
from faultlamp.knowledge.layouts import load_layouts
from faultlamp.knowledge.spn_table import SpnNames
from faultlamp.report.gather import gather
from faultlamp.report.paper import About, Heard, Paper

LAYOUTS = load_layouts()


def heard(frames: Iterable[Frame], until_ns: int | None = None, engine_address: int = 0, **more: Any) -> Heard:
    """What there is to report of after the frames, and then nothing until `until_ns`. more: parts of `Heard`."""
    ordered = list(frames)
    history, nodes, latest = History(engine_address=engine_address), Nodes(), LatestValues(LAYOUTS.groups)
    if ordered:
        block = FrameBlock.from_frames(ordered)
        for one in (history, nodes, latest):
            one.feed_block(block)
    at_ns = history.end_ns if until_ns is None else until_ns
    if at_ns is not None:
        history.advance(at_ns)
    parts: dict[str, Any] = {"names": SpnNames(), **more}
    return Heard(history, nodes, latest, LAYOUTS, at_ns, **parts)


def paper(frames: Iterable[Frame], until_ns: int | None = None, about: About | None = None, **more: Any) -> Paper:
    """The paper of the same."""
    return gather(heard(frames, until_ns, **more), about or About())


def parsed(page: str) -> Element:
    """The page by html5lib, which raises ParseError where the HTML standard calls something a parse error."""
    tree: Element = HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)
    return tree


def words(element: Element) -> str:
    """All text in it, each run of blanks as one."""
    return " ".join("".join(element.itertext()).split())


def found(tree: Element, tag: str, **attributes: str) -> Iterator[Element]:
    """Elements of a kind with these attributes; `class_` stands for class."""
    for one in tree.iter(tag):
        if all(one.get(name.rstrip("_").replace("_", "-")) == value for name, value in attributes.items()):
            yield one


def section(tree: Element, heading: str) -> Element:
    """The section under a heading."""
    return next(one for one in tree.iter("section") if any(words(title) == heading for title in one.iter("h2")))


def rows(element: Element) -> list[list[str]]:
    """The cells of its first table's body."""
    return [[words(cell) for cell in row.iter("td")] for body in list(element.iter("tbody"))[:1]
            for row in body.iter("tr")]


def write_log(path: Path, frames: Iterable[Frame]) -> Path:
    """The frames as a candump log."""
    path.write_text("".join(f"{format_candump_line(one)}\n" for one in frames))
    return path
