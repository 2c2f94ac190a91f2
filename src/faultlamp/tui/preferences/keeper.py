"""Brings back what was chosen for a machine before, as soon as it is known which machine it is, and keeps changes.

Rule: until then the choices of `any machine` hold. When a machine is recognised, even minutes later, its choices
take their place, unless the user has changed something meanwhile: then that holds, for this machine too. The choices
of a machine that is new are those that are on the screen. Another machine on the same screen starts anew.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from faultlamp.tui.board import Board
from faultlamp.tui.preferences.document import ANY_MACHINE
from faultlamp.tui.preferences.machine import machine_key
from faultlamp.tui.preferences.store import Store


@contextmanager
def keeping(folder: Path | None) -> Iterator[Keeper]:
    """A keeper that remembers in the folder, None: not at all; at the end all of it is written."""
    store = None if folder is None else Store(folder)
    try:
        yield Keeper(store)
    finally:
        if store is not None:
            store.close()


class Keeper:
    """store: where things are remembered; None: nowhere, for the length of one session only."""

    def __init__(self, store: Store | None = None) -> None:
        self._store = store
        self.theme = store.remembered.theme if store else ""
        self.machine: str | None = None
        self._kept = 0
        self._touched = False

    def begin(self, board: Board) -> None:
        """What holds before the machine is known."""
        if self._store and (choices := self._store.remembered.machines.get(ANY_MACHINE)):
            board.choices = choices

    def follow(self, board: Board) -> list[str]:
        """Look whether the machine is known by now and whether the user changed anything; what to tell."""
        news = []
        self._keep_changes(board)
        history = board.job.history
        key = machine_key(history.identities, history.engine_address, board.job.engine_name.name)
        if key is not None and key != self.machine and not (key.startswith("NAME") and self._by_vin):
            if self.machine is not None and not (self.machine.startswith("NAME") and key.startswith("VIN")):
                self._touched = False
            self.machine = key
            if self._touched:
                self._remember(board)
            elif self._store and (choices := self._store.remembered.machines.get(key)) not in (None, board.choices):
                board.choices = choices
                news.append(f"Readings as last chosen for {key}.")
        return news

    def problems(self) -> list[str]:
        """What went wrong with the file since the last call, a line each."""
        return self._store.take_problems() if self._store else []

    def keep_theme(self, theme: str) -> None:
        """The user wants this theme."""
        self.theme = theme
        if self._store:
            self._store.update("theme", lambda known: replace(known, theme=theme))

    @property
    def greets(self) -> bool:
        """This person has not seen the hint for the first time; where nothing is remembered nobody is asked."""
        return self._store is not None and not self._store.remembered.greeted

    def keep_greeted(self) -> None:
        """The hint was shown."""
        if self._store:
            self._store.update("greeted", lambda known: replace(known, greeted=True))

    @property
    def _by_vin(self) -> bool:
        return self.machine is not None and self.machine.startswith("VIN")

    def _keep_changes(self, board: Board) -> None:
        if board.chosen != self._kept:
            self._kept = board.chosen
            self._touched = True
            self._remember(board)

    def _remember(self, board: Board) -> None:
        if self._store:
            machine, choices = self.machine or ANY_MACHINE, board.choices
            self._store.update(machine, lambda known: known.with_machine(machine, choices))
