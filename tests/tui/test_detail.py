"""The page of one fault: the first screenful answers what it is and what first; the rest is there, in order.

Meanings are those of SAE J1939-73, appendix A (from memory); causes and steps are common practice without a source.
The crosswalk is invented.
"""

from pathlib import Path

import pytest

from faultlamp.knowledge.crosswalk import load_crosswalk
from faultlamp.knowledge.explanation import explanation
from faultlamp.knowledge.spn_table import SpnNames
from faultlamp.tui.board import Board
from faultlamp.tui.detail.advice import codes_lines, steps_lines
from faultlamp.tui.detail.screen import DetailPage, asked_for
from faultlamp.tui.detail.tables import UserTables
from tui.scene import AMBER, LAYOUTS, NO_LAMPS, StillFeed, dm1, pump_job

CODES = (
    "spn,fmi,lamp,code,title,link,clears_after\n"
    "110,3,amber_warning,INVENTED-A,Warning,,3 good starts\n"
    "110,3,red_stop,INVENTED-R,Stop,https://example.org/" + "x" * 120 + ",\n"
    "110,3,,INVENTED-N,Any,,\n"
)


def page(board: Board, width: int = 77) -> list[str]:
    """The page of the first lane as plain rows."""
    board.tick()
    detail = DetailPage(board)
    detail.key = board.lanes[0].key
    return [row.text.rstrip() for row in detail.page(width)]


def pump(tables: UserTables | None = None, now_s: float = 30) -> Board:
    """The invented pump set: coolant sensor too high from 10 s on, red and amber asked for at the end."""
    return Board(StillFeed(pump_job(30), now_s), LAYOUTS, {}, tables=tables)


@pytest.fixture
def crosswalk(tmp_path: Path) -> UserTables:
    """Three rows for one pair."""
    path = tmp_path / "codes.csv"
    path.write_text(CODES)
    return UserTables(crosswalk=load_crosswalk(path))


def test_the_first_screenful_says_what_it_is_and_what_first() -> None:
    """23 rows: code, name, meaning, state, sender, lamps, the first step with its parts, the likeliest causes."""
    first = "\n".join(page(pump())[:23])
    for fact in (
        "SPN 110 FMI 3  Engine Coolant Temperature 1", "Voltage above normal, or shorted to high source",
        "● active", "Engine 1 (source address 0) on can0; 1 time", "■ red stop lamp on", "START HERE",
        "the maker's manual decides", " 1. ", "good    ", "USUAL CAUSES, the likeliest first", "Connector off",
    ):
        assert fact in first


@pytest.mark.parametrize("width", [40, 77, 157])
def test_no_row_is_wider_than_the_page(width: int, crosswalk: UserTables) -> None:
    """Links too: they go on in the next row, whole."""
    rows = page(pump(crosswalk), width)
    assert max(map(len, rows)) <= width
    joined = "".join(row.strip() for row in rows)
    assert "https://example.org/" + "x" * 120 in joined


def test_codes_are_ranked_by_the_lamps_of_the_controller(crosswalk: UserTables) -> None:
    """Red before amber, then the row for any lamp; each with its reason; the best stands at the top of the page."""
    rows = page(pump(crosswalk))
    flat = " ".join(" ".join(rows).split())
    assert "Maker's code: INVENTED-R Stop, for the red stop lamp, which is asked for. 2 other codes below." in flat
    part = flat[flat.index("THE MAKER'S CODES") :]
    assert part.index("1. INVENTED-R") < part.index("2. INVENTED-A") < part.index("3. INVENTED-N")
    assert "its row names no lamp" in part
    assert "clears after: 3 good starts" in part
    assert "a hint, no proof" in part


