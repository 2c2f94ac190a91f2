"""The page as markup: whatever came off the bus or out of a file stays text, and nothing leaves the page.

Parsing is html5lib's, an implementation of the WHATWG HTML standard's parsing section, in its strict mode.
"""

import base64
import hashlib
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.cli.main import main
from faultlamp.frames import Frame
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.j1939.reports.identity import VIN_PGN
from faultlamp.j1939.segmentation import broadcast
from faultlamp.knowledge.crosswalk import Crosswalk, CrosswalkRow
from faultlamp.knowledge.spn_table import SpnNames
from faultlamp.report.page import MOST_BYTES, page
from faultlamp.report.paper import About, Moment, SourceFile
from faultlamp.text import printable
from support.hostile import fuzzing, hostile_frames
from support.papers import found, paper, parsed, section, words
from support.wire import ns
from tui.scene import AMBER, COOLANT_HIGH, dm1, pump_job, second

# WHATWG HTML, section 13.1.2.6 and 13.1.4: what could end a text, an attribute value, a comment or a raw text element.
HOSTILE = (
    "<script>alert(1)</script>", "</title><img src=x onerror=alert(1)>", "\" onload=\"alert(1)", "' x='", "-->", "]]>",
    "</style>", "&lt;b&gt;", "&#0;", "{{ 7*7 }}", "{% raw %}", "a\x00b\x1b[31m", "\u202egnp.exe", "\ud800", "\r\n",
)
LOADS = {"script", "link", "img", "image", "iframe", "object", "embed", "form", "base", "video", "audio", "source", "a",
         "use", "foreignObject", "applet", "frame", "portal"}
REFERS = {"src", "href", "xlink:href", "srcset", "action", "formaction", "data", "poster", "background", "ping", "cite",
          "style"}


def check_closed(text: str) -> None:
    """Nothing in the page loads, runs or refers to anything."""
    tree = parsed(text)
    for one in tree.iter():
        if isinstance(one.tag, str):
            assert one.tag.rpartition("}")[2] not in LOADS
            assert not REFERS & {str(name) for name in one.attrib}
            assert not [name for name in one.attrib if str(name).startswith("on")]
    styles = list(tree.iter("style"))
    assert len(styles) == 1
    sheet = styles[0].text or ""
    assert not re.search(r"url\(|@import|expression|javascript", sheet, re.IGNORECASE)
    policy = next(found(tree, "meta", http_equiv="Content-Security-Policy")).get("content") or ""
    # Content Security Policy Level 3, sections 6.1 and 2.3.1: nothing but the style sheet with this hash.
    digest = base64.b64encode(hashlib.sha256(sheet.encode()).digest()).decode()
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    assert len(text.encode()) < MOST_BYTES


@pytest.mark.parametrize("name", ["pump-set", "quick-look", "kernel-j1939"])
def test_a_page_of_a_shipped_recording_is_whole(name: str, tmp_path: Path) -> None:
    """The strict parser accepts it, and no address is on it."""
    out = tmp_path / "page.html"
    assert main(["report", f"demo:{name}", "-o", str(out)]) == 0
    text = out.read_text()
    check_closed(text)
    assert "http" not in text.replace("http-equiv", "")
    assert "src=" not in text
    assert "url(" not in text


@pytest.mark.parametrize("text", HOSTILE, ids=[repr(text) for text in HOSTILE])
def test_hostile_text_stays_text(text: str) -> None:
    """From every place at which strangers' text comes in, it comes out of the parser as it was, made printable."""
    frames = [
        *pump_job(30),
        *[Frame(ns(31 + place), "can0", can_id, data)
          for place, (can_id, data) in enumerate(broadcast(VIN_PGN, 0, f"{text}*".encode("latin-1", "replace")))],
    ]
    row = CrosswalkRow(2, 110, 3, Lamp.AMBER_WARNING, text or "?", text, "", "")
    about = About(text, text, text, [text], [Moment(ns(3), text)])
    made = page(paper(
        [Frame(one.time_ns, f"can{text}", one.can_id, one.data, one.flags) for one in frames]
        + [Frame(ns(40), "other", 0x18FECA00, bytes(8))],
        about=about, names=SpnNames({110: text}), crosswalk=Crosswalk(text, [row]), files=[SourceFile(text)],
    ))
    check_closed(made)
    tree = parsed(made)
    wanted = " ".join(printable(text, longest=1000).split())
    assert words(next(tree.iter("title"))) == words(next(tree.iter("h1"))) == wanted
    assert wanted in words(section(tree, "Notes"))
    assert sum(words(one) == wanted for one in tree.iter("dd")) == 4  # customer, technician, mark, crosswalk's name
    fault = next(found(tree, "tr", data_spn="110"))
    assert fault.get("data-channel") == printable(f"can{text}")
    assert words(fault).count(wanted) >= 3  # parameter, code, its title


TEXTS = st.text(st.characters(), max_size=60)


