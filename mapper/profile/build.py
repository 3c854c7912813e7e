"""From converted values, in which nothing is missing, to the frozen `Profile`; the reader has made the checks."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from mapper.profile.profile import (
    Body,
    Controller,
    CoupledStop,
    CylinderDrive,
    Drive,
    ElectricDrive,
    EmergencyStop,
    Follow,
    Holding,
    Hoses,
    Joint,
    KeepOut,
    Limits,
    Load,
    MotorDrive,
    OperatorInput,
    Profile,
    Range,
    Sensor,
    Start,
    StopPair,
    Supply,
    Tolerances,
    Track,
    TwoWay,
    Valve,
    ValveSide,
    Waiver,
    Watch,
    Work,
)

Values = Mapping[str, Any]
_NO_ERROR = Fraction(0)
_OF_A_BRAKE = {"brake_torque": "brake_torque_n_m"}
_OF_ANY_HYDRAULIC = {"mark": "mark", "rated_pressure": "rated_pressure_pa"}
_OF_A_CYLINDER = {"end_factor": "end_factor", "buckling_factor": "buckling_factor", "rod_yield": "rod_yield_pa"}


def build(values: Values, *, file_name: str, digest: bytes) -> Profile:
    """The profile of `values`.

    Args:
        values: result of `values.convert` for a file without any problem.
        file_name: as the user gave it; only for messages.
        digest: SHA-256 of the file's bytes, 32 bytes.
    """
    machine = values["machine"]
    controller = _controller(values["controller"])
    return Profile(
        file_name=file_name,
        digest=digest,
        machine_id=machine["id"],
        machine_name=machine["name"],
        revision=machine["revision"],
        supply=_supply(values["supply"]),
        controller=controller,
        emergency_stop=_emergency_stop(values["emergency_stop"]),
        start=Start(
            sensors_good_s=values["start"]["sensors_good"],
            pump_load_s=values["start"]["pump_load"],
            match_hold_s=values["start"]["match_hold"],
            authority_ramp_s=values["start"]["authority_ramp"],
        ),
        loads=tuple(_load(name, load) for name, load in values.get("loads", {}).items()),
        joints=tuple(_joint(name, joint, controller) for name, joint in values["joints"].items()),
        waivers=tuple(
            Waiver(limit=waiver["limit"], joint=waiver.get("joint"), reason=waiver["reason"])
            for waiver in values.get("waivers", ())
        ),
        coupled_stops=tuple(_coupled_stop(stop, tuple(values["joints"])) for stop in values.get("coupled_stops", ())),
        keep_out=tuple(
            KeepOut(name=box["name"], lower_m=_corner(box["from"]), upper_m=_corner(box["to"]))
            for box in values.get("keep_out", ())
        ),
        **_given(machine, tilt="tilt_deg"),
    )


def _given(values: Values, **fields: str) -> dict[str, Any]:
    """Field and value of each optional key (key = its field) that the file gives; the others keep their defaults."""
    return {field: values[key] for key, field in fields.items() if key in values}


def _load(name: str, load: Values) -> Load:
    return Load(
        name=name,
        mass_kg=load["mass"],
        centre_m=load["centre"],
        **_given(load, offset="offset_m", gyration="gyration_m", radius="radius_m"),
    )


def _coupled_stop(stop: Values, order: tuple[str, ...]) -> CoupledStop:
    """order: of the profile's joints, which the two take whatever the order in the file."""
    first, second = sorted(stop["sum"], key=order.index)
    lower, upper = (
        None if pair is None else StopPair(soft_deg=pair["soft"], hard_deg=pair["hard"])
        for pair in (stop.get("lower"), stop.get("upper"))
    )
    return CoupledStop(
        name=stop["name"],
        joints=(first, second),
        weights=(stop["sum"][first], stop["sum"][second]),
        lower=lower,
        upper=upper,
    )


def _corner(corner: Values) -> tuple[Fraction, Fraction, Fraction]:
    return corner["x"], corner["y"], corner["z"]


