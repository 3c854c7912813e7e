"""The whole: every joint, the limits that joints share, and the full check of what comes out.

Each round goes through the stages of `number.STAGES`. Joints are searched apart; where together they ask for more than
a shared limit leaves (the pump, the tip), all give up the same share of what the stage gained them, and what rounding
left over goes to the joints in the order of the file. Rounds go on until no number can go a step farther alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from fractions import Fraction

from mapper.advise.bench import Bench, Breach, unmoved
from mapper.advise.edit import changed_lines, edited
from mapper.advise.joint import Outcome, Task, bench_of
from mapper.advise.number import STAGES, Number, amounts_of, between, full_speed, is_never_above, numbers_of, texts_of
from mapper.advise.result import Advice, JointAdvice, NumberAdvice
from mapper.check.finding import Finding
from mapper.check.result import CheckResult, check_profile
from mapper.profile import read_profile
from mapper.profile.positions import Path
from mapper.table import compile_table, encode_table

RunTasks = Callable[[list[Task]], Iterable[Outcome]]
"""Runs tasks, here or in other processes; outcomes in any order."""

_ROUNDS_MOST = 6
_ATTEMPTS = 2
"""Rounds start once more from less, where what was found did not hold together."""
_BISECTIONS = 6
_DRAW_BACK = tuple(Fraction(percent, 100) for percent in (98, 95, 90, 80, 60, 40, 20, 0))
_BACK = tuple(Fraction(part, 16) for part in (16, 15, 14, 12, 8, 4, 0))
_GENTLEST = Fraction(1, 20)


def advise(data: bytes, file_name: str, names: tuple[str, ...], *, never_above: bool, run: RunTasks) -> Advice:
    """The largest settings of these joints that hold together.

    Args:
        data: a profile file.
        file_name: for messages.
        names: the joints whose numbers may change.
        never_above: whether speed_never_above may be raised, too.
        run: runs the searches.
    Raises:
        ProfileError: the file cannot be used.
        EditError: a value cannot be put into the file.
    """
    return _Advisor(data, file_name, names, never_above, run).advice()


class _Advisor:
    def __init__(self, data: bytes, file_name: str, names: tuple[str, ...], never_above: bool, run: RunTasks) -> None:
        self._data, self._file_name, self._never_above, self._run = data, file_name, never_above, run
        self._bench: Bench = bench_of(data, file_name)
        self._numbers: dict[str, tuple[Number, ...]] = {
            name: numbers_of(self._bench.draft, name, never_above) for name in names
        }
        self._amounts: dict[Path, Fraction] = amounts_of(self._every())
        self._breaches: dict[Path, Breach] = {}
        self._shared: dict[Path, Breach] = {}  # numbers that a shared limit stops, and which
        self._starts: dict[str, Outcome] = {}
        self._tries: dict[str, int] = dict.fromkeys(names, 0)
        self._holding: frozenset[str] = frozenset()

    def _every(self) -> tuple[Number, ...]:
        return tuple(number for numbers in self._numbers.values() for number in numbers)

    def advice(self) -> Advice:
        for outcome in self._outcomes([self._task(name, "start") for name in self._numbers]):
            self._starts[outcome.task.joint] = outcome
            if outcome.amounts is not None:
                self._amounts.update(outcome.amounts)
        self._holding = frozenset(name for name in self._bench.names if self._holds(name))
        if self._bench.bad_now():
            speeds = tuple(number for number in self._every() if number.stage == "speeds")
            self._bench.must_mend(texts_of(self._every(), self._gentlest(speeds, self._amounts)))
        started = dict(self._amounts)
        rounds = 0
        for _ in range(_ATTEMPTS):
            rounds += self._rounds()
            result, drawn_back = self._in_full(started)
            if not drawn_back:
                break
        new = self._edited()
        return Advice(
            joints=tuple(self._joint_advice(name, result) for name in self._numbers),
            data=new,
            changes=changed_lines(self._data, new),
            check=result,
            bad_now=self._bench.bad_now(),
            drawn_back=drawn_back,
            revision=self._bench.draft.profile_now.revision,
            rounds=rounds,
            tries=self._bench.tries + sum(self._tries.values()),
        )

    def _rounds(self) -> int:
        """Until no number goes farther; how many it took."""
        count, before = 0, None
        while self._amounts != before and count < _ROUNDS_MOST:
            count, before = count + 1, dict(self._amounts)
            for stage in STAGES:
                self._stage(stage)
        return count

    def _holds(self, name: str) -> bool:
        return self._bench.joint(texts_of(self._every(), self._amounts), name, to_the_end=False).breach is None

    # -- one stage of all joints -------------------------------------------------------------------------------------

    def _stage(self, stage: str) -> None:
        inner = dict(self._amounts)
        self._shared = {path: breach for path, breach in self._shared.items() if self._still_stops(path, stage)}
        self._search(stage)
        numbers = tuple(number for number in self._every() if number.stage == stage)
        breach = self._machine(self._amounts)
        if breach is not None:
            self._give_up(numbers, inner, dict(self._amounts), breach)

    def _search(self, stage: str) -> None:
        """Joints that share a coupled stop one after the other, each with what the one before it came to."""
        waiting = list(self._possible())
        while waiting:
            wave = [name for at, name in enumerate(waiting) if not {*self._bench.partners(name)} & {*waiting[:at]}]
            for outcome in self._outcomes([self._task(name, stage) for name in wave]):
                assert outcome.amounts is not None, "a search starts from settings that hold"
                self._amounts.update(outcome.amounts)
                self._breaches.update(outcome.breaches)
            waiting = [name for name in waiting if name not in wave]

    def _possible(self) -> tuple[str, ...]:
        return tuple(name for name in self._numbers if self._starts[name].amounts is not None)

    def _task(self, name: str, stage: str) -> Task:
        numbers = self._numbers[name]
        others = tuple(number for number in self._every() if number.joint != name)
        return Task(
            data=self._data,
            file_name=self._file_name,
            joint=name,
            stage=stage,
            never_above=self._never_above,
            amounts={number.path: self._amounts[number.path] for number in numbers},
            others={} if stage == "start" else texts_of(others, self._amounts),
            with_joints=() if stage == "start" else self._counting(name),
            still=frozenset(number.path for number in numbers if number.path in self._shared),
            free=frozenset(one.path for one in numbers if (got := self._breaches.get(one.path)) and got.of_format),
            first={number.path: place for number in numbers if (place := self._place(number)) is not None},
        )

    def _counting(self, name: str) -> tuple[str, ...]:
        """Partners whose limits hold at the start of the search, and so have to go on holding."""
        return tuple(one for one in self._bench.partners(name) if one in self._holding)

    def _outcomes(self, tasks: list[Task]) -> list[Outcome]:
        """In the order of the joints."""
        found = sorted(self._run(tasks), key=lambda outcome: list(self._numbers).index(outcome.task.joint))
        for outcome in found:
            self._tries[outcome.task.joint] += outcome.tries
        return found

    def _place(self, number: Number) -> int | None:
        breach = self._breaches.get(number.path)
        return None if breach is None else breach.place

    # -- limits that joints share ------------------------------------------------------------------------------------

    def _machine(
        self, amounts: Mapping[Path, Fraction], first: int | None = None, skip: frozenset[int] = frozenset()
    ) -> Breach | None:
        return self._bench.machine(texts_of(self._every(), amounts), first=first, skip=skip).breach

    def _still_stops(self, path: Path, stage: str) -> bool:
        number = next(one for one in self._every() if one.path == path)
        if number.stage != stage:
            return True
        beyond = number.beyond(self._amounts[path], 1)
        return self._machine({**self._amounts, path: beyond}, self._shared[path].place) is not None

    def _give_up(
        self, numbers: tuple[Number, ...], inner: dict[Path, Fraction], outer: dict[Path, Fraction], breach: Breach
    ) -> None:
        """The same share of every gain, then the rest to one number after the other."""
        if self._machine(inner, breach.place) is not None:
            outer, inner = inner, self._gentlest(numbers, inner)
        skip = self._unmoved(inner, outer)
        low, high = Fraction(0), Fraction(1)
        for _ in range(_BISECTIONS):
            middle = (low + high) / 2
            found = self._machine(self._cut(numbers, inner, outer, middle), breach.place, skip)
            low, high = (middle, high) if found is None else (low, middle)
        self._amounts = self._cut(numbers, inner, outer, low)
        self._mend(numbers, inner)
        for number in numbers:
            self._hand_on(number, outer[number.path], breach.place, skip)

    def _unmoved(self, inner: dict[Path, Fraction], outer: dict[Path, Fraction]) -> frozenset[int]:
        """Limits that say the same of both ends are not asked in between; the full check at the end asks all."""
        every = self._every()
        low, high = (self._bench.machine(texts_of(every, amounts), to_the_end=True) for amounts in (inner, outer))
        return unmoved(low, high)

    def _mend(self, numbers: tuple[Number, ...], inner: dict[Path, Fraction]) -> None:
        """A joint may hold at both ends of the way and not in between: it then goes further back."""
        cut = dict(self._amounts)
        for name in self._numbers:
            own = tuple(number for number in numbers if number.joint == name)
            for share in _BACK:
                self._amounts.update(between(own, inner, cut, share))
                if all(self._holds(one) for one in (name, *self._counting(name))):
                    break

    def _gentlest(self, numbers: tuple[Number, ...], amounts: dict[Path, Fraction]) -> dict[Path, Fraction]:
        """Where even the settings at the start ask for too much of what joints share."""
        found = dict(amounts)
        for number in numbers:
            if number.stage != "travel" and not is_never_above(number) and full_speed(number, numbers) is None:
                found[number.path] = max(number.step, number.inward(amounts[number.path] * _GENTLEST))
        return self._cut(numbers, found, found, Fraction(0))

    def _cut(
        self, numbers: tuple[Number, ...], inner: dict[Path, Fraction], outer: dict[Path, Fraction], share: Fraction
    ) -> dict[Path, Fraction]:
        """Between the two; reduced speed no higher than full speed where both were cut."""
        found = {**outer, **between(numbers, inner, outer, share)}
        for number in numbers:
            full = full_speed(number, numbers)
            if full is not None:
                most = found[full.path] * full.factor / number.factor
                if number.out_of(found[number.path], most):
                    found[number.path] = number.inward(most)
        return found

    def _hand_on(self, number: Number, goal: Fraction, first: int | None, skip: frozenset[int]) -> None:
        """As far towards `goal` as the shared limits let this number alone go, which is rarely many steps."""
        start = self._amounts[number.path]
        if not number.out_of(goal, start):
            return
        why = self._machine({**self._amounts, number.path: goal}, first, skip)
        low, high, leap = 0, number.steps_to(start, goal), 1
        high += number.out_of(goal, number.beyond(start, high))
        while why is not None and high - low > 1:
            middle = low + leap if leap and low + leap < high else (low + high) // 2
            found = self._machine({**self._amounts, number.path: number.beyond(start, middle)}, first, skip)
            low, high, leap, why = (middle, high, 2 * leap, why) if found is None else (low, middle, 0, found)
        value = goal if why is None else start if low == 0 else number.beyond(start, low)
        tried = {**self._amounts, number.path: value}
        own = self._bench.joint(
            texts_of(self._every(), tried), number.joint, with_joints=self._counting(number.joint), to_the_end=False
        )
        if value == start or own.breach is None:
            self._amounts[number.path] = value
        if why is not None:
            self._shared[number.path] = why

    # -- together ----------------------------------------------------------------------------------------------------

    def _in_full(self, started: dict[Path, Fraction]) -> tuple[CheckResult, tuple[Finding, ...]]:
        """The full check of the edited text; where something breaks that no search saw, less of all."""
        outer = dict(self._amounts)
        before = {(one.limit, one.joint) for one in _bad(self._check(self._data))}
        result = self._check(self._edited())
        drawn_back: tuple[Finding, ...] = ()
        for share in _DRAW_BACK:
            worse = tuple(one for one in _bad(result) if self._blamed(one, before))
            if not worse:
                break
            drawn_back = drawn_back or worse
            self._breaches.clear()
            self._shared.clear()
            self._amounts = between(self._every(), started, outer, share)
            result = self._check(self._edited())
        return result, drawn_back

    def _blamed(self, finding: Finding, before: set[tuple[str, str | None]]) -> bool:
        """A limit that was broken in the file, in a joint that is not searched or shared, is not the search's doing."""
        searched = finding.joint in self._numbers and self._starts[finding.joint].amounts is not None
        return searched or (finding.limit, finding.joint) not in before

    def _edited(self) -> bytes:
        return edited(self._data, texts_of(self._every(), self._amounts))

    def _check(self, data: bytes) -> CheckResult:
        profile = read_profile(data, self._file_name)
        table = compile_table(profile)
        return check_profile(profile, table, encode_table(table))

    def _joint_advice(self, name: str, result: CheckResult) -> JointAdvice:
        start = self._starts[name]
        numbers = self._numbers[name] if start.amounts is not None else ()
        return JointAdvice(
            joint=name,
            held=start.held,
            numbers=tuple(self._number_advice(number, result) for number in numbers),
            in_the_way=start.in_the_way,
            tries=self._tries[name],
        )

    def _number_advice(self, number: Number, result: CheckResult) -> NumberAdvice:
        value = self._amounts[number.path]
        breach = self._shared.get(number.path) or self._breaches.get(number.path)
        finding = None if breach is None else breach.finding
        margin = next(
            (
                one.margin
                for one in result.findings
                if finding is not None and (one.limit, one.joint) == (finding.limit, finding.joint)
            ),
            None,
        )
        # What speed_never_above was raised to is the least that the speeds need: there a step less breaks something.
        steps = -1 if is_never_above(number) and value != number.now else 1
        return NumberAdvice(
            number=number, value=value, beyond=number.beyond(value, steps), breach=breach, margin=margin
        )


def _bad(result: CheckResult) -> list[Finding]:
    return [one for one in result.findings if one.status.value in ("violated", "not shown")]
