"""What the monitor of the search can say, in the order of search_rule_t (firmware_stub/bench/search.h), in words."""

from __future__ import annotations

from dataclasses import dataclass

_MDEG = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A breach's `value` and `bound`, over `scale`, are in `unit` (none: no numbers). `asks`: what should have been."""

    name: str
    asks: str
    unit: str = ""
    scale: float = 1.0
    at_least: bool = False  # the bound is the least that is allowed, not the most


RULES: tuple[Rule, ...] = (
    Rule(name="nothing", asks=""),
    Rule(name="drive_range", asks="no drive is beyond drive_max", unit="% drive", scale=100.0),
    Rule(
        name="moves_where_none_may",
        asks="speed, flow and drive are exactly 0 outside running and stopping",
        unit="% drive",
        scale=100.0,
    ),
    Rule(name="enable_wrong", asks="the enable output is on in matching, running and stopping, and in no other state"),
    Rule(
        name="drive_against_speed",
        asks="drive and flow have the command's sign, flow stays within flow_max",
    ),
    Rule(name="stop_late", asks="after an emergency stop drives and enable are off within its ticks", unit="ticks"),
    Rule(
        name="release_late", asks="after the enabling device was let go drives and enable are off in time", unit="ticks"
    ),
    Rule(
        name="restart",
        asks="after power-up, stop or fault: first a reset with the device let go and the stop closed, then the device "
        "pressed, then matching",
    ),
    Rule(
        name="unmatched",
        asks="running begins after pump load and match have lasted their ticks",
        unit="ticks",
        at_least=True,
    ),
    Rule(
        name="ramp_up",
        asks="a command grows by its acceleration, up to what is wanted",
        unit="deg/s",
        scale=_MDEG,
    ),
    Rule(
        name="ramp_down",
        asks="a command falls by one step of deceleration where no stop is the reason",
        unit="deg/s",
        scale=_MDEG,
    ),
    Rule(
        name="reversal",
        asks="between two directions the command stays at 0 for reversal_hold",
        unit="ticks",
        at_least=True,
    ),
    Rule(
        name="stop_speeds_up",
        asks="from stop or release on, every command only slows",
        unit="deg/s",
        scale=_MDEG,
    ),
    Rule(
        name="authority_rise", asks="authority begins at 0 and rises by its step at most", unit="% of all", scale=655.36
    ),
    Rule(name="authority_share", asks="what is wanted stays within the authority's share", unit="deg/s", scale=_MDEG),
    Rule(name="speed_limit", asks="what is wanted stays within the mode's speed", unit="deg/s", scale=_MDEG),
    Rule(name="pump_share", asks="what is wanted of the pump stays within its flow", unit="l/min", scale=1000.0),
    Rule(
        name="soft_stop",
        asks="towards a soft stop the command stays under the braking curve, beyond it at 0",
        unit="deg/s",
        scale=_MDEG,
    ),
    Rule(
        name="coupled_stop",
        asks="towards a coupled stop the weighted speeds together stay under its curve, beyond it at 0",
        unit="deg/s",
        scale=_MDEG,
    ),
    Rule(
        name="tip_speed",
        asks="in reduced speed the speeds times their reaches stay within the tip's limit, or fall",
        unit="deg/s mm",
        scale=_MDEG,
    ),
    Rule(
        name="mode_rise",
        asks="with the enable output on the mode never rises, and falls when asked to",
    ),
    Rule(name="gap", asks="a follow joint whose gap is too wide is not moved", unit="deg/s", scale=_MDEG),
    Rule(
        name="position",
        asks="a joint of the class of plants stays within soft stop plus overrun",
        unit="deg",
        scale=_MDEG,
    ),
    Rule(name="window", asks="counts outside their window for fault_time switch off", unit="ticks"),
    Rule(name="disagreement", asks="two tracks apart for fault_time switch off", unit="ticks"),
    Rule(name="discrepancy", asks="emergency-stop channels that differ for discrepancy_time switch off", unit="ticks"),
    Rule(name="late_tick", asks="a tick later than its allowance switches off"),
    Rule(name="stalled", asks="drive without motion that way is a fault in time", unit="ticks"),
    Rule(name="moved", asks="motion without drive is a fault", unit="deg", scale=_MDEG),
    Rule(name="assertion", asks="no assertion of the core fails", unit="line"),
)

NO_JOINT = 255


@dataclass(frozen=True, slots=True, kw_only=True)
class Breach:
    """The first thing that the monitor found in an example."""

    rule: Rule
    joint: int | None  # None: the machine's
    tick: int
    value: float  # in the rule's unit
    bound: float

    def in_words(self, joint_names: tuple[str, ...], tick_s: float) -> str:
        """What should have been, what was, where and when; times from the start of the example, in s."""
        where = "the machine" if self.joint is None else joint_names[self.joint]
        allowed = "at least" if self.rule.at_least else "at most"
        numbers = f" (found {self.value:g}, {allowed} {self.bound:g} {self.rule.unit})" if self.rule.unit else ""
        return f"{self.rule.name} of {where} at {self.tick * tick_s:.3f} s: not so: {self.rule.asks}{numbers}"
