"""`faultlamp doctor`: what is installed, which adapters are seen, is the bus alive, what to check. Sends nothing."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from faultlamp import __version__
from faultlamp.bus.options import BusSettings, add_bus_options, bus_settings
from faultlamp.cli.options import address, positive_seconds
from faultlamp.cli.output import add_format_option, chosen_format, console, say
from faultlamp.errors import BusError

if TYPE_CHECKING:
    from faultlamp.doctor.listening import Examination

_SECONDS = 5.0


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "doctor",
        help="what is installed, which adapters are seen, is the bus alive; listens only",
        description="Lists versions, adapters and channels. With a bus (-i, -c, or python-can's configuration) it "
        "listens for a few seconds and says who talks, how busy the bus is and what looks wrong; on a silent bus, what "
        "to check. Sends nothing. Exit code 1 when the bus is silent or cannot be opened.",
    )
    add_bus_options(parser)
    parser.add_argument(
        "--for", dest="seconds", type=positive_seconds, default=_SECONDS, metavar="SECONDS",
        help=f"how long to listen (default: {_SECONDS:g}), at each bit rate with --try-bitrates",
    )
    parser.add_argument(
        "--try-bitrates", action="store_true",
        help="listen at 250000, 500000 and 1000000 bit/s; only with an adapter that can be listen-only itself",
    )
    parser.add_argument(
        "--engine-address", type=address, default=0, metavar="ADDRESS",
        help="source address where the engine is expected (default: 0, engine 1)",
    )
    add_format_option(parser, ("table", "json"), piped="json")
    parser.set_defaults(run=run, usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Examine and report. Raises BusError, after the report, when the bus is not alive."""
    if args.try_bitrates and args.bitrate is not None:
        args.usage_error("--try-bitrates sets the bit rate itself: leave out -b")

    from faultlamp.bus.loading import load_python_can
    from faultlamp.doctor.document import bus_document, trials_document
    from faultlamp.doctor.listening import check_bit_rates_can_be_tried, most_telling
    from faultlamp.knowledge.addresses import address_name

    load_python_can()
    asked = bus_settings(args)
    if args.try_bitrates:
        asked = check_bit_rates_can_be_tried(asked)
    with_bus = asked != BusSettings() or _is_configured()
    document = _inventory(search=not with_bus)
    examination = None
    if args.try_bitrates:
        trials = _try_bit_rates(asked, args)
        document["bit_rate_trials"] = trials_document(trials)
        examination = most_telling(trials)
    elif with_bus:
        examination = _listen(asked, args)
    if examination is not None:
        document["bus"] = bus_document(examination, address_name)
    _print(document, chosen_format(args))
    if examination is not None:
        _conclude(examination)
    return 0


def _is_configured() -> bool:
    """Whether python-can's configuration chooses a bus, or tries to."""
    from faultlamp.bus.opening import chosen_bus

    try:
        return chosen_bus(BusSettings()) is not None
    except BusError:
        return True


def _inventory(*, search: bool) -> dict[str, Any]:
    from faultlamp.doctor import packages
    from faultlamp.doctor.adapters import LIMIT_S, look_for_adapters
    from faultlamp.doctor.document import inventory_document

    if search:
        say(f"looking for adapters, {LIMIT_S:g} s at most")
    return inventory_document(
        faultlamp_version=__version__,
        python=packages.python(),
        system=packages.system(),
        packages=packages.packages(),
        adapters=look_for_adapters(search=search),
        configuration_files=packages.configuration_files(),
        configuration_variables=packages.configuration_variables(),
    )


def _listen(
    asked: BusSettings, args: argparse.Namespace, *, discard_s: float = 0.0, insist: bool = False
) -> Examination:
    from faultlamp.doctor.listening import listen

    def tell(settings: BusSettings) -> None:
        vain = "; -b does nothing here: a SocketCAN link has its own bit rate"
        useless = settings.interface == "socketcan" and args.bitrate is not None
        say(f"listening on {settings.describe()} for {args.seconds:g} s; sends nothing{vain if useless else ''}")

    return listen(
        asked, args.seconds, engine_address=args.engine_address, discard_s=discard_s, insist=insist, on_open=tell
    )


def _try_bit_rates(settings: BusSettings, args: argparse.Namespace) -> list[Examination]:
    from faultlamp.doctor.listening import DISCARD_S, TRIED_BIT_RATES

    # At a wrong bit rate an adapter that acknowledges disturbs everybody.
    return [
        _listen(replace(settings, bitrate=rate), args, discard_s=DISCARD_S, insist=True) for rate in TRIED_BIT_RATES
    ]


def _print(document: dict[str, Any], form: str) -> None:
    if form == "json":
        print(json.dumps(document, indent=2))
        return
    from rich.text import Text

    from faultlamp.doctor.page import page

    out = console()
    for line in page(document):
        out.print(Text(line), overflow="ignore", no_wrap=True, crop=False)


def _conclude(examination: Examination) -> None:
    """Raise BusError, the one line for standard error, unless the bus is alive."""
    from faultlamp.doctor.diagnosis import State

    if examination.error is not None:
        raise BusError(examination.error)
    if examination.state is State.ERRORS_ONLY:
        raise BusError(f"only error frames on {examination.settings.describe()}: the bit rate looks wrong; try another "
                       "with -b, or --try-bitrates")
    if examination.state is State.SILENT:
        raise BusError(f"nothing heard on {examination.settings.describe()} in {examination.evidence.seconds:.1f} s: "
                       "the report lists what to check")
