"""The link to the controller: framing, messages, transfer, ports, journal, and the controller as a PC process and as an
emulated board."""

from mapper.link.emulator import BoardReport, EmulatedController
from mapper.link.error import LinkError, StoppedError
from mapper.link.flash_file import check_flash_file
from mapper.link.frame import PROTOCOL
from mapper.link.host import HostController
from mapper.link.message import Identity, TablePresence
from mapper.link.port import UploadResult, identify, list_ports, readback, readback_outcome, upload
from mapper.link.simulated import TARGETS, SimulatedController, check_target, describe, start_controller
from mapper.link.transfer import Inside, Outcome

__all__ = [
    "PROTOCOL",
    "TARGETS",
    "BoardReport",
    "EmulatedController",
    "HostController",
    "Identity",
    "Inside",
    "LinkError",
    "Outcome",
    "SimulatedController",
    "StoppedError",
    "TablePresence",
    "UploadResult",
    "check_flash_file",
    "check_target",
    "describe",
    "identify",
    "list_ports",
    "readback",
    "readback_outcome",
    "start_controller",
    "upload",
]
