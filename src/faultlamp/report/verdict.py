"""What a colleague would say of the job, and what cannot be said.

Rule: nothing is claimed that was not heard. Without a fault report (DM1) there are not 'no faults', and the faults of a
controller that fell silent (SAE J1939-73, section 5.7.1: DM1 each second) are neither active nor gone.
"""

from __future__ import annotations

from collections import Counter

from faultlamp.history.controllers import Controller
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.knowledge.crosswalk import LAMP_WORDS
from faultlamp.report.paper import Heard, Verdict
from faultlamp.report.standing import ACTIVE, GONE, SILENT, STORED, Standing, asked_for, last_asked_for
from faultlamp.report.words import NS_PER_S, Clock, Senders, count_of, length, title, together

_SHORT_NS = 10 * NS_PER_S
_MANUAL = "The maker's manual decides what comes next."


def verdict(heard: Heard, found: list[Standing], clock: Clock, senders: Senders) -> Verdict:
    """The sentences. found: all faults."""
    history = heard.history
    controllers = [history.controllers[key] for key in sorted(history.controllers)]
    reporting = [one for one in controllers if one.last_dm1_ns is not None]
    unknown = tuple(_unknown(heard, reporting, clock, senders))
    if not history.frames:
        what = "Nothing in the recording could be read as a frame" if heard.bad_lines else "Nothing was recorded"
        return Verdict("?", (f"{what}, so nothing is known about the machine.",), False, unknown)
    if not heard.nodes.nodes and not controllers:
        text = "Frames were recorded, but none of them is J1939, so nothing is known about faults."
        return Verdict("?", (text,), False, unknown)
    sentences = []
    stop = _stop(reporting, senders)
    if stop:
        sentences += [stop, _MANUAL]
    if not reporting:
        sentences.append("No fault report (DM1) was heard, so it is not known whether a fault is active.")
        if found:
            sentences.append(f"{title(count_of(len(found), 'fault'))} stood in reports of earlier faults.")
        return Verdict("?", tuple(sentences), bool(stop), unknown)
    sentences += _counted(found, [one.lamps is not None for one in reporting])
    sentences += _lamps_alone(reporting, senders)
    active = any(one.state == ACTIVE for one in found)
    silent = any(one.lamps is None for one in reporting)
    shape = "■" if stop else "●" if active else "?" if silent else "○"
    return Verdict(shape, tuple(sentences), bool(stop), unknown)


def _counted(found: list[Standing], heard_at_end: list[bool]) -> list[str]:
    """How many faults there were, by how they stand. heard_at_end: of each controller that ever sent a DM1."""
    count = Counter(one.state for one in found)
    active, silent = count[ACTIVE], count[SILENT]
    went = sum(one.state in (STORED, GONE) and bool(one.fault.spans) for one in found)
    earlier = sum(not one.fault.spans for one in found)
    if not any(heard_at_end):
        sentences = ["At the end no controller sent a fault report any more, so it is not known what was active then."]
    elif active:
        sentences = [f"{title(count_of(active, 'fault'))} {_was(active)} active at the end."]
    elif silent or (found and not all(heard_at_end)):
        sentences = ["No fault is known to have been active at the end."]
    else:
        sentences = ["No fault was active at the end."] if found else ["No fault was reported."]
    if silent:
        ended = "its controller" if silent == 1 else "their controllers"
        sentences.append(
            f"{title(count_of(silent, 'fault'))} {_was(silent)} active when {ended} fell silent: whether "
            f"{'it is' if silent == 1 else 'they are'} gone is not known."
        )
    if went:
        sentences.append(f"{title(count_of(went, 'fault'))} {_was(went)} active during the job and went.")
    if earlier:
        sentences.append(
            f"{title(count_of(earlier, 'fault'))} {_was(earlier)} not active in this job and only listed as stored or "
            "pending."
        )
    return sentences


