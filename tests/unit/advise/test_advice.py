"""The search over the real check: what it finds holds, and a step beyond breaks the limit that it names."""

from __future__ import annotations

from fractions import Fraction

import pytest
from advise_case import NAME, here, stand_advice
from check_case import KERB, STAND, bad, check_text, text_of, with_value

from mapper.advise import advise, advisor
from mapper.advise.bench import Bench, Breach, Measured
from mapper.advise.draft import Draft
from mapper.advise.joint import Outcome, Task, run_task
from mapper.advise.number import amounts_of, numbers_of, texts_of
from mapper.check.finding import Status
from mapper.profile import ProfileError


def beyond(found, number):
    """The limits that are broken in the whole check with this number a step farther out than advised."""
    path = ".".join(number.number.path)
    text = with_value(found.data.decode(), path, f'"{number.number.text(number.beyond)}"')
    return bad(check_text(text))


def assert_every_number_is_bound(found):
    bound = 0
    for joint in found.joints:
        for number in joint.numbers:
            if number.breach.finding is not None:
                finding = number.breach.finding
                assert (finding.limit, finding.joint) in beyond(found, number), number.number.path
                bound += 1
            elif not number.breach.of_format:
                with pytest.raises(ProfileError):
                    beyond(found, number)
    return bound


@pytest.mark.deep
def test_what_is_advised_holds_in_full():
    found = stand_advice()

    assert found.may_be_written
    assert bad(check_text(found.data.decode())) == []
    assert found.check.digest == check_text(found.data.decode()).digest


@pytest.mark.deep
def test_a_step_beyond_breaks_the_limit_that_is_named():
    assert assert_every_number_is_bound(stand_advice()) >= 6


@pytest.mark.deep
def test_no_number_of_a_joint_that_holds_gets_slower_gentler_or_narrower():
    for number in stand_advice().joints[0].numbers:
        assert not number.number.out_of(number.number.now, number.value)


@pytest.mark.deep
def test_something_is_gained_on_the_test_stand():
    assert any(number.changed for number in stand_advice().joints[0].numbers)
    assert stand_advice().changes


def test_a_number_that_nothing_stops_stays():
    free = [number for number in stand_advice().joints[0].numbers if number.breach.of_format]

    assert free
    assert not any(number.changed for number in free)


@pytest.mark.deep
def test_a_second_search_finds_nothing_more():
    found = stand_advice()

    again = advise(found.data, NAME, ("lever",), never_above=False, run=here)

    assert again.changes == ()
    assert again.data == found.data


@pytest.mark.deep
def test_a_joint_that_is_too_fast_starts_from_settings_that_hold_and_keep_what_they_can():
    """30 deg/s and a real speed of at most 20: the joint does not hold today; its other numbers need not change."""
    text = with_value(text_of(STAND), "joints.lever.limits.speed_never_above.positive", '"20 deg/s"')
    assert ("speed_limit", "lever") in bad(check_text(text))
    bench = Bench(text.encode(), NAME)
    numbers = numbers_of(bench.draft, "lever", False)
    task = Task(
        data=text.encode(),
        file_name=NAME,
        joint="lever",
        stage="start",
        never_above=False,
        amounts=amounts_of(numbers),
    )

    outcome = run_task(task)

    speed = numbers[0]
    cut = [number.key for number in numbers if outcome.amounts[number.path] != number.now]
    held = bench.joint(texts_of(numbers, outcome.amounts), "lever")
    faster = {**outcome.amounts, speed.path: speed.beyond(outcome.amounts[speed.path], 1)}
    assert not outcome.held
    assert held.breach is None
    assert set(cut) <= {"speed.positive", "speed.negative"}
    assert Fraction(10) < outcome.amounts[speed.path] < Fraction(20)
    assert bench.joint(texts_of(numbers, faster), "lever").breach.limit == "speed_limit"


@pytest.mark.deep
def test_a_joint_that_no_setting_mends_names_what_is_in_the_way():
    text = with_value(text_of(STAND), "joints.lever.valve.positive.jump", '"19 %"')

    found = advise(text.encode(), NAME, ("lever",), never_above=False, run=here)

    (joint,) = found.joints
    assert joint.numbers == ()
    assert [finding.limit for finding in joint.in_the_way] == ["deadband_jump"]
    assert not found.may_be_written
    assert found.data == text.encode()


