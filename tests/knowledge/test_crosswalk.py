"""A user's table to the maker's codes. All codes here are invented."""

import re
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.errors import DataFileError
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.knowledge.crosswalk import Crosswalk, load_crosswalk

HEAD = "spn,fmi,lamp,code,title,link,clears_after\n"
EXAMPLE = Path(__file__).parents[2] / "docs" / "crosswalk-example.csv"
RED, AMBER, MIL = Lamp.RED_STOP, Lamp.AMBER_WARNING, Lamp.MALFUNCTION_INDICATOR


def crosswalk(tmp_path: Path, content: str | bytes) -> Crosswalk:
    """The crosswalk of a file with this content."""
    path = tmp_path / "codes.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return load_crosswalk(path)


def found(table: Crosswalk, *lamps: Lamp) -> list[tuple[str, int | None]]:
    """Code and rank of the rows for SPN 110 FMI 3 when these lamps are asked for."""
    return [(ranked.row.code, ranked.rank) for ranked in table.look_up(110, 3, lamps)]


def test_the_example_is_right_and_invented() -> None:
    """What ships loads without a complaint, and every code says that it is invented."""
    table = load_crosswalk(EXAMPLE)
    assert table.skipped == ()
    assert len(table) == 10
    text = EXAMPLE.read_text(encoding="utf-8")
    assert text.startswith("# INVENTED")
    assert all(",INVENTED-" in line for line in text.splitlines()[2:])


SEVERAL = HEAD + "110,3,amber,A,,,\n110,3,,B,,,\n110,3,red,C,,,\n110,3,mil,D,,,\n110,3,red,E,,,\n110,4,red,F,,,\n"


@pytest.mark.parametrize(("lamps", "expected"), [
    ((RED,), [("C", 1), ("E", 1), ("B", 2), ("A", 3), ("D", 3)]),
    ((AMBER,), [("A", 1), ("B", 2), ("C", 3), ("D", 3), ("E", 3)]),
    ((AMBER, RED), [("C", 1), ("E", 1), ("A", 2), ("B", 3), ("D", 4)]),
    ((MIL,), [("D", 1), ("B", 2), ("A", 3), ("C", 3), ("E", 3)]),
    ((Lamp.PROTECT,), [(code, None) for code in "ABCDE"]),
    ((), [(code, None) for code in "ABCDE"]),
], ids=["red", "amber", "amber-and-red", "mil", "no-match", "no-lamp"])
def test_rows_are_ranked_by_the_lamp(tmp_path: Path, lamps: tuple[Lamp, ...], expected: list[object]) -> None:
    """Matching lamps first, the gravest before the others; then rows without a lamp; nothing is ever hidden."""
    assert found(crosswalk(tmp_path, SEVERAL), *lamps) == expected


def test_each_row_says_why(tmp_path: Path) -> None:
    """The reason names the row's lamp and whether it is asked for."""
    table = crosswalk(tmp_path, SEVERAL)
    reasons = {ranked.row.code: ranked.reason for ranked in table.look_up(110, 3, (RED,))}
    assert reasons["C"] == "for the red stop lamp, which is asked for"
    assert reasons["A"] == "for the amber warning lamp, which is not asked for"
    assert reasons["B"] == "its row names no lamp"
    assert {ranked.reason for ranked in table.look_up(110, 3, None)} >= {
        "for the red stop lamp; not known which is asked for"
    }


def test_an_unknown_pair_has_no_rows(tmp_path: Path) -> None:
    """Neither another FMI's rows nor an error."""
    assert crosswalk(tmp_path, SEVERAL).look_up(110, 5, (RED,)) == ()


ROW = "110,3,red,A1,Title,https://example.org/a,two starts"


@pytest.mark.parametrize("content", [
    pytest.param(f"{HEAD}{ROW}\n".encode(), id="plain"),
    pytest.param(f"\ufeff{HEAD}{ROW}\n".encode(), id="utf-8-mark"),
    pytest.param(f"{HEAD}{ROW}\n".replace("\n", "\r\n").encode(), id="crlf"),
    pytest.param(f"{HEAD}{ROW}\n".replace("\n", "\r").encode(), id="cr"),
    pytest.param(f"{HEAD}{ROW}".encode(), id="no-last-line-end"),
    pytest.param(f"{HEAD}{ROW}\n".replace(",", ";").encode(), id="semicolons"),
    pytest.param(f"sep=;\r\n{HEAD}{ROW}\r\n".replace(",", ";").encode(), id="separator-line"),
    pytest.param(f"{HEAD}{ROW}\n".replace(",", "\t").encode(), id="tabs"),
    pytest.param(f"{HEAD}{ROW}\n".encode("utf-16"), id="utf-16"),
    pytest.param(f"# a comment\n\n{HEAD}\n# another\n,,,,,,\n{ROW}\n".encode(), id="comments-and-empty-lines"),
    pytest.param(b'"SPN","Fmi","LAMP","code","Title","link","Clears after"\n' + ",".join(
        f'"{cell}"' for cell in ROW.split(",")).encode(), id="all-quoted"),
    pytest.param(b"clears_after,code,fmi,link,note,lamp,title,spn\ntwo starts,A1,3,https://example.org/a,x, Red-Stop ,"
                 b"Title,110\n", id="other-order-and-a-further-column"),
    pytest.param(f"{HEAD}{ROW},,,\n".encode(), id="empty-cells-at-the-end"),
])
def test_forms_of_the_same_table(tmp_path: Path, content: bytes) -> None:
    """However a spreadsheet writes it, the row is the same (quoting: RFC 4180)."""
    table = crosswalk(tmp_path, content)
    assert table.skipped == ()
    (ranked,) = table.look_up(110, 3, (RED,))
    row = ranked.row
    assert (row.lamp, row.code, row.title, row.link, row.clears_after) == (
        RED, "A1", "Title", "https://example.org/a", "two starts"
    )


