"""Folders for what the tests build, gone when the process that asked for them ends."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from multiprocessing import util
from pathlib import Path


def scratch_folder(prefix: str) -> Path:
    """A new empty folder, removed with all in it at the end of this process, and by no other process.

    Args:
        prefix: of its name, so that one that was left by a killed process can be told.
    """
    folder = Path(tempfile.mkdtemp(prefix=prefix))
    atexit.register(_remove, folder, os.getpid())
    # A worker of multiprocessing leaves by os._exit, past atexit; this runs there.
    util.Finalize(None, _remove, args=(folder, os.getpid()), exitpriority=0)
    return folder


def _remove(folder: Path, maker: int) -> None:
    if os.getpid() == maker:  # a fork has its parent's list too
        shutil.rmtree(folder, ignore_errors=True)
