"""What controllers answered, as lines of text for people. Drawn from the JSON document."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from faultlamp.knowledge.names import describe_spn

_OUTCOMES = {
    "acknowledged": "acknowledged", "unreadable": "answered, not readable",
    "refused": "refused, so not supported or not now",
    "access_denied": "access denied", "busy": "busy, also when asked again", "no_answer": "no answer",
    "broken_off": "the answer broke off, also when asked again",
}
_LAMPS = {
    "malfunction_indicator": "malfunction indicator", "red_stop": "RED STOP", "amber_warning": "amber warning",
    "protect": "protect",
}
_LIT = {"on": "on", "slow_flash": "slow flash", "fast_flash": "fast flash"}
_COUNTS = {
    "pending": "pending", "all_pending": "all pending", "mil_on": "malfunction indicator on",
    "previously_mil_on": "malfunction indicator on before", "permanent": "permanent",
}
_NO_VALUE = {"not_available": "not available", "error": "error, says the controller"}


def title(controller: dict[str, Any]) -> str:
    """A controller's name and address."""
    usual, address = controller["usual_name"], controller["address"]
    return f"{usual[:1].upper()}{usual[1:]} (address {address})" if usual else f"Address {address}"


def controller_lines(controller: dict[str, Any]) -> Iterator[tuple[int, str]]:
    """Indent and text of each line below the title."""
    if controller["claimed_by_several"]:
        yield 2, "SEVERAL CONTROLLERS CLAIM THIS ADDRESS: what is below may come from either; unplug one of them"
    if controller["DM1"] is not None and not any(answer["key"] == "DM1" for answer in controller["answers"]):
        yield 2, "Active codes, as heard (DM1)"
        yield from _codes(controller["DM1"])
    alike: dict[str, list[str]] = {}
    for answer in controller["answers"]:
        head = heading(answer)
        if answer["spn"] is not None:
            head += f" for SPN {answer['spn']}" + ("" if answer["fmi"] is None else f" FMI {answer['fmi']}")
        if answer["outcome"] == "answered":
            yield 2, head
            yield from answer_lines(answer)
        elif answer["raw"]:
            yield 2, f"{head}: {_OUTCOMES[answer['outcome']]} ({answer['words']})"
            yield 4, answer["raw"]
        else:
            words = f" ({answer['words']})" if answer["words"] else ""
            alike.setdefault(_OUTCOMES[answer["outcome"]] + words, []).append(head)
    for outcome, heads in alike.items():
        yield 2, f"{outcome[:1].upper()}{outcome[1:]}: {'; '.join(heads)}"


def heading(answer: dict[str, Any]) -> str:
    """What was asked for, with its short name where that says more."""
    title = answer["title"][:1].upper() + answer["title"][1:]
    return f"{title} ({answer['key']})" if answer["key"].startswith(("DM", "PGN")) else title


def answer_lines(answer: dict[str, Any]) -> Iterator[tuple[int, str]]:
    """The lines of one answer."""
    message = answer["message"]
    if message is None:
        yield 4, f"{answer['raw'] or 'no bytes'} (no layout is known for it)"
    elif "codes" in message:
        yield from _codes(message)
    elif "frames" in message:
        yield from _frames(message)
    elif "texts" in message:
        for key, text in message["texts"].items():
            yield 4, f"{key.replace('_', ' ')}: {text or '(empty)'}"
    elif "calibrations" in message:
        for one in message["calibrations"]:
            yield 4, f"{one['identification'] or '(empty)'}, verification number {one['verification_number']}"
    elif "results" in message:
        for one in message["results"]:
            yield 4, _test_result(one)
    elif "identity_number" in message:
        yield 4, (
            f"function {message['function']}, maker's code {message['manufacturer_code']}, identity number "
            f"{message['identity_number']}, ECU instance {message['ecu_instance']}, industry group "
            f"{message['industry_group']}"
        )
    elif "obd_compliance" in message:
        yield from _readiness(message)
    elif "permanent" in message:
        yield 4, ", ".join(f"{_COUNTS[key]}: {_plain(value)}" for key, value in message.items())
    elif "spns" in message:
        yield 4, f"{len(message['spns'])} parameters; in expanded freeze frames: " + (
            ", ".join(str(one["spn"]) for one in message["spns"] if one["in_expanded_freeze_frame"]) or "none"
        )
    else:
        yield from _numbers(message)


