"""Who is who: what each controller said about itself, on one page; and who said nothing, no, or not now.

Rule: drawn from the document that docs/asking.md describes, so that the page and `faultlamp ask` say the same. A
question that was not answered stands under what came of it, never as 'none'.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from faultlamp.asking.words import code_text, controller_lines, reading_text
from faultlamp.j1939.address import Name
from faultlamp.tui.names import title, who
from faultlamp.tui.nodes.page import name_words
from faultlamp.tui.paint import Line, Piece, Role, hung, line

_LABEL = 15
_MOST_CODES = 100
_MOST_ROWS = 5000
_ANSWERED = "answered"
_LISTS = {
    "DM1": "Active", "DM2": "Stored", "DM6": "Pending", "DM27": "All pending", "DM12": "Emission",
    "DM23": "Emission old", "DM28": "Permanent",
}
_COUNTED = (("DM1", "active"), ("DM2", "stored"), ("DM27", "pending"), ("DM28", "permanent"))
_WHY = {
    "refused": "not supported, or not now", "access_denied": "wants a key that faultlamp does not have",
    "busy": "also when asked again", "no_answer": "nothing came", "broken_off": "stopped midway, also when asked again",
    "unreadable": "answered, but not in the group's layout; d shows the bytes", "acknowledged": "yes, but no data came",
}
_COUNT_WORDS = {
    "pending": "pending", "all_pending": "all pending", "mil_on": "malfunction lamp on",
    "previously_mil_on": "on before", "permanent": "permanent",
}


def panel_lines(controllers: list[dict[str, Any]], width: int, *, so_far: bool = False) -> list[Line]:
    """The machine first, then each controller; rows of at most `width` cells. so_far: more may come."""
    rows = _machine(controllers, width, "nobody yet" if so_far else "nobody said")
    for controller in controllers:
        rows += [Line(), _heading(controller)]
        for label, text, role in _facts(controller):
            rows += hung(f"  {label:<{_LABEL}}", text, width, role, begin_role=Role.DIM)
    return rows


def detail_lines(controllers: list[dict[str, Any]], width: int) -> list[Line]:
    """Every answer in full."""
    rows: list[Line] = []
    for controller in controllers:
        rows += [Line(), _heading(controller)]
        for indent, text in controller_lines(controller):
            rows += hung(" " * indent, text, width, more=" " * (indent + 2))
            if len(rows) > _MOST_ROWS:
                return [*rows, line(Piece("and more: faultlamp ask all --format json shows all of it", Role.WARN))]
    return rows


def _heading(controller: dict[str, Any]) -> Line:
    return line(Piece(_called(controller).upper(), Role.TITLE), f"  address {controller['address']}")


def _called(controller: dict[str, Any]) -> str:
    return title(who(controller["address"]))


def _machine(controllers: list[dict[str, Any]], width: int, nobody: str) -> list[Line]:
    """What is true of the machine as a whole. nobody: what stands where nothing was said."""
    rows: list[Line] = []
    for label, key in (("VIN", "VIN"), ("Hours", "hours")):
        said: dict[str, list[str]] = {}
        for controller in controllers:
            text = _vin(controller) if key == "VIN" else _hours(controller)
            if text:
                said.setdefault(text, []).append(_called(controller))
        for text, names in said.items():
            rows += _row(label, f"{text}  ({', '.join(names)})", width, Role.STRONG)
        if not said:
            rows += _row(label, nobody, width, Role.DIM)
        elif key == "VIN" and len(said) > 1:
            rows += _row("", "The controllers do not agree: has one of them been in another machine?", width, Role.WARN)
    counts = []
    for key, words in _COUNTED:
        lists = [codes for one in controllers if (codes := _codes(one, key)) is not None]
        if lists:
            counts.append(f"{sum(map(len, lists))} {words}")
    rows += _row("Codes", ", ".join(counts) or nobody, width, Role.STRONG if counts else Role.DIM)
    mute = [_called(one) for one in controllers if _is_mute(one)]
    if mute:
        rows += _row("No answer", f"{', '.join(mute)}: heard on the bus, but silent when asked", width, Role.WARN)
    shared = [str(one["address"]) for one in controllers if one["claimed_by_several"]]
    if shared:
        rows += _row("SHARED", (
            f"several controllers claim address {', '.join(shared)}: an answer may come from either; unplug one of them"
        ), width, Role.WARN)
    return rows


def _row(label: str, text: str, width: int, role: Role) -> list[Line]:
    return hung(f"{label:<{_LABEL + 2}}", text, width, role, begin_role=Role.STRONG)


def _facts(controller: dict[str, Any]) -> Iterator[tuple[str, str, Role]]:
    """Label, text and role, in the order of the page."""
    if vin := _vin(controller):
        yield "VIN", vin, Role.STRONG
    for label, key in (("Component", "component"), ("Software", "software"), ("ECU", "ECU")):
        if message := _message(controller, key):
            yield label, _texts(message["texts"], plain=key == "software"), Role.PLAIN
    for one in (_message(controller, "DM19") or {}).get("calibrations", []):
        number = one["verification_number"]
        yield "Calibration", f"{one['identification'] or '(empty)'}, verification number {number}", Role.PLAIN
    if hours := _hours(controller):
        yield "Hours", hours, Role.PLAIN
    if controller["NAME"]:
        yield "Address claim", name_words(Name(**controller["NAME"])).removeprefix("NAME: "), Role.PLAIN
    yield from _of_codes(controller)
    yield from _of_tests(controller)
    yield from _unanswered(controller)


def _of_codes(controller: dict[str, Any]) -> Iterator[tuple[str, str, Role]]:
    none = []
    for key, label in _LISTS.items():
        codes = _codes(controller, key)
        if codes is None:
            continue
        if not codes:
            none.append(f"{label} ({key})")
        for number, code in enumerate(codes[:_MOST_CODES]):
            yield f"{label} {key}" if number == 0 else "", code_text(code), Role.STRONG
        if len(codes) > _MOST_CODES:
            yield "", f"and {len(codes) - _MOST_CODES} more", Role.STRONG
    frames = [
        frame for key in ("DM4", "DM25") for frame in (_message(controller, key) or {}).get("frames", [])
    ]
    if frames:
        for_codes = ", ".join(dict.fromkeys(f"{one['code']['spn']}/{one['code']['fmi']}" for one in frames))
        yield "Freeze frames", f"{len(frames)}, for {for_codes}: d shows them", Role.STRONG
    if none:
        yield "No code in", ", ".join(none), Role.PLAIN
    if counts := _message(controller, "DM29"):
        said = (f"{words} {'-' if counts[key] is None else counts[key]}" for key, words in _COUNT_WORDS.items())
        yield "Counts DM29", ", ".join(said), Role.PLAIN


def _of_tests(controller: dict[str, Any]) -> Iterator[tuple[str, str, Role]]:
    if readiness := _message(controller, "DM5"):
        left = [one["name"] for one in readiness["monitors"] if one["complete"] is False]
        finished = sum(one["complete"] is True for one in readiness["monitors"])
        words = [f"not complete: {', '.join(left)}"] if left else []
        if readiness["monitors"]:
            words.append(f"{finished} of {len(readiness['monitors'])} self-tests complete")
        else:
            words.append("no self-test is supported")
        if readiness["obd_compliance_meaning"]:
            words.append(readiness["obd_compliance_meaning"])
        yield "Readiness", "; ".join(words), Role.WARN if left else Role.PLAIN
    results = [
        one for answer in controller["answers"]
        if answer["key"] == "DM30" and answer["outcome"] == _ANSWERED and answer["message"]
        for one in answer["message"]["results"]
    ]
    if results:
        failed = [f"SPN {one['spn']} FMI {one['fmi']}" for one in results if one["passed"] is False]
        words_of = f"OUTSIDE THE LIMITS: {', '.join(failed)}" if failed else "none outside its limits"
        yield "Test results", f"{len(results)}, {words_of}", Role.WARN if failed else Role.PLAIN


def _unanswered(controller: dict[str, Any]) -> Iterator[tuple[str, str, Role]]:
    """What was not answered, under what came of it instead."""
    alike: dict[str, list[str]] = {}
    for answer in controller["answers"]:
        if answer["outcome"] != _ANSWERED:
            alike.setdefault(answer["outcome"], []).append(answer["key"])
    for outcome, keys in alike.items():
        label = outcome.replace("_", " ").capitalize()
        several: dict[str, int] = {}
        for key in keys:
            several[key] = several.get(key, 0) + 1
        listed = ", ".join(key if number == 1 else f"{key} ({number})" for key, number in several.items())
        yield label, f"{listed} ({_WHY[outcome]})", Role.DIM if outcome == "refused" else Role.WARN


def _is_mute(controller: dict[str, Any]) -> bool:
    """Whether it answered nothing; its address claim and DM1 come by themselves."""
    outcomes = [answer["outcome"] for answer in controller["answers"] if answer["key"] not in ("NAME", "DM1")]
    return bool(outcomes) and all(outcome == "no_answer" for outcome in outcomes)


def _message(controller: dict[str, Any], key: str) -> dict[str, Any] | None:
    """The decoded answer to a question; None unless it was answered."""
    for answer in controller["answers"]:
        if answer["key"] == key and answer["outcome"] == _ANSWERED and answer["message"]:
            message: dict[str, Any] = answer["message"]
            return message
    return None


def _codes(controller: dict[str, Any], key: str) -> list[dict[str, Any]] | None:
    """A list of codes; None when the controller did not give it. DM1 comes by itself too."""
    message = _message(controller, key) or (controller["DM1"] if key == "DM1" else None)
    if message is None:
        return None
    codes: list[dict[str, Any]] = message["codes"]
    return codes


def _vin(controller: dict[str, Any]) -> str:
    message = _message(controller, "VIN")
    return "" if message is None else str(message["texts"].get("vin", ""))


def _hours(controller: dict[str, Any]) -> str:
    readings = (_message(controller, "hours") or {}).get("readings", [])
    said = [one for one in readings if one["state"] == "ok"]
    return reading_text(said[0]).partition(": ")[2] if said else ""


def _texts(texts: dict[str, str], *, plain: bool) -> str:
    said = (text if plain else f"{key.replace('_', ' ')} {text}" for key, text in texts.items() if text)
    return ", ".join(said) or "(empty)"