def test_codes_of_a_fault_that_is_not_active_are_not_ranked(crosswalk: UserTables) -> None:
    """Lamps that are asked for now are about other faults."""
    board = Board(
        StillFeed([*pump_job(30), *dm1(31, AMBER, "64000105"), *dm1(32, AMBER, "64000105")], 32), LAYOUTS, {},
        tables=crosswalk,
    )
    board.tick()
    lane = next(lane for lane in board.lanes if lane.fault.spn == 110)
    assert asked_for(lane) is None
    detail = DetailPage(board)
    detail.key = lane.key
    flat = " ".join(" ".join(row.text for row in detail.page(77)).split())
    assert "Not ranked: the fault is not active now." in flat
    assert all(code in flat for code in ("INVENTED-A", "INVENTED-R", "INVENTED-N"))


def test_a_crosswalk_without_the_pair_says_so(tmp_path: Path) -> None:
    """Not silence."""
    path = tmp_path / "codes.csv"
    path.write_text("spn,fmi,lamp,code,title\n1,1,,A,B\n")
    text = "\n".join(page(pump(UserTables(crosswalk=load_crosswalk(path)))))
    assert "has no row for this SPN and FMI." in text


def test_hostile_cells_are_harmless(tmp_path: Path) -> None:
    """Escape sequences in a user's table do not reach the terminal."""
    path = tmp_path / "codes.csv"
    path.write_text("spn,fmi,lamp,code,title\n110,3,,\x1b[31mA,\x1b]0;B\x07\n")
    text = "\n".join(page(pump(UserTables(crosswalk=load_crosswalk(path)))))
    assert "\x1b" not in text
    assert "\x07" not in text
    assert "·[31mA" in text


def test_every_step_is_numbered_and_its_cautions_stand_before_it() -> None:
    """In order, none left out, for each failure mode of a sensor with two wires."""
    for fmi in range(32):
        explained = explanation(110, fmi)
        text = [" ".join(row.text.split()) for row in steps_lines(explained, 400)]
        place = text.index("TEST IN THIS ORDER common practice, no source: the maker's manual decides")
        for number, step in enumerate(explained.steps, 1):
            begin = next(at for at, row in enumerate(text) if at > place and row.startswith(f"{number}. "))
            wanted = [*(f"! {caution}" for caution in step.cautions), step.do]
            wanted[0] = f"{number}. {wanted[0]}"
            assert text[begin : begin + len(wanted)] == wanted
            place = begin


def test_all_codes_are_shown_with_their_rank(crosswalk: UserTables) -> None:
    """Without a lamp to go by nothing is hidden and nothing is ranked."""
    explained = explanation(110, 3, None, crosswalk=crosswalk.crosswalk)
    text = "\n".join(row.text for row in codes_lines(explained, True, 77))
    assert text.count(" -  INVENTED") == 3
    assert "Not ranked: nobody knows which lamp its controller asks for now." in text


def test_names_of_the_users_table_are_everywhere() -> None:
    """On the lanes, below them, and on the page; and where the name comes from."""
    tables = UserTables(SpnNames({520200: "Suction Side Dry"}))
    code = ((520200 & 0xFFFF) | (520200 >> 16) << 21 | 31 << 16 | 1 << 24).to_bytes(4, "little").hex()
    board = Board(StillFeed([*dm1(1, NO_LAMPS), *dm1(2, AMBER, code)], 3), LAYOUTS, {}, tables=tables)
    rows = page(board)
    assert rows[0] == "SPN 520200 FMI 31  Suction Side Dry"
    assert "The name comes from your own table." in "\n".join(rows)
    band = "\n".join(row.text for row in board.lanes_band(120, 12))
    assert "520200/31" in band
    assert band.count("Suction Side Dry") == 2


def test_a_fault_not_reported_yet_is_said_so() -> None:
    """After a replay moved back."""
    board = pump()
    board.tick()
    detail = DetailPage(board)
    detail.key = board.lanes[0].key._replace(spn=1)
    assert [row.text for row in detail.page(77)] == ["SPN 1 FMI 3 has not been reported yet at this moment."]