def _stop(reporting: list[Controller], senders: Senders) -> str:
    """About the red stop lamp; empty when nobody asks for it."""
    askers = [one for one in reporting if Lamp.RED_STOP in (asked_for(one) or ())]
    if askers:
        who = together([senders.name(one.channel, one.source_address) for one in askers])
        text = f"{title(who)} asked for the red stop lamp at the end: do not run the engine."
        if not any(one.active_faults for one in askers):
            # Common practice, no source: all lamps shine for some seconds after key on, to show that they can.
            text += " There was no fault with it, so it may have been a lamp check at key on."
        return text
    last = [one for one in reporting if last_asked_for(one, Lamp.RED_STOP)]
    if not last:
        return ""
    who = together([senders.name(one.channel, one.source_address) for one in last])
    return (
        f"{title(who)} asked for the red stop lamp in the last report before silence: do not run the engine before "
        "that is cleared up."
    )


def _lamps_alone(reporting: list[Controller], senders: Senders) -> list[str]:
    """Lamps at the end with no active fault to explain them; the red stop lamp has its own sentence."""
    alone: dict[Lamp, list[str]] = {}
    for one in reporting:
        asked = asked_for(one)
        if asked and Lamp.RED_STOP not in asked and not one.active_faults:
            alone.setdefault(asked[0], []).append(senders.name(one.channel, one.source_address))
    return [
        f"{title(together(alone[lamp]))} asked for the {words} at the end, but listed no fault with it."
        for lamp, words in LAMP_WORDS.items() if lamp in alone
    ]


def _unknown(heard: Heard, reporting: list[Controller], clock: Clock, senders: Senders) -> list[str]:
    """What is not known, a sentence each."""
    history, at_ns = heard.history, heard.at_ns
    lines = [heard.so_far] if heard.so_far else []
    if heard.bad_lines:
        lines.append(f"{title(count_of(heard.bad_lines, 'line'))} of the recording could not be read as a frame.")
    if not history.frames or at_ns is None:
        return lines
    lines += _silences(history.engine_address, heard, reporting, at_ns, senders)
    took_ns = at_ns - clock.start_ns
    if not history.clock_steps and took_ns < _SHORT_NS:
        lines.append(f"The recording is only {length(took_ns)} long: a fault may need longer to show.")
    if history.clock_steps:
        lines.append(
            f"The clock stepped back {count_of(history.clock_steps, 'time')}: what was open then was taken to end "
            "there; readings, and who was on the bus, are those since the last step."
        )
    if heard.lost_ns:
        lost = sum(max(end_ns - start_ns, 0) for start_ns, end_ns in heard.lost_ns)
        lines.append(f"The bus could not be heard {count_of(len(heard.lost_ns), 'time')}, {length(lost)} in all.")
    lines += _transport(heard)
    older = sum(fault.conversion_method for one in reporting for fault in one.faults.values())
    if older:
        lines.append(
            f"{title(count_of(older, 'code'))} came in an older form (CM bit 1), in which the SPN cannot be known for "
            "certain; --spn-conversion says how to read it."
        )
    if history.room.refused:
        lines.append(
            f"{title(count_of(history.room.refused, 'fault or span', 'faults or spans'))} found no room; the traffic "
            "looks damaged or hostile."
        )
    return lines


def _silences(
    engine: int, heard: Heard, reporting: list[Controller], at_ns: int, senders: Senders
) -> list[str]:
    lines = []
    history = heard.history
    if not any(address == engine for _, address in heard.nodes.nodes) and not history.key_cycles:
        lines.append(f"Nothing was heard from the engine's address ({engine}).")
    elif not any(one.source_address == engine for one in reporting):
        lines.append(f"The engine's address ({engine}) sent no fault report (DM1).")
    silent = [one for one in reporting if one.lamps is None]
    for one in silent[:_MOST_SILENT]:
        since_ns = at_ns - (one.last_dm1_ns or at_ns)
        ago = f" in the last {length(since_ns)}" if since_ns > 0 else " at the end"
        lines.append(f"{title(senders.name(one.channel, one.source_address))} sent no fault report{ago}.")
    if len(silent) > _MOST_SILENT:
        lines.append(f"{len(silent) - _MOST_SILENT} more controllers sent none either.")
    return lines


_MOST_SILENT = 10


def _transport(heard: Heard) -> list[str]:
    counts = heard.history.transport_counts().as_dict()
    troubles = [f"{count:,} {name.replace('_', ' ')}" for name, count in counts.items()
                if count and name != "completed"]
    if not troubles:
        return []
    return [
        f"Some long messages did not arrive whole ({', '.join(troubles)}); a list of faults may have been among them."
    ]


def _was(number: int) -> str:
    return "was" if number == 1 else "were"
