"""The only code that creates, syncs, renames and measures storage, and its fault-injecting twin."""

from nightreel.disk.faulty import FaultyDisk
from nightreel.disk.files import (
    AppendFile,
    create_new,
    free_bytes,
    make_folder_new,
    replace_text,
    sync_folder,
    write_new_bytes,
    write_new_text,
)
from nightreel.disk.names import safe_name
from nightreel.disk.real import RealDisk
from nightreel.disk.storage import Disk, OpenFile
from nightreel.disk.verified import Digests, copy_verified, digest_file
from nightreel.disk.volumes import file_system_name, largest_file_bytes

__all__ = [
    "AppendFile",
    "Digests",
    "Disk",
    "FaultyDisk",
    "OpenFile",
    "RealDisk",
    "copy_verified",
    "create_new",
    "digest_file",
    "file_system_name",
    "free_bytes",
    "largest_file_bytes",
    "make_folder_new",
    "replace_text",
    "safe_name",
    "sync_folder",
    "write_new_bytes",
    "write_new_text",
]
