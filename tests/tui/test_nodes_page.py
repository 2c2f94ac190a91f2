"""The page of who is on the bus: who, since when, how often, faults, NAME; who is missing and who shares an address."""

import pytest

from faultlamp.frames import Frame
from faultlamp.j1939.address import INDUSTRY_GROUPS, Name
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.nodes.page import NodesPage, name_words, node_lines
from faultlamp.tui.nodes.roster import roster
from support.wire import frame, ns
from tui.scene import AMBER, COOLANT_HIGH, LAYOUTS, NO_LAMPS, StillFeed, dm1, job_of, pump_job, rpm

# SPN 2011: the node at address 11; SPN 639: the network; both FMI 9, abnormal update rate (SAE J1939-71 and -73).
BRAKES_MISSED = "DB070901"
NETWORK = "7F020901"


def unit(function: int = 0, group: int = 5, number: int = 7) -> Name:
    """An invented unit."""
    return Name(
        identity_number=number, manufacturer_code=2047, ecu_instance=1, function_instance=2, function=function,
        vehicle_system=3, vehicle_system_instance=0, industry_group=group, arbitrary_address_capable=True,
    )


def claim(seconds: float, address: int, name: Name) -> Frame:
    """Address claimed, PGN 60928 (SAE J1939-81)."""
    return frame(seconds, f"18EEFF{address:02X}", name.to_bytes().hex())


def bus(until: int = 20) -> list[Frame]:
    """Engine with a NAME, all the time; brakes (11) until 5 s, after which the engine misses them."""
    frames = [claim(0, 0, unit())]
    for at in range(until):
        frames += [rpm(at + tenth / 10, 800) for tenth in range(10)]
        frames += dm1(at + 0.05, AMBER if at > 10 else NO_LAMPS, *[BRAKES_MISSED] * (at > 10))
        if at < 5:
            frames += dm1(at + 0.5, NO_LAMPS, source="0B")
    return frames


def page(frames: list[Frame], now_s: float, width: int = 77) -> str:
    """The page as text, every row within the width."""
    lines = node_lines(job_of(frames, now_s), ns(now_s), width)
    assert max(len(row.text) for row in lines) <= width
    return "\n".join(row.text.rstrip() for row in lines)


def test_who_talks_and_who_is_missing() -> None:
    """The missing one comes first, with who complains about it; then who talks, with rate, faults, lamp and NAME."""
    text = page(bus(), 20)
    assert text.splitlines()[0] == "WHO IS ON THE BUS  2 nodes heard, 1 missing"
    rows = [" ".join(row.split()) for row in text.splitlines()]
    assert rows[3].startswith("✕ 11 Brakes")
    assert rows[4:6] == ["controller", "SILENT for 15 s; it was heard before"]
    complaint = "engine 1 complains: SPN 2011 FMI 9, Source Address 11: abnormal update rate"
    assert complaint in " ".join(text.split())
    engine = next(row for row in rows if row.startswith("0 Engine 1"))
    assert engine == "0 Engine 1 11 <1 s ago 1 AMBER"
    assert "NAME: engine, instance 2, ECU 1, industrial" in text


@pytest.mark.parametrize("width", [37, 57, 63, 77, 117])
def test_nothing_is_cut_in_a_narrow_window(width: int) -> None:
    """Name, rate, age, faults and lamp of each node are whole words, in columns or below the name."""
    rows = page(bus(), 20, width).splitlines()
    assert "…" not in "".join(rows)
    text = " ".join(" ".join(rows).split())
    for said in ("11 Brakes, system", "SILENT for 15 s", "15 s ago", "0 Engine 1", "<1 s ago", "AMBER"):
        assert said in text
    assert ("Frames/s" in text) == (width > 75)
    if width < 75:
        assert "0 Engine 1 11 frames/s heard <1 s ago 1 active lamp AMBER" in text


def test_one_that_was_never_heard_but_is_expected() -> None:
    """SPN 2000 + address names it."""
    text = page([rpm(1, 800), *dm1(2, AMBER, BRAKES_MISSED)], 3)
    assert "1 node heard, 1 missing" in text
    assert "NEVER HEARD here, but others expect it" in text
    assert "never" in text


def test_complaints_about_the_network() -> None:
    """SPN 639 names no node."""
    text = page([rpm(1, 800), *dm1(2, AMBER, NETWORK)], 3)
    assert "Engine 1 complains: SPN 639 FMI 9, " in text
    assert "missing" not in text.splitlines()[0]


