"""What a colleague would say at a glance: one or two short sentences about the job, from what the history knows.

It claims nothing that was not heard: without a fault report (DM1) there are not 'no faults', and a controller that
stopped talking keeps its last word only as its last word.
"""

from __future__ import annotations

from typing import NamedTuple

from faultlamp.history.controllers import Controller
from faultlamp.history.key_cycles import GAP_NS, RUNNING_RPM, KeyCycle
from faultlamp.history.nodes import Node
from faultlamp.j1939.diagnostics import LAMP_PLACES, Lamp
from faultlamp.tui.job import Job
from faultlamp.tui.names import LAMP_WORDS, count_of, title, together, who
from faultlamp.tui.paint import Role
from faultlamp.tui.readings.value import Seen, Value
from faultlamp.tui.times import length


class Sentence(NamedTuple):
    """The text, how it should strike the eye, and the gravest lamp that is asked for now."""

    text: str
    role: Role
    lamp: Lamp | None = None


def sentence(job: Job, speed: Value, now_ns: int | None, *, waiting: str, trouble: str = "") -> Sentence:
    """What to say at `now_ns`.

    speed: engine speed of the engine's address, as live as it is. waiting: what to do while nothing has been heard.
    trouble: why nothing can be heard now, empty when something could.
    """
    if trouble:
        below = " What stands below is as it was last heard." if job.history.frames else ""
        return Sentence(f"Not listening now: {trouble}.{below}", Role.WARN)
    if now_ns is None or not job.history.frames:
        return Sentence(waiting, Role.PLAIN)
    if not job.nodes.nodes:
        return Sentence(
            "Frames arrive, but none of them is J1939: check the bit rate, and that this is the engine's bus.",
            Role.WARN,
        )
    engine, key_on = _engine(job, speed, now_ns)
    controllers = list(job.history.controllers.values())
    reporting = [controller for controller in controllers if controller.lamps is not None]
    faults = _faults(controllers, reporting, key_on)
    parts = [f"{engine}{faults}."]
    lamp, askers = _worst_lamp(reporting) if key_on else (None, [])
    if lamp is not None:
        parts.append(_asking(job, lamp, askers, speed))
    silent = [controller for controller in controllers if controller.lamps is None and controller.last_dm1_ns]
    if key_on and silent:
        parts.append(_stopped(job, silent, now_ns))
    any_active = any(controller.active_faults for controller in reporting)
    role = Role.STOP if lamp is Lamp.RED_STOP else Role.WARN if lamp or any_active or (key_on and silent) else (
        Role.CALM if reporting and key_on else Role.PLAIN
    )
    return Sentence(" ".join(parts), role, lamp)


def _engine(job: Job, speed: Value, now_ns: int) -> tuple[str, bool]:
    """What the engine does, and whether the key is on."""
    address = job.history.engine_address
    engine = title(who(address))
    nodes = [node for (_, source), node in job.nodes.nodes.items() if source == address]
    if not nodes:
        others = count_of(len(job.nodes.nodes), "other controller")
        return f"{engine} not heard yet, {others} heard", True
    if not any(_current(cycles.current) for cycles in job.history.key_cycles.values()):
        return _silence(job, nodes, engine, now_ns)
    if speed.seen is not Seen.NUMBER or speed.number is None:
        return f"Key on, engine speed {speed.words}", True
    if speed.number >= RUNNING_RPM:
        return f"Running at {speed.number:.0f} rpm", True
    return (f"Turning at {speed.number:.0f} rpm" if speed.number else "Key on, engine stopped"), True


def _current(cycle: KeyCycle | None) -> bool:
    return cycle is not None


def _silence(job: Job, engines: list[Node], engine: str, now_ns: int) -> tuple[str, bool]:
    last_ns = max(node.last_ns for node in engines)
    anybody_ns = max(node.last_ns for node in job.nodes.nodes.values())
    if now_ns - anybody_ns < GAP_NS:
        return f"{engine} has been silent for {length(now_ns - last_ns)}, others still talk", True
    return f"Key off: nothing heard for {length(now_ns - anybody_ns)}", False


def _faults(controllers: list[Controller], reporting: list[Controller], key_on: bool) -> str:
    if not any(controller.last_dm1_ns for controller in controllers):
        return ", no fault report (DM1) heard yet"
    active = sum(len(controller.active_faults) for controller in reporting)
    if key_on and reporting:
        return f", {count_of(active, 'active fault')}"
    lamp = _last_lamp(controllers)
    asked = f", {LAMP_WORDS[lamp]} asked for" if lamp else ""
    return f". Last reported: {count_of(active + _left_by_silence(controllers), 'active fault')}{asked}"


def _left_by_silence(controllers: list[Controller]) -> int:
    """Faults that the last DM1 of a controller which then fell silent did list."""
    return sum(
        controller.left_by_silence(fault) for controller in controllers for fault in controller.faults.values()
    )


def _last_lamp(controllers: list[Controller]) -> Lamp | None:
    """The gravest lamp that the last DM1 of a controller asked for."""
    for lamp in LAMP_WORDS:
        for controller in controllers:
            spans = controller.lamp_spans[lamp]
            if spans and spans[-1].state.lit and spans[-1].end_ns in (None, controller.last_dm1_ns):
                return lamp
    return None


def _worst_lamp(reporting: list[Controller]) -> tuple[Lamp | None, list[Controller]]:
    for lamp in LAMP_WORDS:
        askers = [
            controller for controller in reporting
            if controller.lamps is not None and controller.lamps[LAMP_PLACES[lamp]].lit
        ]
        if askers:
            return lamp, askers
    return None, []


def _asking(job: Job, lamp: Lamp, askers: list[Controller], speed: Value) -> str:
    names = title(together([name_of(job, controller) for controller in askers]))
    text = f"{names} {'asks' if len(askers) == 1 else 'ask'} for the {LAMP_WORDS[lamp]}"
    stopped = speed.seen is Seen.NUMBER and speed.number == 0
    do = "keep the engine stopped" if stopped else "stop the engine"
    if not any(controller.active_faults for controller in askers):
        # Common practice, no source: all lamps shine for some seconds after key on, to show that they can.
        text += " without a fault: a lamp test at key on?"
        return f"{text} If not, {do}." if lamp is Lamp.RED_STOP else text
    return f"{text}: {do}; the maker's manual decides." if lamp is Lamp.RED_STOP else f"{text}."


def _stopped(job: Job, silent: list[Controller], now_ns: int) -> str:
    names = together([name_of(job, controller) for controller in silent])
    since_ns = max(controller.last_dm1_ns or 0 for controller in silent)
    return f"No fault report from {names} for {length(now_ns - since_ns)}."


def name_of(job: Job, controller: Controller) -> str:
    """A controller in running text, with its channel where the job has several."""
    return who(controller.source_address, controller.channel if len(job.history.channels) > 1 else "")
