"""The doctor's report as the JSON document that scripts rely on (docs/doctor.md); the page for people shows the same.

All text in it is harmless (`faultlamp.text.printable`): names of channels and ports come from outside.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from typing import Any

from faultlamp.bus.options import BusSettings
from faultlamp.doctor.adapters import Adapters
from faultlamp.doctor.checks import SILENT_BUS, SOURCE
from faultlamp.doctor.diagnosis import BitRateLooks, State, bit_rate_looks, findings
from faultlamp.doctor.links import Link
from faultlamp.doctor.listening import SHORTEST_S, Examination, best_trial
from faultlamp.doctor.packages import Package
from faultlamp.doctor.tally import Sender
from faultlamp.j1939.address import Name
from faultlamp.text import printable

SCHEMA = 1


def inventory_document(
    *,
    faultlamp_version: str,
    python: str,
    system: str,
    packages: Sequence[Package],
    adapters: Adapters,
    configuration_files: Sequence[str],
    configuration_variables: Sequence[str],
) -> dict[str, Any]:
    """What is on this machine; `bus` and `bit_rate_trials` are null until they are put in."""
    return {
        "schema": SCHEMA,
        "faultlamp": faultlamp_version,
        "python": python,
        "system": system,
        "packages": [
            {"name": package.name, "version": package.version, "needed_for": package.extra, "install": package.install}
            for package in packages
        ],
        "interfaces": [asdict(driver) for driver in adapters.drivers],
        "channels": [
            {"interface": channel.interface, "channel": printable(channel.channel), "link": _link(channel.link)}
            for channel in adapters.channels
        ],
        "search_troubles": list(adapters.troubles),
        "configuration": {
            "files": [printable(path) for path in configuration_files],
            "variables": list(configuration_variables),
        },
        "bit_rate_trials": None,
        "bus": None,
    }


def bus_document(examination: Examination, address_name: Callable[[int], str | None]) -> dict[str, Any]:
    """What was found on a bus. address_name: the usual device at a source address."""
    evidence, counts = examination.evidence, examination.evidence.counts
    heard = examination.opened
    silent = examination.state in (State.SILENT, State.ERRORS_ONLY)
    return {
        **_settings(examination.settings),
        "state": str(examination.state),
        "error": examination.error,
        "listened_s": round(evidence.seconds, 3),
        "bit_rate": examination.bit_rate,
        "bit_rate_looks": str(bit_rate_looks(evidence) if heard else BitRateLooks.UNKNOWN),
        "hardware_listen_only": examination.listen_only,
        "link": _link(examination.link),
        "frames": counts.frames,
        "frames_per_s": _rate(counts.frames, evidence.seconds),
        "extended_frames": counts.extended,
        "extended_frames_per_s": _rate(counts.extended, evidence.seconds),
        "base_frames": counts.base,
        "remote_frames": counts.remote,
        "fd_frames": counts.fd,
        "error_frames": counts.errors,
        "garbled": evidence.garbled,
        "lost": evidence.lost,
        "load": [
            {
                "bit_rate": load.bit_rate, "assumed": examination.bit_rate is None, "percent": round(load.percent, 2),
                "least_percent": round(load.least_percent, 2), "most_percent": round(load.most_percent, 2),
            }
            for load in examination.loads
        ],
        "engine": {
            "source_address": evidence.engine_address,
            "usual_device": address_name(evidence.engine_address),
            "heard": any(sender.source_address == evidence.engine_address for sender in evidence.senders),
        },
        "senders": [_sender(sender, examination, address_name) for sender in evidence.senders],
        "findings": [
            {"code": str(finding.code), "text": finding.text} for finding in (findings(evidence) if heard else ())
        ],
        "checks": [
            {"check": check.what, "how": list(check.how), "source": SOURCE} for check in (SILENT_BUS if silent else ())
        ],
    }


def trials_document(trials: Sequence[Examination]) -> list[dict[str, Any]]:
    """One entry a bit rate, in the order tried; `right` at the one with frames and without errors."""
    best = best_trial(trials)
    return [
        {
            "bit_rate": trial.settings.bitrate,
            "state": str(trial.state),
            "frames": trial.evidence.counts.frames,
            "error_frames": trial.evidence.counts.errors,
            "garbled": trial.evidence.garbled,
            "error": trial.error,
            "right": trial is best,
        }
        for trial in trials
    ]


def _settings(settings: BusSettings) -> dict[str, Any]:
    return {
        "interface": None if settings.interface is None else printable(settings.interface),
        "channel": None if settings.channel is None else printable(settings.channel),
    }


def _link(link: Link | None) -> dict[str, Any] | None:
    if link is None:
        return None
    return {
        "up": link.up, "kind": link.kind, "bit_rate": link.bit_rate, "state": link.state,
        "listen_only": link.listen_only,
    }


def _sender(
    sender: Sender, examination: Examination, address_name: Callable[[int], str | None]
) -> dict[str, Any]:
    return {
        "channel": printable(sender.channel),
        "source_address": sender.source_address,
        "usual_device": address_name(sender.source_address),
        "is_engine": sender.source_address == examination.evidence.engine_address,
        "frames": sender.frames,
        "frames_per_s": _rate(sender.frames, examination.evidence.seconds),
        "sends_dm1": sender.active_faults is not None,
        "active_faults": sender.active_faults,
        "names": [_name(name) for name in sender.names],
    }


def _name(name: Name) -> dict[str, Any]:
    return {
        "function": name.function,
        "function_instance": name.function_instance,
        "ecu_instance": name.ecu_instance,
        "vehicle_system": name.vehicle_system,
        "vehicle_system_instance": name.vehicle_system_instance,
        "industry_group": name.industry_group,
        "industry": name.industry,
        "manufacturer_code": name.manufacturer_code,
        "identity_number": name.identity_number,
        "arbitrary_address_capable": name.arbitrary_address_capable,
    }


def _rate(frames: int, seconds: float) -> float | None:
    return round(frames / seconds, 2) if seconds >= SHORTEST_S else None
