"""Commands to be found by a word of what they do: the same keys, in the words of the list of keys.

Rule: what can be found is what the keys of the screen do just now, and nothing else; each with its key beside it, so
that it is learnt on the way.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import partial
from typing import NamedTuple

from textual.command import CommandPalette, DiscoveryHit, Hit, Hits, Provider
from textual.content import Content
from textual.screen import Screen

from faultlamp.tui.key_line import key_name

# The toolkit's own ways to leave and to open this list.
_NOT_HERE = frozenset({"quit", "help_quit", "command_palette", "interrupt"})


class Command(NamedTuple):
    """One thing that can be done.

    words, short: what, as the list of keys and the row below say it. keys: which ones do it. action: of `node`.
    """

    words: str
    short: str
    keys: str
    action: str
    node: object


def commands_of(screen: Screen[object]) -> list[Command]:
    """What the keys of a screen do, each once, in their order."""
    found: dict[str, Command] = {}
    for active in screen.active_bindings.values():
        binding = active.binding
        if not active.enabled or not binding.tooltip or binding.action in _NOT_HERE:
            continue
        key = key_name(binding.key)
        known = found.get(binding.action)
        keys = key if known is None else f"{known.keys}, {key}"
        found[binding.action] = Command(binding.tooltip, binding.description, keys, binding.action, active.node)
    return list(found.values())


class KeyCommands(Provider):
    """Commands of the screen under the palette."""

    async def discover(self) -> Hits:
        """All of them, while nothing is typed."""
        for command in commands_of(self.screen):
            yield DiscoveryHit(_shown(command), self._run(command), text=command.words)

    async def search(self, query: str) -> Hits:
        """Those in whose words all that was typed is found; where there are none, those that come near."""
        matcher = self.matcher(query)
        words = query.casefold().split()
        commands = commands_of(self.screen)
        exact = [one for one in commands if all(word in f"{one.words} {one.short}".casefold() for word in words)]
        for command in exact or commands:
            near = matcher.match(command.words)
            if exact or near > 0:
                yield Hit(1 + near, _shown(command), self._run(command), text=command.words)

    def _run(self, command: Command) -> Callable[[], Awaitable[bool]]:
        return partial(self.app.run_action, command.action, command.node)  # type: ignore[arg-type]


class Palette(CommandPalette):
    """The line to type in and what was found."""

    DEFAULT_CSS = """
    Palette SearchIcon { display: none; }
    """

    def __init__(self) -> None:
        super().__init__(placeholder="type a word of what you want to do, Esc leaves", id="--command-palette")


def _shown(command: Command) -> Content:
    return Content(f"{command.words}  ({command.keys})")
