"""Checks between the items of one joint that have to do with its oil: what holds it, its reliefs and its hoses."""

from __future__ import annotations

from mapper.profile.messages import Report, listing
from mapper.profile.order import at_most
from mapper.profile.positions import Path
from mapper.profile.view import View

_NEEDS_SETTING = ("counterbalance", "double_counterbalance", "port_relief")
_NEEDS_RATIO = ("counterbalance", "double_counterbalance", "pilot_check")
_HAS_A_CHAMBER = ("counterbalance", "double_counterbalance")
_OF_OIL = ("counterbalance", "double_counterbalance", "pilot_check", "port_relief")
_NO_OIL = "an electric actuator has no oil: nothing flows through such a valve or hose"


def check_holding(view: View, joint: Path, report: Report) -> None:
    """Reports holding, reliefs and hoses that do not go together, or not with the joint's drive."""
    _check_kind(view, joint, report)
    _check_vented(view, joint, report)
    _check_brake(view, joint, report)
    _check_port_relief(view, joint, report)
    _check_electric(view, joint, report)
    at_most(
        view, report, (*joint, "hoses", "bore"), (*joint, "drive", "bore"), "a hose is thinner than the barrel it feeds"
    )


def _check_kind(view: View, joint: Path, report: Report) -> None:
    holding: Path = (*joint, "holding")
    kind = view.value(*holding, "kind")
    if kind is None:
        return
    for key, kinds, example in (("setting", _NEEDS_SETTING, '"220 bar"'), ("pilot_ratio", _NEEDS_RATIO, "4")):
        if kind in kinds and view.lacks(*holding, key):
            report.at(
                holding, key=True, found=f'key "{key}" is missing', allowed=f"{kind} needs it",
                remedy=f"add for example: {key} = {example}",
            )  # fmt: skip
        if kind not in kinds and view.has(*holding, key):
            report.at(
                (*holding, key), key=True, found=f"a {key} with kind = \"{kind}\"",
                allowed=f"only {listing(kinds, 'and')} have one", remedy="remove it, or correct kind",
            )  # fmt: skip
    if kind == "brake" and view.value(*joint, "drive", "kind") == "cylinder":
        report.at(
            (*holding, "kind"), found='"brake" with a cylinder', allowed="a cylinder is held by valves",
            remedy="give the valve that holds it, or none",
        )  # fmt: skip
    if kind == "brake" and view.value(*joint, "drive", "holding_brake") is False:
        report.at(
            (*holding, "kind"), found='"brake" with drive.holding_brake = false',
            allowed="a brake that holds the joint is one that the drive has", remedy="correct one of the two",
        )  # fmt: skip


def _check_vented(view: View, joint: Path, report: Report) -> None:
    kind, where = view.value(*joint, "holding", "kind"), (*joint, "holding", "vented")
    if kind is not None and kind not in _HAS_A_CHAMBER and view.value(*where) is True:
        report.at(
            where, key=True, found=f'vented with kind = "{kind}"',
            allowed=f"only {listing(_HAS_A_CHAMBER, 'and')} have a spring chamber to vent",
            remedy="remove it, or correct kind",
        )  # fmt: skip


def _check_brake(view: View, joint: Path, report: Report) -> None:
    """A brake's torque only where there is a brake: a motor says so itself, an electric actuator by its holding."""
    drive: Path = (*joint, "drive")
    if not view.has(*drive, "brake_torque"):
        return
    if view.value(*drive, "holding_brake") is False:
        report.at(
            (*drive, "brake_torque"), key=True, found="a brake_torque with holding_brake = false",
            allowed="only a brake has one", remedy="remove it, or write holding_brake = true",
        )  # fmt: skip
    kind = view.value(*joint, "holding", "kind")
    if view.value(*drive, "kind") == "electric" and kind is not None and kind != "brake":
        report.at(
            (*drive, "brake_torque"), key=True, found=f'a brake_torque with holding.kind = "{kind}"',
            allowed="of an electric actuator, only one that a brake holds has one",
            remedy='remove it, or write holding.kind = "brake"',
        )  # fmt: skip


def _check_port_relief(view: View, joint: Path, report: Report) -> None:
    holding: Path = (*joint, "holding")
    if view.value(*holding, "kind") == "port_relief" and view.has(*holding, "port_relief"):
        report.at(
            (*holding, "port_relief"), key=True, found='a port_relief with kind = "port_relief"',
            allowed="a joint has one pair of port reliefs, and with this kind setting is what they are set to",
            remedy="remove it and give the pressure as setting",
        )  # fmt: skip


def _check_electric(view: View, joint: Path, report: Report) -> None:
    if view.value(*joint, "drive", "kind") != "electric":
        return
    holding: Path = (*joint, "holding")
    if view.value(*holding, "kind") in _OF_OIL:
        report.at(
            (*holding, "kind"), found=f"{view.text(*holding, 'kind')} with an electric actuator", allowed=_NO_OIL,
            remedy='write "brake" where a brake holds the joint, else "none", or correct drive.kind',
        )  # fmt: skip
    if view.has(*holding, "port_relief"):
        report.at(
            (*holding, "port_relief"), key=True, found="a port_relief with an electric actuator", allowed=_NO_OIL,
            remedy="remove it, or correct drive.kind",
        )  # fmt: skip
    if view.value(*holding, "anti_cavitation") is True:
        report.at(
            (*holding, "anti_cavitation"), key=True, found="anti_cavitation with an electric actuator",
            allowed=_NO_OIL, remedy="remove it, or correct drive.kind",
        )  # fmt: skip
    if view.has(*joint, "hoses"):
        report.at(
            (*joint, "hoses"), key=True, found="hoses with an electric actuator", allowed=_NO_OIL,
            remedy="remove the table, or correct drive.kind",
        )  # fmt: skip
