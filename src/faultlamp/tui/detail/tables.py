"""The tables that a user brings along: names of parameters, and the maker's own codes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from faultlamp.knowledge.spn_table import SpnNames

if TYPE_CHECKING:
    from faultlamp.knowledge.crosswalk import Crosswalk


@dataclass(frozen=True, slots=True)
class UserTables:
    """names: the user's before the shipped ones. crosswalk: to the maker's codes, None without one."""

    names: SpnNames = field(default_factory=SpnNames)
    crosswalk: Crosswalk | None = None