def test_a_waived_limit_may_not_get_worse():
    """Without its waiver the joint would not hold; with it, its margin is the most that may be lost."""
    text = with_value(text_of(STAND), "joints.lever.limits.speed_never_above.positive", '"20 deg/s"')
    text += '\n[[waivers]]\nlimit = "speed_limit"\njoint = "lever"\nreason = "tried and accepted for this test"\n'
    bench = Bench(text.encode(), NAME)
    path = ("joints", "lever", "limits", "speed", "positive")

    slower = bench.joint({path: "29.9 deg/s"}, "lever")
    faster = bench.joint({path: "30.1 deg/s"}, "lever")

    assert slower.breach is None
    assert faster.breach.limit == "speed_limit"
    assert faster.breach.finding.status is Status.VIOLATED


# -- what joints share ----------------------------------------------------------------------------------------------


class Shared:
    """A bench whose joints take anything and whose machine gives `most` deg/s for all positive speeds together."""

    def __init__(self, most: Fraction) -> None:
        self.draft = Draft(text_of(KERB).encode(), NAME)
        self.most, self.tries = most, 0

        self.names = tuple(joint.name for joint in self.draft.profile_now.joints)

    def joint(self, texts, name, **_):
        return Measured(breach=None)

    def partners(self, name):
        return ()

    def machine(self, texts, **_):
        total = Fraction(0)
        for joint in self.draft.profile_now.joints:
            path = ("joints", joint.name, "limits", "speed", "positive")
            total += Fraction(texts.get(path, self.draft.text(path)).split()[0])
        return Measured(breach=None if total <= self.most else Breach(rule="shared"))


def shared_search(monkeypatch, most: int, gain: int):
    """One stage of six joints of which each alone could have `gain` more; positive speeds add up to 200 in the file."""
    bench = Shared(Fraction(most))
    monkeypatch.setattr(advisor, "bench_of", lambda data, name: bench)
    names = tuple(joint.name for joint in bench.draft.profile_now.joints)

    def faster(tasks):
        for task in tasks:
            raised = {path for path in task.amounts if path[3:] == ("speed", "positive") and path not in task.still}
            amounts = {path: value + gain * (path in raised) for path, value in task.amounts.items()}
            yield Outcome(task=task, amounts=amounts)

    one = advisor._Advisor(text_of(KERB).encode(), NAME, names, False, faster)
    one._starts = {name: Outcome(task=None, amounts={}) for name in names}
    one._stage("speeds")
    numbers = [number for name in names for number in numbers_of(bench.draft, name, False)]
    return one, [number for number in numbers if number.path[3:] == ("speed", "positive")]


def test_joints_give_up_the_same_share_of_what_they_gained(monkeypatch):
    one, speeds = shared_search(monkeypatch, 230, 10)

    gains = [one._amounts[number.path] - number.now for number in speeds]
    assert sum(gains) == 230 - 200
    assert max(gains) - min(gains) <= Fraction(1, 2)
    assert all(number.path in one._shared for number in speeds)


def test_joints_that_ask_for_too_much_today_all_get_slower(monkeypatch):
    one, speeds = shared_search(monkeypatch, 150, 0)

    shares = [one._amounts[number.path] / number.now for number in speeds]
    assert sum(one._amounts[number.path] for number in speeds) == 150
    assert max(shares) - min(shares) < Fraction(1, 20)


@pytest.mark.deep
@pytest.mark.timeout(600)
def test_a_real_speed_that_may_be_higher_is_raised_as_far_as_the_speeds_need():
    text = with_value(text_of(STAND), "joints.lever.limits.speed_never_above.positive", '"35 deg/s"')
    text = with_value(text, "joints.lever.limits.speed.positive", '"20 deg/s"')

    strict = advise(text.encode(), NAME, ("lever",), never_above=False, run=here)
    free = advise(text.encode(), NAME, ("lever",), never_above=True, run=here)

    never, _, speed, *_ = free.joints[0].numbers
    assert strict.joints[0].numbers[0].breach.limit == "speed_limit"
    assert speed.value > strict.joints[0].numbers[0].value
    assert never.value > 35
    assert ("speed_limit", "lever") in beyond(free, never)  # a step lower
    assert bad(check_text(free.data.decode())) == []


@pytest.mark.deep
@pytest.mark.timeout(1_200)  # more than a hundred settings a joint, each checked
def test_every_number_of_the_six_joint_arm_is_bound_by_the_limit_named():
    text = text_of(KERB)
    names = tuple(joint.name for joint in Draft(text.encode(), NAME).profile_now.joints)

    found = advise(text.encode(), NAME, names, never_above=False, run=here)

    assert found.may_be_written
    assert bad(check_text(found.data.decode())) == []
    assert assert_every_number_is_bound(found) >= 30
