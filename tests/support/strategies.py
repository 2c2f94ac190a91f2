"""Random traffic that means something: the one home of generators of frames."""

from hypothesis import strategies as st

from faultlamp.frames import ERROR, EXTENDED, FD, REMOTE, Frame
from faultlamp.j1939.diagnostics import DM_BY_PGN, PGN_BY_DM, Dtc, encode_dtc
from faultlamp.j1939.identifier import build_identifier
from faultlamp.j1939.segmentation import broadcast

SOURCES = (0, 3, 61)
CHANNELS = ("can0", "can1")

# Silences around every limit that anything depends on: 750 ms, 1250 ms, 2 s, 5 s, exactly and a microsecond off.
gaps_ns = st.sampled_from([
    0, 1_000, 50_000_000, 200_000_000, 749_999_000, 750_000_000, 750_001_000, 1_250_000_000, 1_250_001_000,
    1_999_999_000, 2_000_000_000, 4_999_999_000, 5_000_000_000, 7_000_000_000, -1_000, -400_000_000,
])

trouble_codes = st.builds(
    Dtc,
    spn=st.sampled_from([0, 100, 110, 520200, 524287]), fmi=st.sampled_from([0, 3, 4, 31]),
    occurrence_count=st.none() | st.integers(0, 126), conversion_method=st.integers(0, 1),
)
report_payloads = st.builds(
    lambda lamps, flash, codes, rest: bytes((lamps, flash)) + b"".join(map(encode_dtc, codes)) + rest,
    st.sampled_from([0x00, 0x04, 0x10, 0x54, 0xFF, 0x82]), st.sampled_from([0xFF, 0x00, 0x55, 0xAA]),
    st.lists(trouble_codes, max_size=4), st.binary(max_size=3),
)


@st.composite
def _broadcasts(draw: st.DrawFn) -> list[tuple[int, bytes]]:
    wire = broadcast(
        draw(st.sampled_from([*DM_BY_PGN, 65260])), draw(st.sampled_from(SOURCES)),
        draw(report_payloads.filter(lambda payload: len(payload) > 0)),
    )
    # Now and then a frame is lost, doubled or cut short.
    damage = draw(st.sampled_from(["none", "none", "none", "lost", "doubled", "short"]))
    at = draw(st.integers(0, len(wire) - 1))
    if damage == "lost":
        del wire[at]
    elif damage == "doubled":
        wire.insert(at, wire[at])
    elif damage == "short":
        wire[at] = (wire[at][0], wire[at][1][: draw(st.integers(0, 7))])
    return wire


_single_reports = st.builds(
    lambda dm, source, payload: [(build_identifier(6, PGN_BY_DM[dm], source), payload[:8])],
    st.sampled_from(sorted(PGN_BY_DM)), st.sampled_from(SOURCES), report_payloads,
)
_engine_speeds = st.builds(
    lambda source, raw, cut: [(
        build_identifier(3, 61444, source), (bytes((0xF0, 0x7D, 0x7D)) + raw.to_bytes(2, "little") + bytes(3))[:cut]
    )],
    st.sampled_from(SOURCES), st.sampled_from([0, 3199, 3200, 6400, 0xFAFF, 0xFB00, 0xFE00, 0xFFFF]),
    st.sampled_from([3, 4, 5, 8]),
)
_anything = st.builds(
    lambda can_id, data: [(can_id, data)], st.integers(0, (1 << 29) - 1), st.binary(max_size=8)
)
_controls = st.builds(
    lambda source, destination, control, rest: [(
        build_identifier(7, 0xEC00, source, destination), bytes([control]) + rest
    )],
    st.sampled_from(SOURCES), st.sampled_from([*SOURCES, 255]), st.sampled_from([16, 17, 19, 32, 255]),
    st.sampled_from([bytes.fromhex(text) for text in (
        "0E0002FFCAFE00", "0201FFFFCAFE00", "00FFFFFFCAFE00", "000000FFCAFE00", "03FFFFFFCAFE00", "0202FFFFCAFE00",
    )]),
)
_packets = st.builds(
    lambda source, destination, number, rest: [(
        build_identifier(7, 0xEB00, source, destination), bytes([number]) + rest
    )],
    st.sampled_from(SOURCES), st.sampled_from([*SOURCES, 255]), st.integers(0, 3),
    st.binary(min_size=7, max_size=7),
)


@st.composite
def traffic(draw: st.DrawFn, max_size: int = 25) -> list[Frame]:
    """Frames of several sources and channels in the order they were heard, at awkward times."""
    time_ns = 1_700_000_000_000_000_000
    frames: list[Frame] = []
    pieces = draw(st.lists(
        st.one_of(_broadcasts(), _single_reports, _engine_speeds, _controls, _packets, _anything), max_size=max_size
    ))
    for piece in pieces:
        channel = draw(st.sampled_from(CHANNELS))
        for can_id, data in piece:
            time_ns += draw(gaps_ns)
            flags = draw(st.sampled_from([EXTENDED] * 12 + [0, EXTENDED | REMOTE, ERROR, EXTENDED | FD]))
            frames.append(Frame(time_ns, channel, can_id & (0x1FFFFFFF if flags & EXTENDED else 0x7FF), data, flags))
    return frames
