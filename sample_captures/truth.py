"""The truth about the sample captures, read from ``truth.yaml``, and reports held against it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import yaml


@dataclass(frozen=True, slots=True, kw_only=True)
class MustHave:
    """A finding that must stand in a report. None: not asked for."""

    check: str
    kind: str
    verdict: str
    remedy: str | None = None
    tracks: tuple[int, ...] | None = None
    at_s: float | None = None
    within_s: float = 0.0
    times: int = 1

    def is_met_by(self, finding: Mapping[str, Any]) -> bool:
        """Whether a finding of a report (its JSON form) is the one meant."""
        named = all(
            finding[key] == value
            for key, value in (
                ("check", self.check),
                ("kind", self.kind),
                ("verdict", self.verdict),
                ("remedy", self.remedy),
            )
            if value is not None
        )
        there = self.tracks is None or tuple(finding["tracks"]) == self.tracks
        if not (named and there) or self.at_s is None:
            return named and there
        start_s = finding["start_s"]
        return start_s is not None and abs(start_s - self.at_s) <= self.within_s

    def __str__(self) -> str:
        place = "" if self.at_s is None else f" at {self.at_s} s"
        return f"{self.check}/{self.kind} {self.verdict} on tracks {self.tracks}{place}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What one capture must yield, and why."""

    path: str
    verdict: str
    why: str
    findings: tuple[MustHave, ...] = ()


def load() -> tuple[Truth, ...]:
    """The truth of every sample capture, in the order of the file.

    Raises:
        TypeError: an unknown or a missing key in the file.
    """
    text = files(__package__).joinpath("truth.yaml").read_text(encoding="utf-8")
    return tuple(_truth(entry) for entry in yaml.safe_load(text)["captures"])


def _truth(entry: dict[str, Any]) -> Truth:
    listed = [
        MustHave(**{**f, "tracks": tuple(f["tracks"])} if "tracks" in f else f)
        for f in entry.pop("findings", [])
    ]
    return Truth(**entry, findings=tuple(listed))


def differences(truth: Truth, report: Mapping[str, Any]) -> list[str]:
    """Where a report (its JSON form) departs from the truth; empty where it agrees."""
    said: list[str] = []
    if report["verdict"] != truth.verdict:
        said.append(f"verdict is {report['verdict']}, not {truth.verdict}")
    left: Sequence[Mapping[str, Any]] = [f for f in report["findings"] if f["verdict"] != "clear"]
    for must in truth.findings:
        met = [f for f in left if must.is_met_by(f)]
        if not met:
            said.append(f"missing: {must}")
        elif len(met) > must.times:
            said.append(f"{len(met)} times instead of {must.times}: {must}")
        left = [f for f in left if f not in met]
    said += [
        f"not expected: {f['check']}/{f['kind']} {f['verdict']} on tracks {f['tracks']} "
        f"at {f['start_s']} s: {f['text']}"
        for f in left
    ]
    return said
