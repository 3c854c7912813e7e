"""The link to the controller: framing, messages, transfer, ports, journal, and the controller as a PC process."""

from mapper.link.error import LinkError, StoppedError
from mapper.link.flash_file import check_flash_file
from mapper.link.frame import PROTOCOL
from mapper.link.host import HostController
from mapper.link.message import Identity, TablePresence
from mapper.link.port import UploadResult, identify, list_ports, readback, readback_outcome, upload
from mapper.link.transfer import Inside, Outcome

__all__ = [
    "PROTOCOL",
    "HostController",
    "Identity",
    "Inside",
    "LinkError",
    "Outcome",
    "StoppedError",
    "TablePresence",
    "UploadResult",
    "check_flash_file",
    "identify",
    "list_ports",
    "readback",
    "readback_outcome",
    "upload",
]
