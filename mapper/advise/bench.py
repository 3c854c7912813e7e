"""What the check says of a file with other numbers in it: of one joint, or of what all joints share."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from mapper.advise.draft import Draft, Texts
from mapper.check.finding import Finding, Status
from mapper.check.result import JOINT_LIMITS, MACHINE_LIMITS, Case, case_of, found_by, machine_findings, waiver_of
from mapper.law import TableRefused
from mapper.profile.positions import Path
from mapper.table import CompileError, compile_table, encode_table

_Given = Finding | tuple[Finding, ...] | None
_BAD = (Status.VIOLATED, Status.NOT_SHOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Breach:
    """Why numbers do not do: a finding that does not hold, or the words of the reader or the compiler."""

    finding: Finding | None = None
    rule: str = ""
    place: int | None = None  # of the limit in the check's order
    of_format: bool = False  # the rule is what file or table can hold, and says nothing about the machine

    @property
    def limit(self) -> str:
        if self.finding is not None:
            return self.finding.limit
        return "the format" if self.of_format else "the file's rules"


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What one try showed. `outputs`: by place of the limit in the check's order, the findings that were looked at."""

    breach: Breach | None
    outputs: Mapping[int, tuple[Finding, ...]] = field(default_factory=dict)
    broken: tuple[Finding, ...] = ()  # all of them that stop a search

    def margin(self, limit: str, joint: str | None) -> float | None:
        every = (one for found in self.outputs.values() for one in found)
        return next((one.margin for one in every if (one.limit, one.joint) == (limit, joint)), None)


