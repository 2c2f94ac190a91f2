"""The doctor's document as lines for people, at most 79 characters wide; every figure comes from the document."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator
from typing import Any

from faultlamp.doctor.checks import CAUTION, SOURCE
from faultlamp.text import printable

WIDTH = 79
_MOST_SENDERS = 64
# Of each interface.
_MOST_CHANNELS = 8

_STATES = {
    "alive": "The bus is alive.",
    "errors_only": "Only error frames: the bit rate looks wrong.",
    "silent": "The bus is silent.",
    "not_opened": "The bus could not be opened.",
}


def page(document: dict[str, Any]) -> list[str]:
    """The whole report: the machine first, the bus last, where the eye is."""
    lines = [*_machine(document), *_interfaces(document), *_channels(document), *_configuration(document)]
    if document["bit_rate_trials"] is not None:
        lines += _trials(document["bit_rate_trials"])
    if document["bus"] is not None:
        lines += _bus(document["bus"])
    return lines


def _machine(document: dict[str, Any]) -> Iterator[str]:
    yield from _wrap(f"faultlamp {document['faultlamp']}, {document['python']}, {document['system']}")
    here = [package for package in document["packages"] if package["version"] is not None]
    yield from _wrap("Packages: " + ", ".join(f"{package['name']} {package['version']}" for package in here))
    for package in document["packages"]:
        if package["version"] is None:
            purpose = f" ({package['needed_for']})" if package["needed_for"] else ""
            yield from _wrap(f"Not installed: {package['name']}{purpose}: {package['install']}")


def _interfaces(document: dict[str, Any]) -> Iterator[str]:
    usable = [driver["name"] for driver in document["interfaces"] if driver["usable"]]
    yield from ("", "Interfaces of python-can")
    yield from _wrap("can be opened here: " + (", ".join(map(printable, usable)) or "none"), "  ")
    others: dict[tuple[str, str | None], list[str]] = {}
    for driver in document["interfaces"]:
        if not driver["usable"]:
            others.setdefault((driver["why"], driver["remedy"]), []).append(printable(driver["name"]))
    if others and document["bus"] is not None:
        everyone = ", ".join(sorted(name for names in others.values() for name in names))
        yield from _wrap(f"cannot: {everyone} (`faultlamp doctor` without a bus says why)", "  ", "    ")
        return
    for (why, remedy), names in others.items():
        yield from _wrap(f"{', '.join(names)}: {why}", "  ", "    ")
        if remedy is not None:
            # A line of its own, so that a command in it can be copied.
            yield from _wrap(remedy, "    ")


def _channels(document: dict[str, Any]) -> Iterator[str]:
    yield from ("", "Channels seen")
    if not document["channels"]:
        yield "  none: is the adapter plugged in, is its driver installed?"
    shown: Counter[str] = Counter()
    for channel in document["channels"]:
        shown[channel["interface"]] += 1
        if shown[channel["interface"]] > _MOST_CHANNELS:
            continue
        link = "" if channel["link"] is None else f"  {_link_words(channel['link'])}"
        yield from _wrap(f"{printable(channel['interface']):<13} {channel['channel']}{link}", "  ", " " * 16)
        if channel["link"] is not None and channel["link"]["up"] is False:
            yield from _wrap(f"sudo ip link set {channel['channel']} {_bring_up(channel['link'])}", " " * 16)
    for interface, number in shown.items():
        if number > _MOST_CHANNELS:
            yield f"  {_fit(printable(interface), 13):<13} and {number - _MOST_CHANNELS} more"
    for trouble in document["search_troubles"]:
        yield from _wrap(trouble, "  ")


def _bring_up(link: dict[str, Any]) -> str:
    return "up" if link["kind"] == "vcan" or link["bit_rate"] is not None else "up type can bitrate 250000"


def _link_words(link: dict[str, Any]) -> str:
    up = {True: "up", False: "down", None: "state not readable"}
    parts = [up[link["up"]]]
    parts.append("bit rate not told" if link["bit_rate"] is None else f"{link['bit_rate']} bit/s")
    if link["state"] is not None:
        parts.append(link["state"])
    if link["listen_only"] is not None:
        parts.append("listen-only" if link["listen_only"] else "acknowledges")
    return ", ".join(parts)


def _configuration(document: dict[str, Any]) -> Iterator[str]:
    configuration = document["configuration"]
    found = [*configuration["files"], *(f"variable {name}" for name in configuration["variables"])]
    yield ""
    yield from _wrap("python-can's configuration: " + (", ".join(found) or "none"))


def _trials(trials: list[dict[str, Any]]) -> Iterator[str]:
    yield from ("", "Bit rates tried, listening only")
    for trial in trials:
        if trial["state"] == "not_opened":
            yield from _wrap(f"{trial['bit_rate']:>9} bit/s  {trial['error']}", "  ", " " * 19)
            continue
        mark = "  <- this one" if trial["right"] else ""
        yield (f"  {trial['bit_rate']:>9} bit/s  {trial['frames']:>7} frames  {trial['error_frames']:>7} error frames"
               f"{mark}")
    if not any(trial["right"] for trial in trials):
        yield "  At none of them came frames without errors."


def _bus(bus: dict[str, Any]) -> Iterator[str]:
    where = bus["channel"] or ("the default channel" if bus["interface"] else "the bus chosen")
    if bus["interface"]:
        where += f" ({bus['interface']})"
    yield ""
    yield from _wrap(f"On {where}: {_STATES[bus['state']]}")
    if bus["error"] is not None:
        yield from _wrap(bus["error"], "  ")
    if bus["state"] == "not_opened":
        return
    yield from _figures(bus)
    if bus["senders"]:
        yield from _senders(bus)
    yield ""
    for finding in bus["findings"]:
        yield from _wrap(finding["text"], "- ", "  ")
    if bus["checks"]:
        yield from _checks(bus["checks"])


def _figures(bus: dict[str, Any]) -> Iterator[str]:
    if bus["frames_per_s"] is None:
        yield f"  {bus['frames']} frames and {bus['error_frames']} error frames, then the adapter was gone"
    else:
        yield (f"  {bus['frames_per_s']:.1f} frames/s in {bus['listened_s']:.1f} s, "
               f"{bus['extended_frames_per_s']:.1f} of them 29-bit; {bus['error_frames']} error frames")
    rate = "not known" if bus["bit_rate"] is None else f"{bus['bit_rate']} bit/s"
    looks = {"right": ", looks right", "wrong": ", looks wrong", "unknown": ""}[bus["bit_rate_looks"]]
    yield f"  Bit rate: {rate}{looks}"
    if bus["frames"] and bus["load"]:
        loads = "; ".join(
            f"{load['percent']:.1f} % at {load['bit_rate']} bit/s "
            f"({load['least_percent']:.1f} to {load['most_percent']:.1f})"
            for load in bus["load"]
        )
        left_out = ", CAN FD frames left out" if bus["fd_frames"] else ""
        yield from _wrap(f"Bus load, an estimate{left_out}: {loads}", "  ", "    ")
    acknowledges = {
        True: "in listen-only mode, it does not even acknowledge",
        False: "listen-only mode could not be had; doctor sends no frame",
        None: "not known whether it is listen-only; doctor sends no frame",
    }[bus["hardware_listen_only"]]
    yield f"  Adapter: {acknowledges}"


def _senders(bus: dict[str, Any]) -> Iterator[str]:
    several = len({sender["channel"] for sender in bus["senders"]}) > 1
    yield from ("", "Who talks", "  address  usual device                     frames/s  fault report (DM1)")
    for sender in bus["senders"][:_MOST_SENDERS]:
        device = sender["usual_device"] or "-"
        if several:
            device += f", {sender['channel']}"
        faults = sender["active_faults"]
        report = "none heard" if faults is None else "no fault active" if not faults else f"{faults} active"
        rate = "-" if sender["frames_per_s"] is None else f"{sender['frames_per_s']:.1f}"
        yield f"  {sender['source_address']:>7}  {_fit(device, 31):<31}  {rate:>9}  {report}"
        for name in sender["names"]:
            yield from _wrap(
                f"NAME: function {name['function']}, instance {name['function_instance']}, ECU {name['ecu_instance']}, "
                f"industry group {name['industry_group']} ({name['industry']}), maker code {name['manufacturer_code']}",
                " " * 11,
            )
    more = len(bus["senders"]) - _MOST_SENDERS
    if more > 0:
        yield f"  and {more} more (--format json lists all)"
    if not any(sender["names"] for sender in bus["senders"]):
        yield "  No NAME heard: controllers tell it when the key is turned on."
    engine = bus["engine"]
    device = f" ({engine['usual_device']})" if engine["usual_device"] else ""
    yield f"  Engine at address {engine['source_address']}{device}: {'heard' if engine['heard'] else 'not heard'}."


def _checks(checks: list[dict[str, Any]]) -> Iterator[str]:
    yield from ("", f"What to check, in this order ({SOURCE})")
    yield from _wrap(CAUTION, "  ")
    for number, check in enumerate(checks, 1):
        yield from _wrap(f"{check['check']}", f"  {number}. ", "     ")
        for sentence in check["how"]:
            yield from _wrap(sentence, "     ")


def _fit(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"


def _wrap(text: str, first: str = "", rest: str | None = None) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=first if rest is None else rest, break_on_hyphens=False
    )
