"""The compiled layouts are the DBC's, and only while the DBC is the one they were made from."""

from faultlamp.knowledge.compiled import PLACE, compiled, text_of
from faultlamp.knowledge.layouts import SHIPPED_DBC, load_layouts, read_dbc


def test_the_compiled_form_is_what_cantools_reads() -> None:
    """After a change of the DBC: python -m faultlamp.knowledge.compiled"""
    groups = read_dbc(SHIPPED_DBC)[0]
    dbc = SHIPPED_DBC.read_bytes()
    assert PLACE.read_text(encoding="utf-8") == text_of(groups, dbc)
    assert compiled(dbc) == groups
    assert load_layouts().groups == groups


def test_a_changed_dbc_makes_the_compiled_form_void() -> None:
    """One more byte, and cantools reads the DBC itself; other line ends do not matter."""
    dbc = SHIPPED_DBC.read_bytes()
    assert compiled(dbc + b" ") is None
    assert compiled(dbc.replace(b"\n", b"\r\n")) is not None
