"""The looks of the dashboard: dark, light for a bright bay, high contrast.

Rule: WCAG 2.1, success criterion 1.4.3: text has a contrast of 4.5:1 to what lies under it, in the high-contrast look
7:1 (1.4.6). Stop, warning and calm differ from one another also for eyes without one of the three kinds of cones.
Colour only repeats what words and shapes say; so a terminal of 16 colours, or none, loses nothing.
"""

from __future__ import annotations

from textual.theme import Theme

DARK = Theme(
    name="dark",
    primary="#8fb8d8",
    secondary="#a9b7a0",
    accent="#d8c48f",
    warning="#e6a23c",
    error="#e0524a",
    success="#4fa3d8",
    foreground="#e8e6df",
    background="#12140f",
    surface="#181a15",
    panel="#23261f",
    dark=True,
    variables={
        "text-success": "#7cc4f0", "text-muted": "#b6b3aa", "text-disabled": "#a9a7a1",
        "block-cursor-foreground": "#12140f",
    },
)
LIGHT = Theme(
    name="light",
    primary="#3b3b6d",
    secondary="#4d5a44",
    accent="#7a5c00",
    warning="#8a5a00",
    error="#a00020",
    success="#004e8c",
    foreground="#1b1c17",
    background="#f7f5ee",
    surface="#efede4",
    panel="#e3e0d3",
    dark=False,
    variables={
        "foreground-darken-3": "#50514a", "text-accent": "#4a4326", "text-error": "#900030",
        "text-warning": "#6b5a00", "text-success": "#004e8c", "text-primary": "#3b3b6d", "text-muted": "#50514a",
        "text-disabled": "#5a5b52", "block-cursor-foreground": "#ffffff", "block-cursor-background": "#3b3b6d",
    },
)
HIGH_CONTRAST = Theme(
    name="high contrast",
    primary="#ffffff",
    secondary="#ffffff",
    accent="#ffffff",
    warning="#ffe14d",
    error="#ff9e8c",
    success="#7fd4ff",
    foreground="#ffffff",
    background="#000000",
    surface="#000000",
    panel="#1f1f1f",
    dark=True,
    variables={
        "foreground-darken-3": "#e6e6e6", "text-accent": "#ffffff", "text-error": "#ff9e8c",
        "text-warning": "#ffe14d", "text-success": "#7fd4ff", "text-primary": "#d9c7ff", "text-muted": "#ffffff",
        "text-disabled": "#e6e6e6", "block-cursor-foreground": "#000000", "block-cursor-background": "#ffe14d",
        "scrollbar": "#ffffff", "scrollbar-background": "#1f1f1f", "input-selection-background": "#5c4f00",
    },
)
THEMES = (DARK, LIGHT, HIGH_CONTRAST)
"""In the order in which the key goes through them; the first is the one to begin with."""


def theme_after(name: str) -> Theme:
    """The next one; the first after the last, and after one that is not ours."""
    names = [theme.name for theme in THEMES]
    return THEMES[(names.index(name) + 1) % len(THEMES)] if name in names else THEMES[0]
