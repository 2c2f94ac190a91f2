"""The words that choose a bus and a way of reading it."""

import argparse
import subprocess
import sys

import pytest

from faultlamp.bus.options import BusSettings, add_bus_options, bus_settings
from faultlamp.cli.options import add_history_options, history_options, positive_seconds


def parsed(*words: str) -> argparse.Namespace:
    """The words through both groups of options."""
    parser = argparse.ArgumentParser()
    add_bus_options(parser)
    add_history_options(parser)
    return parser.parse_args(words)


@pytest.mark.parametrize(
    ("words", "settings", "phrase"),
    [
        pytest.param((), BusSettings(), "the bus of python-can's configuration", id="nothing"),
        pytest.param(("-i", "slcan", "-c", "/dev/ttyUSB0", "-b", "250000"),
                     BusSettings("slcan", "/dev/ttyUSB0", 250000), "/dev/ttyUSB0 (slcan) at 250000 bit/s", id="all"),
        pytest.param(("--interface", "pcan"), BusSettings("pcan"), "the default channel (pcan)", id="interface"),
        pytest.param(("--channel", "can0"), BusSettings(None, "can0"), "can0", id="channel"),
        pytest.param(("-c", "a\x1b[2J"), BusSettings(None, "a\x1b[2J"), "a·[2J", id="hostile-channel"),
    ],
)
def test_bus_options_are_read_back(words: tuple[str, ...], settings: BusSettings, phrase: str) -> None:
    """What was given comes back, what was not is None, and the phrase is harmless."""
    assert bus_settings(parsed(*words)) == settings
    assert settings.describe() == phrase


def test_history_options_take_decimal_and_hexadecimal_addresses() -> None:
    """Addresses in both notations, the later method for an address wins."""
    args = parsed("--engine-address", "0x01", "--spn-conversion", "0=1", "--spn-conversion", "0x3D=3",
                  "--spn-conversion", "61=2")
    assert history_options(args) == {"engine_address": 1, "spn_conversion": {0: 1, 61: 2}}
    assert history_options(parsed()) == {"engine_address": 0, "spn_conversion": {}}


@pytest.mark.parametrize(
    "words",
    [
        # SAE J1939-81: 254 is the null address and 255 the global one, so nobody sends from them.
        pytest.param(("--engine-address", "254"), id="null-address"),
        pytest.param(("--engine-address", "0xFF"), id="global-address"),
        pytest.param(("--engine-address=-1",), id="negative"),
        pytest.param(("--engine-address", "1_0"), id="underscore"),
        pytest.param(("--engine-address", "0x"), id="no-digits"),
        pytest.param(("--engine-address", ""), id="empty"),
        # SAE J1939-73, section 5.7.1: four orders of the SPN's bits.
        pytest.param(("--spn-conversion", "0=0"), id="method-0"),
        pytest.param(("--spn-conversion", "0=5"), id="method-5"),
        pytest.param(("--spn-conversion", "0"), id="no-method"),
        pytest.param(("--spn-conversion", "=1"), id="no-address"),
        pytest.param(("--spn-conversion", "0=\u00b2"), id="superscript"),
        pytest.param(("-b", "0"), id="bit-rate-0"),
        pytest.param(("-b", "fast"), id="bit-rate-word"),
        pytest.param(("-b", "9" * 50), id="bit-rate-endless"),
    ],
)
def test_wrong_words_are_wrong_usage(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2 and a message, as argparse gives it."""
    with pytest.raises(SystemExit) as stopped:
        parsed(*words)
    assert stopped.value.code == 2
    assert "error: argument" in capsys.readouterr().err


@pytest.mark.parametrize("text", ["0", "-1", "nan", "inf", "1e99", "soon", ""])
def test_a_time_span_is_above_zero_and_finite(text: str) -> None:
    """Anything else is refused."""
    with pytest.raises(argparse.ArgumentTypeError, match="seconds above 0"):
        positive_seconds(text)


def test_the_words_alone_load_neither_python_can_nor_the_dashboard() -> None:
    """Help stays quick: no heavy library is imported before a command runs."""
    program = (
        "import argparse, sys; from faultlamp.cli import watch\n"
        "watch.add_parser(argparse.ArgumentParser().add_subparsers())\n"
        "print(sorted({'can', 'cantools', 'numpy', 'textual', 'rich'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
