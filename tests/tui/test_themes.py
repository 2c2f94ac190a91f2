"""The looks: contrast by the published formula, colours that colour-blind eyes tell apart, a key that is remembered.

Contrast and relative luminance: WCAG 2.2, section 5 (definitions). Thresholds: success criteria 1.4.3 (4.5:1) and
1.4.6 (7:1). Colour vision without one kind of cones: Machado, Oliveira and Fernandes, "A Physiologically-based Model
for Simulation of Color Vision Deficiency", 2009, table 1, severity 1.0 (from memory). Difference of colours: CIE 1976
L*a*b* under D65, where about 2.3 is just noticeable.
"""

import itertools
from pathlib import Path
from typing import Any

import pytest
from rich.color import Color, ColorSystem
from rich.segment import Segment
from textual.color import Color as TextualColor
from textual.filter import Monochrome
from textual.pilot import Pilot
from textual.theme import Theme
from textual.widgets import OptionList

from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.paint import Role
from faultlamp.tui.preferences.keeper import keeping
from faultlamp.tui.themes import DARK, HIGH_CONTRAST, LIGHT, THEMES, theme_after
from tui.scene import LAYOUTS, StillFeed, pump_job

Rgb = tuple[float, float, float]
LEAST = {DARK.name: 4.5, LIGHT.name: 4.5, HIGH_CONTRAST.name: 7.0}
CONES = {
    "all": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "no red": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "no green": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "no blue": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}
CLEARLY_DIFFERENT = 20


