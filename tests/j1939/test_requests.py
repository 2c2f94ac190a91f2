"""Requests and acknowledgements against published frames."""

import pytest

from faultlamp.j1939.requests import Acknowledgement, Answer, decode_request, encode_request

REQUESTS = [
    # famez/J1939-Framework, Tests/request_frame.cpp: identifier 10EA2430
    pytest.param(0xFE05, "05 FE 00", id="published-frame"),
    # Laixer/J1939, frame_build_1: identifier 18EA2010
    pytest.param(0x30201, "01 02 03", id="published-frame-18-bits"),
    # SAE J1939-81, section 4.2.1 (from memory): request for the address claimed
    pytest.param(60928, "00 EE 00", id="address-claimed"),
]


@pytest.mark.parametrize(("pgn", "data"), REQUESTS)
def test_requests_are_the_published_ones(pgn: int, data: str) -> None:
    """A request is the group's number, low byte first, and reads back."""
    assert encode_request(pgn) == bytes.fromhex(data)
    assert decode_request(bytes.fromhex(data)) == pgn


@pytest.mark.parametrize(
    ("data", "pgn"),
    [
        pytest.param("", None, id="empty"),
        pytest.param("CB FE", None, id="short"),
        pytest.param("CB FE 00 FF FF FF FF FF", 65227, id="filled"),
        pytest.param("12 EE 00", 60946, id="low-byte-of-an-addressed-group-stays"),
        pytest.param("CB FE 04", None, id="more-than-18-bits"),
        pytest.param("FF FF FF", None, id="all-ones"),
    ],
)
def test_odd_requests(data: str, pgn: int | None) -> None:
    """Filling is ignored; what is no group's number is no request."""
    assert decode_request(bytes.fromhex(data)) == pgn


# Layout and answers: Open-Agriculture/AgIsoStack-plus-plus, send_acknowledgement: byte 1 the answer, byte 2 FF, byte 5
# the address of the node that asked, bytes 6 to 8 the group.
ACKNOWLEDGEMENTS = [
    pytest.param(Acknowledgement(Answer.ACKNOWLEDGED, 255, 249, 65228), "00 FF FF FF F9 CC FE 00", id="dm3-cleared"),
    pytest.param(Acknowledgement(Answer.REFUSED, 255, 249, 65235), "01 FF FF FF F9 D3 FE 00", id="dm11-refused"),
    pytest.param(Acknowledgement(Answer.ACCESS_DENIED, 255, 0, 49920), "02 FF FF FF 00 00 C3 00", id="denied"),
    pytest.param(Acknowledgement(Answer.BUSY, 7, 33, 130816), "03 07 FF FF 21 00 FF 01", id="busy"),
]


@pytest.mark.parametrize(("acknowledgement", "data"), ACKNOWLEDGEMENTS)
def test_acknowledgements_have_the_published_layout(acknowledgement: Acknowledgement, data: str) -> None:
    """Each answer is written in the published layout and reads back."""
    assert acknowledgement.encode() == bytes.fromhex(data)
    assert Acknowledgement.decode(bytes.fromhex(data)) == acknowledgement


@pytest.mark.parametrize(
    "data",
    [
        pytest.param("", id="empty"),
        pytest.param("01 FF FF FF F9 CB FE", id="short"),
        pytest.param("04 FF FF FF F9 CB FE 00", id="unknown-answer"),
        pytest.param("01 FF FF FF F9 CB FE 04", id="no-group"),
    ],
)
def test_what_is_no_acknowledgement(data: str) -> None:
    """Short data, an unknown answer or an impossible group decode to nothing."""
    assert Acknowledgement.decode(bytes.fromhex(data)) is None


@pytest.mark.parametrize("pgn", [-1, 0x40000])
def test_impossible_groups_are_refused(pgn: int) -> None:
    """A group has 18 bits."""
    with pytest.raises(ValueError, match=f"parameter group {pgn} is outside"):
        encode_request(pgn)