def _supply(supply: Values) -> Supply:
    return Supply(
        load_sensing=supply["pump"] == "load_sensing",
        flow_m3_s=supply["flow"],
        relief_pa=supply["relief_pressure"],
        margin_pa=supply["margin"],
        tank_pa=supply["tank_pressure"],
        fluid_density_kg_m3=supply["fluid_density"],
        bulk_modulus_pa=supply["bulk_modulus"],
        power_w=supply.get("power"),
        **_given(supply, share_least="share_least"),
    )


def _controller(controller: Values) -> Controller:
    return Controller(
        tick_s=controller["tick"],
        late_s=controller["late_allowance"],
        count_max=controller["count_max"],
        inputs=tuple(controller["inputs"].items()),
        outputs=tuple(controller["outputs"].items()),
    )


def _emergency_stop(stop: Values) -> EmergencyStop:
    return EmergencyStop(
        category=stop["category"],
        discrepancy_s=stop["discrepancy_time"],
        reset_min_s=stop["reset_press"]["shortest"],
        reset_max_s=stop["reset_press"]["longest"],
        delayed_off_relay_s=stop.get("delayed_off_relay"),
        release_deadline_s=stop["release_deadline"],
        **_given(stop, dump="dump", dump_time="dump_time_s"),
    )


def _joint(name: str, joint: Values, controller: Controller) -> Joint:
    follow, body, hoses, work = (joint.get(key) for key in ("follow", "body", "hoses", "work"))
    return Joint(
        name=name,
        title=joint["title"],
        control=joint["control"],
        continuous=joint["travel"] == "continuous",
        operator=_operator(joint["operator"], joint["control"], controller),
        position=_sensor(joint["position"], "angle", controller),
        follow=None if follow is None else _follow(follow),
        drive=_drive(joint["drive"]),
        valve=_valve(joint["valve"], controller),
        limits=_limits(joint["limits"]),
        tolerances=_tolerances(joint["tolerances"]),
        watch=_watch(joint["watch"]),
        axis=joint["axis"],
        body=None if body is None else _body(body),
        holding=_holding(joint["holding"]),
        hoses=None if hoses is None else _hoses(hoses),
        work=None if work is None else Work(torque_n_m=_two_way(work["torque"])),
    )


def _body(body: Values) -> Body:
    return Body(
        mass_kg=body["mass"],
        centre_m=body["centre"],
        length_m=body["length"],
        **_given(body, rise="rise_m", gyration="gyration_m", radius="radius_m"),
    )


def _holding(holding: Values) -> Holding:
    return Holding(
        kind=holding["kind"],
        setting_pa=holding.get("setting"),
        pilot_ratio=holding.get("pilot_ratio"),
        **_given(holding, port_relief="port_relief_pa", anti_cavitation="anti_cavitation", vented="vented"),
    )


def _hoses(hoses: Values) -> Hoses:
    return Hoses(length_m=hoses["length"], bore_m=hoses["bore"], rated_pressure_pa=hoses.get("rated_pressure"))


def _sensor(sensor: Values, value_key: str, controller: Controller) -> Sensor:
    channels = dict(controller.inputs)
    return Sensor(
        tracks=tuple(
            Track(
                input_name=track["input"],
                input_index=channels[track["input"]],
                points=tuple((point["count"], point[value_key]) for point in track["points"]),
                count_min=track["window"]["lower"],
                count_max=track["window"]["upper"],
            )
            for track in sensor["tracks"]
        ),
        disagreement=sensor.get("disagreement"),
        fault_time_s=sensor["fault_time"],
        rate_max=sensor["rate_max"],
        error_deg=sensor.get("error", _NO_ERROR),
    )


def _operator(operator: Values, control: str, controller: Controller) -> OperatorInput:
    follows = control == "follow"
    return OperatorInput(
        sensor=_sensor(operator, "angle" if follows else "share", controller),
        filter_hz=operator["filter"],
        # A joint in speed control does not use its operator's speed; the table still has a coefficient for it.
        speed_filter_hz=operator["speed_filter"] if follows else operator["filter"],
        deadband_share=_NO_ERROR if follows else operator["deadband"],
        response=tuple((point["operator"], point["joint"]) for point in operator["response"]),
    )