def test_the_last_columns_may_be_missing(tmp_path: Path) -> None:
    """Neither link nor clears_after is needed, in the head or in a row."""
    table = crosswalk(tmp_path, "spn,fmi,lamp,code,title\n110,3,red,A1,Title\n")
    assert (table.skipped, found(table, RED)) == ((), [("A1", 1)])
    table = crosswalk(tmp_path, f"{HEAD}110,3,red,A1,Title\n")
    assert (table.skipped, found(table, RED)) == ((), [("A1", 1)])


def test_quoted_cells(tmp_path: Path) -> None:
    """Separators, doubled quotes and a line break within quotes belong to the cell (RFC 4180)."""
    table = crosswalk(tmp_path, HEAD + '110,3,red,"A,1","says ""hot"",\nthen stops",,\n110,3,red,A2,,,\n')
    (first, second) = table.look_up(110, 3, (RED,))
    assert (first.row.code, first.row.title) == ("A,1", 'says "hot", then stops')
    assert (first.row.line, second.row.line) == (2, 4)


def test_windows_text(tmp_path: Path) -> None:
    """Umlauts as an older spreadsheet writes them."""
    table = crosswalk(tmp_path, HEAD.encode() + "110,3,red,A1,Öldruck,,\n".encode("cp1252"))
    assert table.look_up(110, 3)[0].row.title == "Öldruck"


@pytest.mark.parametrize(("row", "complaint"), [
    ("x,3,red,A,,,", "spn is 'x' where a whole number from 0 to 524287"),
    ("524288,3,red,A,,,", "spn is '524288'"),
    ("-1,3,red,A,,,", "spn is '-1'"),
    ("1e2,3,red,A,,,", "spn is '1e2'"),
    ("110.0,3,red,A,,,", "spn is '110.0'"),
    ("٣,3,red,A,,,", "spn is"),
    (",3,red,A,,,", "spn is ''"),
    ("110,32,red,A,,,", "fmi is '32' where a whole number from 0 to 31"),
    ("110,,red,A,,,", "fmi is ''"),
    ("110,3,purple,A,,,", "lamp is 'purple'; it may be red_stop, amber_warning"),
    ("110,3,red,,,,", "the cell code is empty"),
    ("110,3,red, ,,,", "the cell code is empty"),
    ("110,3", "the cell code is empty"),
    ("110,3,red,A,one, two,x,y,z", "9 cells for 7 columns; put a cell that has a comma"),
    ("110,3,red,A,t,javascript:alert(1),", "link is 'javascript:alert(1)'; it may be an http"),
    ("110,3,red,A,t,file:///etc/passwd,", "link is"),
    ("110,3,red,A,t,data:text/html;base64,", "link is"),
    ("110,3,red,A,t,//host/share,", "link is"),
    ("110,3,red,A,t,\\\\host\\share,", "link is"),
    ("110,3,red,A,t,https://a b,", "link is"),
    ("110,3,red,A,t,https://,", "link is"),
    ("110,3,red,A,t,https://example.org/\x1b[2J,", "link is"),
    ("110,3,red,A,t,a\x07.pdf,", "link is"),
    ("110,3,red,A,t,https://example.org/" + "a" * 500 + ",", "link is"),
    ('110,3,red,"A,t,,', "not a row of a table"),
    ('110,3,red,"A"x,t,,', "not a row of a table"),
    (ROW, "the same SPN, FMI, lamp and code stand in line 2"),
], ids=lambda value: re.sub(r"[^\w,.:-]+", "_", value)[:40])
def test_a_bad_row_is_named_and_the_others_stay(tmp_path: Path, row: str, complaint: str) -> None:
    """The line number, what is wrong, and nothing lost of the rows around."""
    table = crosswalk(tmp_path, f"{HEAD}{ROW}\n{row}\n110,3,amber,Z9,,,\n")
    (skipped,) = table.skipped
    assert skipped.startswith(f"{tmp_path / 'codes.csv'}, line 3: ")
    assert skipped.endswith("; the row is left out")
    assert complaint in skipped
    assert skipped.isprintable()
    assert [code for code, _ in found(table)] == ["A1", "Z9"]


