"""What differs between operating systems: locks, folders written through to the disk, terminals, memory.

Nothing else in the project asks which system it is, or uses what only some have (held by
tests/project/test_portable.py). `posix` is for Linux and macOS, `windows` for
Windows; both give the same names.
"""

import sys

if sys.platform == "win32":
    from bench.system.windows import (
        ENDING,
        HAS_EMULATORS,
        KILLED,
        LOCKS_HINDER_OTHERS,
        PORT_ERRORS,
        cpu_seconds,
        exchange,
        give_memory_back,
        hold,
        line_typed,
        memory_left,
        no_ctrl_c,
        open_now,
        open_terminal,
        some_processor,
        sync_file,
        sync_folder,
        try_lock,
        unblocked,
        unlink_held,
    )
else:
    from bench.system.posix import (
        ENDING,
        HAS_EMULATORS,
        KILLED,
        LOCKS_HINDER_OTHERS,
        PORT_ERRORS,
        cpu_seconds,
        exchange,
        give_memory_back,
        hold,
        line_typed,
        memory_left,
        no_ctrl_c,
        open_now,
        open_terminal,
        some_processor,
        sync_file,
        sync_folder,
        try_lock,
        unblocked,
        unlink_held,
    )

__all__ = [
    "ENDING",
    "HAS_EMULATORS",
    "KILLED",
    "LOCKS_HINDER_OTHERS",
    "PORT_ERRORS",
    "cpu_seconds",
    "exchange",
    "give_memory_back",
    "hold",
    "line_typed",
    "memory_left",
    "no_ctrl_c",
    "open_now",
    "open_terminal",
    "some_processor",
    "sync_file",
    "sync_folder",
    "try_lock",
    "unblocked",
    "unlink_held",
]