@given(TEXTS, TEXTS, TEXTS, st.lists(TEXTS, max_size=3))
@fuzzing
def test_any_text_is_accepted(title: str, name: str, code: str, notes: list[str]) -> None:
    """Whatever letters there are, the page parses strictly and gives the title back."""
    row = CrosswalkRow(2, 110, 3, None, code, code, "", "")
    made = page(paper(
        pump_job(12), about=About(title, name, name, notes), names=SpnNames({110: name} if name else {}),
        crosswalk=Crosswalk(code, [row]),
    ))
    check_closed(made)
    assert "".join(next(parsed(made).iter("title")).itertext()) == printable(title or "Fault report", longest=1000)


@given(hostile_frames())
@fuzzing
def test_any_traffic_gives_a_page(frames: list[Frame]) -> None:
    """Whatever is sent on a bus, there is a page, it parses strictly and has a row for each fault."""
    made = paper(frames)
    text = page(made)
    check_closed(text)
    assert len(list(found(parsed(text), "table", class_="rows faults"))) == bool(made.faults)


def test_a_page_of_many_faults_is_bounded() -> None:
    """3,000 faults with the longest names and codes: 2,000 rows, 40 lanes, and the rest is counted."""
    codes = [spn.to_bytes(2, "little").hex() + "0301" for spn in range(1, 251)]
    frames = [one for source in range(12) for one in dm1(1, AMBER, *codes, source=f"{source:02X}")]
    names = SpnNames(dict.fromkeys(range(1, 251), '"' * 120))
    crosswalk = Crosswalk("own.csv", [
        CrosswalkRow(line, spn, 3, None, '"' * 60, '"' * 300, "", "")
        for spn in range(1, 251) for line in range(6)
    ])
    frames.sort(key=lambda one: one.time_ns)
    made = paper(frames, names=names, crosswalk=crosswalk, about=About(notes=['"' * 5000] * 500))
    text = page(made)
    assert len(made.faults) == 2000
    assert made.faults_left_out.startswith("1,000 more faults are not in this table")
    assert made.timeline is not None
    assert len(made.timeline.lanes) == 40
    assert made.timeline.left_out.startswith("2,960 further faults")
    check_closed(text)
    assert "and 300 more lines of notes" in text


def test_the_empty_page() -> None:
    """Without a frame it says so, and makes no claim about faults."""
    tree = parsed(page(paper([])))
    assert words(next(found(tree, "div", class_="verdict"))) == (
        "? Nothing was recorded, so nothing is known about the machine."
    )
    assert not list(tree.iter("svg"))


def linear(color: str) -> float:
    """Relative luminance of `#rrggbb`: WCAG 2.2, definition of relative luminance."""
    parts = [int(color[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    light, dark = sorted((linear(one), linear(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_colours_can_be_told_apart() -> None:
    """On a light screen, a dark one and paper: text 4.5:1 (WCAG 2.2, 1.4.3), bars and rules 3:1 (1.4.11)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    sheet = next(parsed(page(paper([]))).iter("style")).text or ""
    blocks = re.findall(r":root \{(.*?)\}", sheet, re.DOTALL)
    looks = [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block)) for block in blocks]
    assert len(looks) == 3
    for look in looks:
        for ink, ground in (("ink", "ground"), ("soft", "ground"), ("ink", "panel"), ("soft", "panel"),
                            ("grave-ink", "grave-ground")):
            assert contrast(look[ink], look[ground]) >= 4.5, (ink, ground)
        for sign in ("bar", "line"):
            assert contrast(look[sign], look["ground"]) >= 3, sign
    # Every colour is one of those.
    assert set(re.findall(r"#[0-9a-f]{3,8}\b", sheet)) == {color for look in looks for color in look.values()}


def test_the_picture_needs_no_colour() -> None:
    """Each lane has its words, its shape and, at the end of the last bar, the sign that says how it ended."""
    frames = pump_job(30) + [one for at in range(30, 45) for one in dm1(at, "00FF", source="3D")]
    def lanes(frames: list[Frame]) -> list[str]:
        tree = parsed(page(paper(frames)))
        return [words(one) for one in tree.iter() if str(one.tag).rpartition("}")[2] == "g"]

    silent = lanes(frames)
    assert silent[0] == "Key: thin line key on, thick bar the engine ranKey"
    assert silent[2] == "SPN 110 FMI 3, engine 1 (0): not known: its controller fell silent◌ 110/3 engine 1 (0)?"
    assert lanes(pump_job(30))[1] == "SPN 110 FMI 3, engine 1 (0): active● 110/3 engine 1 (0)▸"


def test_a_fault_that_the_user_knows_better() -> None:
    """The crosswalk's rows of a pair, the one for the lamp that is asked for first, each with its reason."""
    crosswalk = Crosswalk("own.csv", [
        CrosswalkRow(2, 110, 3, Lamp.RED_STOP, "INVENTED-9", "stop", "", ""),
        CrosswalkRow(3, 110, 3, Lamp.AMBER_WARNING, "INVENTED-1", "warning", "", ""),
    ])
    frames = [one for at in range(12) for one in second(at, lamps=AMBER, codes=[COOLANT_HIGH])]
    fault = next(found(parsed(page(paper(frames, crosswalk=crosswalk))), "tr", data_spn="110"))
    text = words(fault)
    assert text.index("INVENTED-1 warning for the amber warning lamp, which is asked for") < text.index("INVENTED-9")