@pytest.mark.parametrize("link", [
    "http://example.org", "HTTPS://EXAMPLE.ORG/A?b=c#d", "manual.pdf", "my manuals/part 2.pdf", "C:\\manuals\\a.pdf",
    "../a.html", "Prüfplan.pdf", "",
])
def test_good_links(tmp_path: Path, link: str) -> None:
    """Web addresses and names of files."""
    table = crosswalk(tmp_path, f'{HEAD}110,3,red,A,t,"{link}",\n')
    assert (table.skipped, table.look_up(110, 3)[0].row.link) == ((), link)


@pytest.mark.parametrize(("lamp", "expected"), [
    ("red_stop", RED), ("Red Stop", RED), ("RED-STOP LAMP", RED), ("stop", RED), ("amber", AMBER),
    ("amber_warning", AMBER), ("protect", Lamp.PROTECT), ("MIL", MIL), ("malfunction indicator", MIL), ("", None),
    ("any", None), ("none", None), ("-", None), ("*", None),
])
def test_spellings_of_lamps(tmp_path: Path, lamp: str, expected: Lamp | None) -> None:
    """The four lamps of SAE J1939-73, section 5.7.1, as people write them."""
    assert crosswalk(tmp_path, f"{HEAD}110,3,{lamp},A,,,\n").look_up(110, 3)[0].row.lamp is expected


def test_hostile_text_is_neutralised(tmp_path: Path) -> None:
    """Escape sequences, direction marks and endless cells end as one short harmless line."""
    table = crosswalk(
        tmp_path, HEAD + '110,3,red,"A\x1b]0;x\x07","\x1b[2J\u202eevil' + "x" * 5000 + '",,"\x9b31m"\n'
    )
    row = table.look_up(110, 3)[0].row
    for text in (row.code, row.title, row.clears_after):
        assert text.isprintable()
        assert len(text) <= 300


@pytest.mark.parametrize(("content", "complaint"), [
    (b"", "empty; it must begin with a line spn,fmi,lamp,code,title"),
    (b"\n \n# nothing\n", "empty"),
    (b"spn,fmi,code,title\n110,3,A,t\n", "line 1: no column 'lamp' in 'spn,fmi,code,title'"),
    (b"110,3,red,A,t\n", "line 1: no column 'spn'"),
    (b"spn,spn,fmi,lamp,code,title\n", "line 1: two columns 'spn'"),
    (b"\x00\x01\x02", "not a table but binary"),
    (b"\x1b[31m\n", "line 1: no column 'spn'"),
    (b'"' + b"a" * 200_000 + b"\n", "line 1: field larger"),
])
def test_a_file_that_is_no_crosswalk(tmp_path: Path, content: bytes, complaint: str) -> None:
    """One line with the file and what it must begin with."""
    with pytest.raises(DataFileError) as caught:
        crosswalk(tmp_path, content)
    assert complaint in str(caught.value)
    assert str(caught.value).isprintable()


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """Its name and the reason; a folder is no table either."""
    with pytest.raises(DataFileError, match=r"gone\.csv: cannot read the table: No such file"):
        load_crosswalk(tmp_path / "gone.csv")
    with pytest.raises(DataFileError, match="cannot read the table: Is a directory"):
        load_crosswalk(tmp_path)


def test_every_line_with_an_open_quote(tmp_path: Path) -> None:
    """A thousand quotes that are never closed are a thousand bad rows, and the last good row is still read."""
    table = crosswalk(tmp_path, HEAD + '110,3,red,"A' + '\n110,3,red,A"b,"' * 999 + "\n110,3,red,GOOD,,,\n")
    assert "GOOD" in [code for code, _ in found(table)]
    assert len(table.skipped) >= 500


def test_a_large_table_is_read_whole(tmp_path: Path) -> None:
    """No row of twenty thousand is lost; tests/bench measures how fast it goes."""
    rows = "".join(f'{i % 500},{i % 31},amber,C{i},"title, {i}",,\n' for i in range(20_000))
    assert len(crosswalk(tmp_path, HEAD + rows)) == 20_000


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400), st.booleans())
def test_any_bytes_are_a_table_or_one_line(content: bytes, with_head: bool) -> None:
    """Whatever a file holds, loading it gives a crosswalk or a DataFileError, and every text is harmless."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        path.write_bytes((HEAD.encode() if with_head else b"") + content)
        try:
            table = load_crosswalk(path)
        except DataFileError as error:
            said = [str(error)]
        else:
            said = list(table.skipped)
    assert all(line.isprintable() for line in said)