def _follow(follow: Values) -> Follow:
    return Follow(
        gain_per_s=follow["gain"],
        feed_forward=follow["feed_forward"],
        error_deadband_deg=follow["error_deadband"],
        speed_deadband_deg_s=follow["speed_deadband"],
        match_window_deg=follow["match_window"],
        gap_deg=follow.get("gap"),
    )


def _drive(drive: Values) -> Drive:
    if drive["kind"] == "cylinder":
        return CylinderDrive(
            base_radius_m=drive["base_radius"],
            rod_radius_m=drive["rod_radius"],
            included_at_zero_deg=drive["included_at_zero"],
            extends_positive=drive["extends"] == "positive",
            bore_m=drive["bore"],
            rod_m=drive["rod"],
            stroke_m=drive["stroke"],
            closed_length_m=drive["closed_length"],
            cushion_m=drive["cushion"],
            efficiency=drive["efficiency"],
            **_given(drive, **_OF_ANY_HYDRAULIC, **_OF_A_CYLINDER),
        )
    if drive["kind"] == "motor":
        return MotorDrive(
            displacement_m3_rev=drive["displacement"],
            gear_ratio=drive["gear_ratio"],
            volumetric_efficiency=drive["volumetric_efficiency"],
            mechanical_efficiency=drive["mechanical_efficiency"],
            holding_brake=drive["holding_brake"],
            **_given(drive, **_OF_ANY_HYDRAULIC, **_OF_A_BRAKE),
        )
    return ElectricDrive(
        speed_deg_s=drive["speed"], torque_n_m=drive["torque"], **_given(drive, mark="mark", **_OF_A_BRAKE)
    )


def _valve_side(side: Values) -> ValveSide:
    return ValveSide(
        crack=side["crack"],
        crack_min=side["crack_min"],
        jump=side["jump"],
        points=tuple((point["drive"], point["flow"]) for point in side["points"]),
    )


def _valve(valve: Values, controller: Controller) -> Valve:
    return Valve(
        output_name=valve["output"],
        output_index=dict(controller.outputs)[valve["output"]],
        reversed=valve["reversed"],
        rated_flow_m3_s=valve["rated_flow"],
        rated_drop_pa=valve["rated_drop"],
        compensated=valve["compensated"],
        positive=_valve_side(valve["positive"]),
        negative=_valve_side(valve["negative"]),
        drive_max=valve["drive_max"],
        reversal_hold_s=valve["reversal_hold"],
    )


def _two_way(pair: Values) -> TwoWay:
    return TwoWay(positive=pair["positive"], negative=pair["negative"])


def _span(span: Values | None) -> Range | None:
    return None if span is None else Range(lower=span["lower"], upper=span["upper"])


def _limits(limits: Values) -> Limits:
    return Limits(
        speed_deg_s=_two_way(limits["speed"]),
        reduced_speed_deg_s=_two_way(limits["reduced_speed"]),
        speed_never_above_deg_s=_two_way(limits["speed_never_above"]),
        acceleration_deg_s2=limits["acceleration"],
        deceleration_deg_s2=limits["deceleration"],
        stop_deceleration_deg_s2=limits["stop_deceleration"],
        soft_stops_deg=_span(limits.get("soft_stops")),
        hard_stops_deg=_span(limits.get("hard_stops")),
        tip_speed_m_s=limits.get("tip_speed"),
        **_given(limits, stop_distance="stop_distance_m"),
    )


def _tolerances(tolerances: Values) -> Tolerances:
    lag, dead_time = tolerances["lag"], tolerances["dead_time"]
    return Tolerances(
        lag_s=Range(lower=lag["shortest"], upper=lag["longest"]),
        dead_time_s=Range(lower=dead_time["shortest"], upper=dead_time["longest"]),
        hysteresis=tolerances["hysteresis"],
        natural_frequency_hz=tolerances["natural_frequency"],
        damping_ratio=tolerances["damping_ratio"],
    )


def _watch(watch: Values) -> Watch:
    return Watch(
        settle_s=watch["settle"],
        still_s=watch["still_time"],
        still_deg=watch["still_angle"],
        stall_flow=watch["stall_flow"],
        stall_s=watch["stall_time"],
        stall_deg=watch["stall_angle"],
    )