def _readiness(message: dict[str, Any]) -> Iterator[tuple[int, str]]:
    meaning = message["obd_compliance_meaning"]
    yield 4, (
        f"active codes: {_plain(message['active_codes'])}, previously active: "
        f"{_plain(message['previously_active_codes'])}, OBD compliance: {_plain(message['obd_compliance'])}"
        + (f" ({meaning})" if meaning else "")
    )
    yield from _monitors(message["monitors"])


def _numbers(message: dict[str, Any]) -> Iterator[tuple[int, str]]:
    for reading in message["readings"]:
        yield 4, reading_text(reading)
    yield from _monitors(message.get("monitors", []))
    for ratio in message.get("ratios", []):
        name = ratio["name"] or describe_spn(ratio["spn"])
        yield 4, f"SPN {ratio['spn']} {name}: {_plain(ratio['numerator'])} of {_plain(ratio['denominator'])}"


def _monitors(monitors: list[dict[str, Any]]) -> Iterator[tuple[int, str]]:
    for words, complete in (("complete", True), ("not complete", False)):
        names = [monitor["name"] for monitor in monitors if monitor["complete"] is complete]
        if names:
            yield 4, f"{words}: {', '.join(names)}"


def _codes(message: dict[str, Any]) -> Iterator[tuple[int, str]]:
    lit = [f"{_LAMPS[lamp]} {_LIT[state]}" for lamp, state in message["lamps"].items() if state in _LIT]
    if lit:
        yield 4, f"lamps: {', '.join(lit)}"
    for code in message["codes"]:
        yield 4, code_text(code)
    if not message["codes"]:
        yield 4, "no code"


def _frames(message: dict[str, Any]) -> Iterator[tuple[int, str]]:
    if not message["frames"]:
        yield 4, "none stored"
    for frame in message["frames"]:
        yield 4, f"when it came: {code_text(frame['code'])}"
        for reading in frame["readings"] or []:
            yield 6, reading_text(reading)
        if frame["readings"] is None:
            yield 6, f"{frame['data'] or 'no data'} (the controller did not say what is in it)"
        if frame.get("maker_specific"):
            yield 6, f"maker-specific: {frame['maker_specific']}"
    if message["left_over_bytes"]:
        yield 4, f"{message['left_over_bytes']} more bytes that are no whole frame"


def code_text(code: dict[str, Any]) -> str:
    """A trouble code in words."""
    count = code["occurrence_count"]
    times = "" if count is None else f", count {count}"
    return (
        f"SPN {code['spn']} FMI {code['fmi']}: {code['spn_name'] or describe_spn(code['spn'])}, "
        f"{code['fmi_meaning']}{times}"
    )


def reading_text(reading: dict[str, Any]) -> str:
    """A number with its unit, or why there is none."""
    name = reading["name"] or f"SPN {reading['spn']}"
    if "state" not in reading:
        return f"{name}: {reading['raw']}"
    if reading["state"] != "ok":
        return f"{name}: {_NO_VALUE[reading['state']]}"
    meaning = f" ({reading['meaning']})" if "meaning" in reading else ""
    unit = f" {reading['unit']}" if reading["unit"] else ""
    return f"{name}: {reading['value']:.10g}{unit}{meaning}"


def _test_result(one: dict[str, Any]) -> str:
    name = one["name"] or describe_spn(one["spn"])
    verdict = {True: "within its limits", False: "OUTSIDE ITS LIMITS", None: "no verdict"}[one["passed"]]
    if not one["complete"]:
        verdict = "not complete"
    numbers = ", ".join(f"{key} {_plain(one[key])}" for key in ("value", "lowest", "highest"))
    return f"SPN {one['spn']} FMI {one['fmi']} {name}: {verdict} (raw: {numbers})"


def _plain(number: int | None) -> str:
    return "not available" if number is None else str(number)