def linear(color: str) -> Rgb:
    """Linear light of an sRGB colour `#rrggbb`."""
    parts = [int(color[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return red, green, blue


def contrast(one: str, other: str) -> float:
    """(L1 + 0.05) / (L2 + 0.05), the lighter above."""
    lights = [
        0.2126 * red + 0.7152 * green + 0.0722 * blue for red, green, blue in (linear(one), linear(other))
    ]
    return (max(lights) + 0.05) / (min(lights) + 0.05)


def lab(light: Rgb) -> Rgb:
    """L*, a*, b*."""
    red, green, blue = light
    ratios = (
        (0.4124 * red + 0.3576 * green + 0.1805 * blue) / 0.95047,
        0.2126 * red + 0.7152 * green + 0.0722 * blue,
        (0.0193 * red + 0.1192 * green + 0.9505 * blue) / 1.08883,
    )
    x, y, z = [ratio ** (1 / 3) if ratio > 216 / 24389 else (24389 / 27 * ratio + 16) / 116 for ratio in ratios]
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


def difference(one: str, other: str, cones: str) -> float:
    """How far apart two colours look to such eyes."""
    seen = []
    for color in (one, other):
        light = linear(color)
        red, green, blue = [
            min(max(sum(weight * part for weight, part in zip(row, light, strict=True)), 0), 1) for row in CONES[cones]
        ]
        seen.append(lab((red, green, blue)))
    return float(sum((a - b) ** 2 for a, b in zip(*seen, strict=True)) ** 0.5)


def colors(theme: Theme) -> dict[str, str]:
    """All colours of a theme by name."""
    return {**theme.to_color_system().generate(), **theme.variables}


# WCAG's extremes, and two greys known from its literature: #767676 just passes on white, #777777 just fails.
@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [("#000000", "#ffffff", 21.0), ("#ffffff", "#ffffff", 1.0), ("#767676", "#ffffff", 4.54),
     ("#777777", "#ffffff", 4.48), ("#ff0000", "#ffffff", 4.0)],
)
def test_the_formula_is_the_published_one(one: str, other: str, ratio: float) -> None:
    """Known pairs have their known contrast."""
    assert contrast(one, other) == pytest.approx(ratio, abs=0.005)
    assert all(sum(row) == pytest.approx(1, abs=1e-5) for rows in CONES.values() for row in rows)


def segments(app: DashboardApp) -> list[Segment]:
    """All that is drawn now."""
    found: list[Segment] = []
    for widget in (*app.screen.query(Canvas), *app.screen.query(OptionList)):
        for row in range(widget.size.height):
            found += widget.render_line(row)
    return found


async def drawn(pilot: Pilot[Any]) -> None:
    """The screen is up to date."""
    await pilot.pause()
    pilot.app.tick()  # type: ignore[attr-defined]
    await pilot.pause()


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
async def test_all_text_stands_out(theme: Theme) -> None:
    """Every piece of text on the dashboard and its pages, as drawn, has the contrast that its look promises."""
    app = DashboardApp(Board(StillFeed(pump_job(30), 30), LAYOUTS, {}))
    async with app.run_test(size=(100, 40)) as pilot:
        await drawn(pilot)
        app.theme = theme.name
        checked = 0
        for key in ("", "left", "enter", "escape", "r", "tab", "escape", "escape", "u", "escape", "question_mark"):
            if key:
                await pilot.press(key)
            await drawn(pilot)
            for text, style, _ in segments(app):
                if not text.strip() or style is None or style.color is None or style.bgcolor is None:
                    continue
                fore, back = (part.get_truecolor().hex for part in (style.color, style.bgcolor))
                assert contrast(fore, back) >= LEAST[theme.name], (key, text, fore, back)
                checked += 1
        assert checked > 500


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_every_role_stands_out_on_every_ground(theme: Theme) -> None:
    """Also where a scene does not show it; and on a terminal of 16 colours, whatever these are mapped to."""
    known = colors(theme)
    pairs = [
        (ink, ground)
        for ink in ("foreground", "foreground-darken-3", "text-accent", "text-error", "text-warning", "text-success",
                    "text-primary", "text-muted", "text-disabled")
        for ground in ("background", "surface", "panel")
    ]
    pairs += [
        ("background", "error"), ("foreground", "panel-lighten-1"),
        ("block-cursor-foreground", "block-cursor-background"),
    ]
    for ink, ground in pairs:
        assert contrast(known[ink][:7], known[ground][:7]) >= LEAST[theme.name], (ink, ground)
        few = [
            Color.parse(known[name][:7].lower()).downgrade(ColorSystem.STANDARD).get_truecolor().hex
            for name in (ink, ground)
        ]
        assert contrast(few[0], few[1]) >= 3, (ink, ground, few)


@pytest.mark.parametrize("cones", CONES)
@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_stop_warning_and_calm_differ_for_all_eyes(theme: Theme, cones: str) -> None:
    """No two of the three look alike, whichever kind of cones is missing."""
    known = colors(theme)
    for one, other in itertools.combinations(("text-error", "text-warning", "text-success"), 2):
        assert difference(known[one][:7], known[other][:7], cones) >= CLEARLY_DIFFERENT, (one, other)


def test_the_roles_of_this_test_are_all_there_are() -> None:
    """A new role must be looked at here too."""
    assert {*Role} == {
        Role.PLAIN, Role.STRONG, Role.DIM, Role.TITLE, Role.ALARM, Role.STOP, Role.WARN, Role.CALM, Role.HELD,
        Role.CURSOR, Role.PICKED,
    }


def test_the_key_goes_round() -> None:
    """Dark, light, high contrast, dark; from an unknown one to the first."""
    assert [theme_after(theme.name) for theme in THEMES] == [LIGHT, HIGH_CONTRAST, DARK]
    assert theme_after("no such theme") is DARK


async def test_the_key_changes_the_colours_and_they_are_remembered(tmp_path: Path) -> None:
    """`t` redraws everything in other colours; the next dashboard begins with them."""
    with keeping(tmp_path) as keeper:
        app = DashboardApp(Board(StillFeed(pump_job(30), 30), LAYOUTS, {}), keeper=keeper)
        async with app.run_test(size=(80, 24)) as pilot:
            await drawn(pilot)
            before = {str(style) for _, style, _ in segments(app)}
            await pilot.press("t")
            await drawn(pilot)
            assert app.theme == "light"
            assert {str(style) for _, style, _ in segments(app)}.isdisjoint(before)
    with keeping(tmp_path) as keeper:
        assert DashboardApp(Board(StillFeed([], None), LAYOUTS, {}), keeper=keeper).theme == "light"


async def test_without_colours_the_key_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """With NO_COLOR set it would look as if the key did nothing."""
    monkeypatch.setenv("NO_COLOR", "1")
    app = DashboardApp(Board(StillFeed(pump_job(3), 3), LAYOUTS, {}))
    async with app.run_test(size=(80, 24)) as pilot:
        await drawn(pilot)
        await pilot.press("t")
        assert [note.message for note in app._notifications] == [
            "Colours: light; not to be seen: this terminal shows no colours, or NO_COLOR is set."
        ]


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
async def test_all_text_stands_out_without_colours(theme: Theme, monkeypatch: pytest.MonkeyPatch) -> None:
    """With NO_COLOR set the toolkit turns colours into greys: words on a grey bar must not fade into it."""
    monkeypatch.setenv("NO_COLOR", "1")
    app = DashboardApp(Board(StillFeed(pump_job(30), 30), LAYOUTS, {}))
    app.theme = theme.name
    async with app.run_test(size=(100, 40)) as pilot:
        checked = 0
        for key in ("", "left", "enter", "escape", "x", "escape"):
            if key:
                await pilot.press(key)
            await drawn(pilot)
            for text, style, _ in Monochrome().apply(segments(app), TextualColor.parse("#000000")):
                if not text.strip() or style is None or style.color is None or style.bgcolor is None:
                    continue
                fore, back = (part.get_truecolor().hex for part in (style.color, style.bgcolor))
                assert contrast(fore, back) >= LEAST[theme.name], (key, text, fore, back)
                checked += 1
        assert checked > 200
