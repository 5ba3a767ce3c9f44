"""Where the control socket of a show lies: in a folder of this user alone, named by the show folder's real path.

Socket addresses are short (108 bytes on Linux), so it cannot lie inside the show itself.
"""

from __future__ import annotations

import hashlib
import os
import stat
import tempfile
from pathlib import Path

from nightreel.errors import FailureError

MOST_FOLDER_BYTES = 60  # leaves room for the longest name below in the 103 bytes that every system takes


def runtime_folder() -> Path:
    """``$XDG_RUNTIME_DIR/nightreel``, or one in the temporary folder; ours alone (mode 700), made if need be.

    A folder whose name is too long for a socket address is passed over for one in /tmp.
    """
    base = os.environ.get("XDG_RUNTIME_DIR")
    folder = Path(base) / "nightreel" if base else Path(tempfile.gettempdir()) / f"nightreel-{os.getuid()}"
    if len(os.fsencode(folder)) > MOST_FOLDER_BYTES:
        folder = Path("/tmp") / f"nightreel-{os.getuid()}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = folder.lstat()
    except OSError as error:
        raise FailureError(
            f"no folder for the control socket: {error.strerror}", where=str(folder), now="Set XDG_RUNTIME_DIR"
        ) from error
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid():
        raise FailureError("this folder belongs to somebody else", where=str(folder), now="Set XDG_RUNTIME_DIR")
    return folder


def socket_path(show_folder: Path, *, kind: str = "recorder") -> Path:
    """The address of a show's process of one kind; the same for every way of writing the folder's path."""
    real = os.path.realpath(show_folder)
    digest = hashlib.sha256(os.fsencode(real)).hexdigest()[:20]
    return runtime_folder() / f"{kind}-{digest}.sock"