class Bench:
    """One file. `tries` counts every setting that was compiled and looked at."""

    def __init__(self, data: bytes, file_name: str) -> None:
        """Raises ProfileError."""
        self.draft = Draft(data, file_name)
        self.tries = 0
        self._held: dict[tuple[tuple[str, ...], frozenset[tuple[Path, str]]], Measured] = {}
        self._bad_now: dict[tuple[str, str | None], Finding] = {}
        self._bad_shared: tuple[Finding, ...] | None = None
        for name in {waiver.joint for waiver in self.draft.profile_now.waivers} & {*self.names}:
            for found in self.joint({}, str(name)).outputs.values():
                self._note(one for one in found if waiver_of(one, self.draft.profile_now.waivers) is not None)
        self._held.clear()

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(joint.name for joint in self.draft.profile_now.joints)

    def partners(self, name: str) -> tuple[str, ...]:
        """Joints that share a coupled stop with this one: their braking curves are compiled with its settings."""
        stops = [stop.joints for stop in self.draft.profile_now.coupled_stops if name in stop.joints]
        return tuple(one for one in self.names if one != name and any(one in joints for joints in stops))

    def joint(
        self,
        texts: Texts,
        name: str,
        *,
        with_joints: tuple[str, ...] = (),
        first: int | None = None,
        skip: frozenset[int] = frozenset(),
        to_the_end: bool = True,
    ) -> Measured:
        """The limits of one joint.

        Args:
            texts: what is written differently from the file.
            name: the joint.
            with_joints: joints whose limits count, too, since their braking curves look at this one's settings.
            first: place of the limit that is looked at before the others, since it is likely to break.
            skip: places of limits that are not looked at.
            to_the_end: look at the rest, too, when one limit is broken.
        """
        key = ((name, *with_joints), frozenset(texts.items()))
        if key in self._held:
            return self._held[key]
        opened = self._open(texts)
        if isinstance(opened, Breach):
            return Measured(breach=opened)
        named = {one.joint.name: one for one in opened.joints}
        looked_at = [named[one] for one in (name, *with_joints)]
        limits = [functools.partial(limit, one, opened.running) for one in looked_at for limit in JOINT_LIMITS]
        measured = self._measured(limits, first, skip, to_the_end)
        if measured.breach is None and not skip:
            # The next number is searched from the settings at which this one ended.
            self._held = {key: measured}
        return measured

    def machine(
        self, texts: Texts, *, first: int | None = None, skip: frozenset[int] = frozenset(), to_the_end: bool = False
    ) -> Measured:
        """The limits that all joints share; arguments as of `joint`. One that does not hold as the file is may not get
        worse.
        """
        self.bad_now()
        opened = self._open(texts)
        if isinstance(opened, Breach):
            return Measured(breach=opened)
        limits = [functools.partial(limit, opened) for limit in MACHINE_LIMITS]
        return self._measured(limits, first, skip, to_the_end)

    def _measured(
        self, limits: Sequence[Callable[[], _Given]], first: int | None, skip: frozenset[int], to_the_end: bool
    ) -> Measured:
        outputs: dict[int, tuple[Finding, ...]] = {}
        broken: list[Finding] = []
        breach: Breach | None = None
        for place in sorted(set(range(len(limits))) - skip, key=lambda place: place != first):
            outputs[place] = found_by(limits[place]())
            broken += self._stopping(outputs[place])
            if breach is None and broken:
                breach = Breach(finding=broken[0], place=place)
            if breach is not None and not to_the_end:
                break
        return Measured(breach=breach, outputs=outputs, broken=tuple(broken))

    def bad_now(self) -> tuple[Finding, ...]:
        """Limits that all joints share and that do not hold as the file is, waived or not."""
        if self._bad_shared is None:
            opened = self._open({})
            found = () if isinstance(opened, Breach) else machine_findings(opened)
            self._bad_shared = tuple(one for one in found if one.status in _BAD)
            self._note(self._bad_shared)
        return self._bad_shared

    def must_mend(self, texts: Texts) -> None:
        """What joints share, is broken in the file and holds with these numbers has to hold from now on, unless it is
        waived.
        """
        opened = self._open(texts)
        if not self.bad_now() or isinstance(opened, Breach):
            return
        mended = {one.limit for one in machine_findings(opened) if one.status not in _BAD}
        for one in self.bad_now():
            if one.limit in mended and waiver_of(one, self.draft.profile_now.waivers) is None:
                self._bad_now.pop((one.limit, None), None)

    def _note(self, findings: Iterable[Finding]) -> None:
        self._bad_now.update({(one.limit, one.joint): one for one in findings})

    def _open(self, texts: Texts) -> Case | Breach:
        self.tries += 1
        profile = self.draft.profile(texts)
        if isinstance(profile, str):
            return Breach(rule=profile)
        try:
            table = compile_table(profile)
            return case_of(profile, table, encode_table(table))
        except (CompileError, TableRefused) as error:
            return Breach(rule=error.message, of_format=True)

    def _stopping(self, found: Iterable[Finding]) -> list[Finding]:
        return [one for one in found if one.status in _BAD and not self._no_worse(one)]

    def _no_worse(self, finding: Finding) -> bool:
        """A limit that is waived, or that all joints share and that is broken as the file is, stops no search as long
        as no number makes it worse. One that could not be shown says nothing to compare: then nothing may differ.
        """
        before = self._bad_now.get((finding.limit, finding.joint))
        if before is None:
            return False
        if finding.status is Status.NOT_SHOWN or before.status is Status.NOT_SHOWN:
            return finding.status is before.status and finding.detail == before.detail
        if finding.margin is None or before.margin is None:
            return (finding.worst, finding.bound) == (before.worst, before.bound)
        return finding.margin >= before.margin


def unmoved(before: Measured, after: Measured) -> frozenset[int]:
    """Places of limits whose findings are the same in both."""
    return frozenset(place for place, found in before.outputs.items() if after.outputs.get(place) == found)


def broken_in_all(measured: Sequence[Measured]) -> tuple[Finding, ...]:
    """Findings of the first try whose limit is broken in all the others, too. A try that the reader or the compiler
    refused has none and does not count.
    """
    others = [{found.limit for found in one.broken} for one in measured if one.outputs]
    return tuple(found for found in measured[0].broken if all(found.limit in limits for limits in others))
