"""A while on a bus, listening only, and what came of it.

A `Listener` has no way to send. Where the driver has hardware listen-only mode it is asked for; a SocketCAN link has
what `ip link` gave it, and the bit rate too, which Linux tells.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from faultlamp.bus import offers
from faultlamp.bus.listener import Listener
from faultlamp.bus.opening import chosen_bus
from faultlamp.bus.options import BusSettings
from faultlamp.doctor.diagnosis import Evidence, State, state_of
from faultlamp.doctor.links import Link, read_link
from faultlamp.doctor.tally import Counts, Tally
from faultlamp.errors import BusError
from faultlamp.frames.load import USUAL_BIT_RATES, Load, bus_load
from faultlamp.text import printable

TRIED_BIT_RATES = (250_000, 500_000, 1_000_000)

DISCARD_S = 0.3
"""What an adapter still delivers of the bit rate before, when it is opened at the next."""

SHORTEST_S = 0.05
"""In less time, when an adapter goes at once, no rate and no load can be told."""

_READ_TIMEOUT_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Examination:
    """What one listening found.

    settings: the bus, as python-can's configuration completed the choice. opened: it could be opened.
    error: one line, why it could not be opened or where the listening broke off.
    bit_rate: bit/s, None when nobody knows. listen_only: the adapter does not acknowledge; None when nobody knows.
    """

    settings: BusSettings
    opened: bool
    evidence: Evidence
    error: str | None = None
    bit_rate: int | None = None
    listen_only: bool | None = None
    link: Link | None = None

    @property
    def state(self) -> State:
        """Whether the bus is alive."""
        return state_of(self.evidence) if self.opened else State.NOT_OPENED

    @property
    def loads(self) -> list[Load]:
        """The load at the bit rate, or at the usual ones when it is not known; empty without listening."""
        if self.evidence.seconds < SHORTEST_S:
            return []
        rates = USUAL_BIT_RATES if self.bit_rate is None else (self.bit_rate,)
        return [bus_load(self.evidence.counts.bits, self.evidence.seconds, rate) for rate in rates]


def listen(
    asked: BusSettings,
    seconds: float,
    *,
    engine_address: int = 0,
    discard_s: float = 0.0,
    insist: bool = False,
    on_open: Callable[[BusSettings], object] = lambda _: None,
    clock: Callable[[], float] = time.monotonic,
) -> Examination:
    """Listen for that long. Never raises for what a bus or adapter does. `clock` is in seconds and never steps back.

    discard_s: how long nothing counts at first. insist: rather do not listen than acknowledge.
    on_open: called with the settings when the bus is open, before anything is read.
    """
    nothing = Evidence(seconds=0.0, counts=Counts(), senders=(), engine_address=engine_address)
    try:
        listener = Listener(asked, insist=insist)
    except BusError as error:
        known = asked
        with suppress(BusError):
            known = chosen_bus(asked) or asked
        return Examination(settings=known, opened=False, evidence=nothing, error=str(error), link=_link(known))
    tally, failure = Tally(), None
    with listener:
        on_open(listener.settings)
        began_s = clock()
        try:
            while clock() - began_s < discard_s:
                listener.read(_READ_TIMEOUT_S)
            began_s = clock()
            while (left_s := began_s + seconds - clock()) > 0:
                tally.feed(listener.read(min(left_s, _READ_TIMEOUT_S)))
        except BusError as error:
            failure = str(error)
        passed_s = clock() - began_s
        link = _link(listener.settings)
    bit_rate = listener.settings.bitrate
    listen_only: bool | None = listener.hardware_listen_only
    if listener.settings.interface == "socketcan":
        # What the option says does nothing there.
        bit_rate, listen_only = (None, None) if link is None else (link.bit_rate, link.listen_only)
    evidence = replace(
        nothing, seconds=passed_s, counts=tally.counts, senders=tuple(tally.senders()), garbled=listener.garbled,
        lost=listener.dropped, link_state=None if link is None else link.state,
    )
    if bit_rate is not None and passed_s >= SHORTEST_S:
        evidence = replace(evidence, load=bus_load(tally.counts.bits, passed_s, bit_rate))
    return Examination(
        settings=listener.settings, opened=True, evidence=evidence, error=failure, bit_rate=bit_rate,
        listen_only=listen_only, link=link,
    )


def check_bit_rates_can_be_tried(asked: BusSettings) -> BusSettings:
    """The bus, when its adapter takes a bit rate and can listen without acknowledging. Raises BusError.

    At a wrong bit rate an adapter that takes part marks every frame of the others as broken, so nothing is tried
    without hardware listen-only mode.
    """
    settings = chosen_bus(asked)
    if settings is None or settings.interface is None:
        raise BusError("--try-bitrates needs a bus: say which with -i and -c, for example -i slcan -c /dev/ttyUSB0")
    if settings.interface == "socketcan":
        name = printable(settings.channel or "can0")
        raise BusError(
            f"{settings.describe()}: the link has the bit rate, doctor cannot set it; for each one to try: sudo ip "
            f"link set {name} down; sudo ip link set {name} up type can bitrate 500000 listen-only on; faultlamp "
            f"doctor -i socketcan -c {name}"
        )
    try:
        cls = offers.bus_class(settings.interface)
    except Exception as error:  # a driver module may fail in any way
        raise BusError(
            f"{settings.describe()}: its driver does not load here; {offers.install_hint(settings.interface)}"
        ) from error
    if not offers.listen_only_argument(settings.interface, cls):
        raise BusError(
            f"{settings.describe()}: python-can cannot make {settings.interface} listen-only, and at a wrong bit rate "
            "such an adapter disturbs the bus; set the bit rate with -b, from the machine's papers"
        )
    return settings


def best_trial(trials: Sequence[Examination]) -> Examination | None:
    """The one with frames and no errors, the most frames when there are several; None when there is none."""
    clean = [trial for trial in trials if trial.state is State.ALIVE and not trial.evidence.counts.errors]
    return max(clean, key=lambda trial: trial.evidence.counts.frames, default=None)


def most_telling(trials: Sequence[Examination]) -> Examination:
    """The best one; else one with frames, with errors, that could be opened, in this order."""
    order = (State.ALIVE, State.ERRORS_ONLY, State.SILENT, State.NOT_OPENED)
    return best_trial(trials) or min(trials, key=lambda trial: order.index(trial.state))


def _link(settings: BusSettings) -> Link | None:
    if settings.interface != "socketcan" or settings.channel is None or settings.channel not in offers.can_links():
        return None
    return read_link(settings.channel)