@pytest.mark.parametrize(
    ("interval_s", "heard", "passed_s", "missing"),
    [
        pytest.param(1, 5, 4.9, False, id="not yet"),
        pytest.param(1, 5, 5.1, True, id="five seconds"),
        pytest.param(10, 5, 49, False, id="one that is rare"),
        pytest.param(10, 5, 51, True, id="five of its intervals"),
        pytest.param(1, 1, 900, False, id="once is not regularly"),
    ],
)
def test_when_a_node_is_missing(interval_s: int, heard: int, passed_s: float, missing: bool) -> None:
    """Silent for five seconds and five of its own intervals."""
    frames = [rpm(at * interval_s, 800) for at in range(heard)]
    now_s = (heard - 1) * interval_s + passed_s
    [entry] = roster(job_of(frames, now_s), ns(now_s)).entries
    assert entry.missing is missing


def test_an_address_conflict_is_said_here_and_in_the_status_line() -> None:
    """Two NAMEs at one address (SAE J1939-81); none once one of them moves on."""
    frames = [claim(0, 0, unit(number=1)), claim(1, 0, unit(number=2)), rpm(2, 800)]
    assert "ADDRESS CONFLICT: 2 nodes claim it" in page(frames, 3)
    board = Board(StillFeed(frames, 3), LAYOUTS, {})
    board.tick()
    assert "1 address conflict" in board.status(160).text
    assert "1 addr" in board.status(80).text
    assert "CONFLICT" not in page([*frames, claim(2.5, 200, unit(number=2))], 3)


def test_a_quiet_and_an_empty_bus_say_what_to_do() -> None:
    """Key, connector, the doctor."""
    assert "Nobody talks now: is the key off?" in page(bus(5), 40)
    assert "`faultlamp doctor`" in page([], 0)
    lost = node_lines(job_of(bus(), 20), ns(40), 77, trouble="bus lost 3 s ago")
    assert "Nothing can be heard now: bus lost 3 s ago" in lost[1].text


@pytest.mark.parametrize("group", range(8))
def test_a_name_in_words(group: int) -> None:
    """Functions 0 and 9, and one without a word; industry groups of SAE J1939-81."""
    word = INDUSTRY_GROUPS[group] if group < 6 else "reserved"
    assert name_words(unit(group=group)) == (
        f"NAME: engine, instance 2, ECU 1, {word}, vehicle system 3, maker code 2047, identity number 7, can take "
        "another address"
    )
    assert "NAME: brake system controller," in name_words(unit(9))
    assert "NAME: function 200," in name_words(unit(200))
    assert "NAME: function not told," in name_words(unit(255))


def test_a_hostile_crowd_is_bounded() -> None:
    """All 256 addresses on four channels; the page ends and says that there are more."""
    frames = [frame(at / 1000, f"18FEEE{at % 256:02X}", "FF" * 8, channel=f"can{at % 4}\x1b") for at in range(2048)]
    frames += [
        frame(3 + at / 1000, f"18FEEE{at % 256:02X}", "FF" * 8, channel=f"vcan{at // 256}") for at in range(1024)
    ]
    text = page(frames, 4)
    assert "more" in text
    assert "\x1b" not in text


@pytest.mark.parametrize("size", [(40, 12), (80, 24), (160, 48)])
async def test_b_opens_the_page_and_esc_leads_back(size: tuple[int, int]) -> None:
    """It is up to date while it is open."""
    feed = StillFeed(pump_job(5), 5)
    app = DashboardApp(Board(feed, LAYOUTS, {}))
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        app.tick()
        await pilot.press("b")
        await pilot.pause()
        assert isinstance(app.screen, NodesPage)
        canvas = app.screen.query_one("#page", Canvas)
        assert "2 nodes heard" in canvas.lines[0].text + canvas.lines[1].text
        feed.now_s = 30
        app.tick()
        assert "2 missing" in canvas.lines[0].text + canvas.lines[1].text
        await pilot.press("escape")
        assert isinstance(app.screen, Dashboard)


def test_a_node_that_reports_a_fault() -> None:
    """Without a DM1 nothing is known of faults."""
    text = page([*dm1(1, AMBER, COOLANT_HIGH), frame(1, "18FEEE03", "FF" * 8)], 2)
    rows = [row.split() for row in text.splitlines()]
    assert next(row for row in rows if row[:1] == ["0"])[-2:] == ["1", "AMBER"]
    assert next(row for row in rows if row[:1] == ["3"])[-2:] == ["-", "-"]
