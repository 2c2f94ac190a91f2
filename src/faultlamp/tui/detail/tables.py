"""The tables that a user brings along: names of parameters, and the maker's own codes."""

from __future__ import annotations

from dataclasses import dataclass, field

from faultlamp.knowledge.crosswalk import Crosswalk
from faultlamp.knowledge.spn_table import SpnNames


@dataclass(frozen=True, slots=True)
class UserTables:
    """names: the user's before the shipped ones. crosswalk: to the maker's codes, None without one."""

    names: SpnNames = field(default_factory=SpnNames)
    crosswalk: Crosswalk | None = None
