"""Lines fit exactly, also with characters that are two cells wide."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from faultlamp.stamps import elapsed
from faultlamp.tui.paint import Piece, Role, fit, fit_line, flow, line, wrap
from faultlamp.tui.times import age, length, moment

S = 1_000_000_000


@pytest.mark.parametrize(
    ("text", "width", "fitted"),
    [
        pytest.param("oil", 5, "oil  ", id="filled"),
        pytest.param("oil", 3, "oil", id="exact"),
        pytest.param("coolant", 5, "cool…", id="cut"),
        pytest.param("oil", 0, "", id="no room"),
        pytest.param("油压力", 4, "油 …", id="wide characters are not halved"),
    ],
)
def test_text_is_filled_or_cut(text: str, width: int, fitted: str) -> None:
    """Text takes exactly the cells it is given."""
    assert fit(text, width) == fitted


@given(st.lists(st.text(max_size=20), max_size=5), st.integers(1, 40))
def test_a_line_fits_exactly(texts: list[str], width: int) -> None:
    """Whatever the pieces, the row has the width of the screen."""
    assert cell_len(fit_line(line(*texts), width).text) == width


@given(st.text(max_size=200), st.integers(2, 40))
def test_wrapped_rows_are_never_too_long(text: str, width: int) -> None:
    """No row is longer than the width, and no word is lost."""
    rows = wrap(text, width)
    assert all(cell_len(row) <= width for row in rows)
    if all(cell_len(word) <= width for word in text.split()):
        assert " ".join(rows).split() == text.split()


def test_cells_flow_into_the_next_row() -> None:
    """What does not fit goes on below."""
    cells = [Piece("■ RED STOP on", Role.STOP), Piece("□ AMBER off", Role.DIM)]
    assert [row.text for row in flow(cells, 40, indent=10)] == ["■ RED STOP on  □ AMBER off"]
    assert [row.text for row in flow(cells, 30, indent=10)] == ["■ RED STOP on", "□ AMBER off"]


@pytest.mark.parametrize(
    ("nanoseconds", "words"),
    [(0, "0.0 s"), (-5, "0.0 s"), (400_000_000, "0.4 s"), (7 * S, "7 s"), (125 * S, "2 min 05 s"),
     (11_520 * S, "3 h 12 min")],
)
def test_lengths_in_words(nanoseconds: int, words: str) -> None:
    """Lengths read like speech."""
    assert length(nanoseconds) == words


def test_ages_below_a_second_do_not_flicker() -> None:
    """A fresh value is just that."""
    assert [age(1), age(S - 1), age(S)] == ["<1 s", "<1 s", "1 s"]


def test_moments_of_a_job_with_a_date_are_the_local_clock() -> None:
    """2023-11-14 22:13:20 UTC is 1700000000 (POSIX time)."""
    assert moment(1_700_000_003 * S, 1_700_000_000 * S) == "22:13:23"


def test_moments_of_a_job_without_a_date_count_from_its_start() -> None:
    """A recording that starts near zero has no date."""
    assert moment(100 * S, 17 * S) == "01:23"
    assert elapsed(3_723 * S) == "1:02:03"
