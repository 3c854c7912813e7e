"""The finding `search`: what was searched and what was found, for the result of the check."""

from __future__ import annotations

from dataclasses import replace

from mapper.check.finding import Evidence, Finding, Status
from mapper.check.result import CheckResult
from mapper.check.search.search import SearchResult
from mapper.profile.profile import Profile

LIMIT = "search"
_NEGATIVE = "does not hold"


def search_finding(profile: Profile, result: SearchResult, recording_file: str) -> Finding:
    """recording_file: where the example that was found is written."""
    mean = result.ticks / result.cases if result.cases else 0.0
    searched = (
        f"{result.cases} examples of {mean:.0f} ticks on average, seed {result.seed}, {result.seconds:.1f} s: motion "
        "at several inputs, sensor faults, stops, releases, resets, modes, key and power-ups in any order, through the "
        "compiled law and a plant of the profile's class"
    )
    if result.found is None:
        detail = f"nothing found in {searched}"
        return _finding(result, Status.HOLDS, 0, detail, "")
    names = tuple(joint.name for joint in profile.joints)
    found = result.found
    words = found.breach.in_words(names, float(profile.controller.tick_s))
    detail = (
        f"{words}; found in {searched}; made smaller from {found.first_ticks} to {found.ticks} ticks: {recording_file}"
    )
    advice = f"do not upload; mapper replay {profile.file_name} {recording_file} shows it"
    return _finding(result, Status.VIOLATED, 1, detail, advice)


def _finding(result: SearchResult, status: Status, found: int, detail: str, advice: str) -> Finding:
    return Finding(
        limit=LIMIT,
        joint=None,
        status=status,
        evidence=Evidence.SEARCH,
        cases=result.cases,
        worst=float(found),
        bound=0.0,
        unit="found",
        margin=None,
        detail=detail,
        advice=advice,
    )


def with_search(result: CheckResult, finding: Finding) -> CheckResult:
    """The result with this finding last. No waiver stands for it: what the search finds is a broken rule or bound."""
    verdict = _NEGATIVE if finding.status is Status.VIOLATED else result.result
    return replace(result, findings=(*result.findings, finding), result=verdict)
